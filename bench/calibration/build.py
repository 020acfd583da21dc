"""What a calibration file means: each section read, checked and compiled to the controller's units."""

from __future__ import annotations

from fractions import Fraction

from bench.calibration.builder import ANGLE, SHARE, Built
from bench.calibration.maps import MapSections
from bench.calibration.quantity import Quantity
from bench.calibration.reader import File
from bench.calibration.sensor import SensorSections
from controller.constants import (
    CURVE_POINTS,
    CYLINDERS,
    FROM_LANDING,
    FROM_PEAK,
    FUEL_OFF,
    HOLD_LAST,
    LINE_POINTS,
    SPARK_OFF,
    STOP,
)


class _File(SensorSections, MapSections):
    def build(self) -> Built:
        """Read every section; mistakes and values are left in the file."""
        self.tick()
        self.car()
        self.sensor()
        self.filters()
        self.progress()
        self.maps()
        self.latch()
        self.ceiling("engine")
        self.ceiling("shaft")
        self.limits()
        self.cylinders()
        self.arming()
        self.link()
        self.file.finish()
        return self.built

    def tick(self) -> None:
        s = self.file.section("tick")
        q = s.number("tick", "ms", default=1)
        (us,) = self.file.put("tick_us", q, 1000)
        self.built.tick_ms = Fraction(us, 1000)
        s.finish()

    def car(self) -> None:
        s = self.file.section("car")
        s.text("name")
        if s.gives("droop", "mm"):
            q = s.number("droop", "mm")
            if q.good and q.value < 0:
                self.file.wrong(q.path, f"{q.written(q.value)} is below 0", "how far the wheels hang down", q)
            self.built.droop_mm = float(q.value) if q.good else None
        s.finish()

    def latch(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("latch", required=True)
        self.triggers(s, "", "%", SHARE, (2, 1))
        hold = s.number("hold", "ms")
        (hold_ticks,) = self.ticks("hold_ticks", hold)
        start = s.choice("hold_from", ("peak", "landing"))
        v["hold_from"] = FROM_PEAK if start == "peak" else FROM_LANDING
        self.release(s, ("release_q16",), ("%/s",), required=True)

        r = file.section("latch.retard", required=True)
        v["retard_follows"] = int(r.flag("follows_map", False))
        self.triggers(r, "retard_", "deg", ANGLE, (1, Fraction(1, 2)))
        self.release(r, ("retard_release_q16",), ("deg/s",), required=True)
        r.finish()
        s.finish()
        self.fault(hold, hold_ticks)

    def fault(self, hold: Quantity, hold_ticks: int) -> None:
        file = self.file
        s = file.section("fault")
        longest = max(Fraction(3000), hold.value if hold.good else Fraction(0))
        q = s.number("hold", "ms", default=longest)
        (ticks,) = self.ticks("fault_hold_ticks", q)
        if q.good and hold.good and ticks < hold_ticks:
            what = f"{q.written(q.value)} is shorter than latch.{hold.path[-1]}"
            file.wrong(
                q.path, what, f"at least {q.written(hold.value)}, better longer than any time in the air", q
            )
        self.rate("fault_release_q16", s.number("release", "%/s", default=50), SHARE)
        self.rate("fault_retard_release_q16", s.number("release", "deg/s", default=20), ANGLE)
        file.put("blind_reduction", s.number("blind_reduction", "%", default=20), SHARE)
        self.rate("blind_growth_q16", s.number("blind_growth", "%/s", default=100), SHARE)
        file.put("blind_until_ms", s.number("blind_until", "ms", default=3000))
        s.finish()

    def ceiling(self, who: str) -> None:
        """A ceiling of the engine's or the shaft's speed (R1)."""
        file, v = self.file, self.file.values
        s = file.section(f"{who}_ceiling")
        names = (f"{who}_release_q16", f"{who}_retard_release_q16")
        if who == "engine":
            v["engine_before_launch"] = 0
        if not file.has(s.name):
            v.update({f"{who}_points": 0, f"{who}_ms": [], f"{who}_rpm": []})
            v.update({f"{who}_after_end": STOP, f"{who}_hysteresis": 0, f"{who}_line_points": 1})
            v.update({f"{who}_over_rpm": [0], f"{who}_reduction": [0], f"{who}_retard": [0]})
            v.update(dict.fromkeys(names, 0))
            s.say("speed_rpm", "off")
            return
        elapsed = s.numbers("elapsed", "ms", most=CURVE_POINTS)
        speed = s.numbers("speed", "rpm", most=CURVE_POINTS)
        v[f"{who}_points"] = self.over_time(f"{who}_ms", elapsed)
        file.put(f"{who}_rpm", speed)
        self.same_length(speed, elapsed)
        end = s.choice("after_end", ("hold", "stop"))
        v[f"{who}_after_end"] = HOLD_LAST if end == "hold" else STOP
        if who == "engine":
            v["engine_before_launch"] = int(s.flag("before_launch", False))
        file.put(f"{who}_hysteresis", s.number("hysteresis", "rpm", default=50))
        over = s.numbers("over", "rpm", most=LINE_POINTS)
        line = file.put(f"{who}_over_rpm", over)
        self.rises(over, line, 1)
        v[f"{who}_line_points"] = len(line)
        reduction = s.numbers("reduction", "%", most=LINE_POINTS)
        file.put(f"{who}_reduction", reduction, SHARE)
        self.same_length(reduction, over)
        v[f"{who}_retard"] = [0] * len(line)
        if s.gives("retard", "deg"):
            retard = s.numbers("retard", "deg", most=LINE_POINTS)
            file.put(f"{who}_retard", retard, ANGLE)
            self.same_length(retard, over)
        else:
            s.number("retard", "deg", default=0)
        self.release(s, names, ("%/s", "deg/s"), required=False)
        s.finish()

    def limits(self) -> None:
        s = self.file.section("limits", required=True)
        self.file.put("reduction_limit", s.number("reduction", "%"), SHARE)
        self.file.put("retard_limit", s.number("retard", "deg"), ANGLE)
        s.finish()

    def cylinders(self) -> None:
        file = self.file
        s = file.section("cylinders", required=True)
        count = s.whole("count", least=1, greatest=CYLINDERS)
        order = s.whole_numbers("firing_order", least=1, most=CYLINDERS)
        (cylinders,) = file.put("cylinders", count)
        fired = file.put("firing_order", order)
        if count.good and order.good and sorted(fired) != list(range(1, cylinders + 1)):
            file.wrong(
                order.path, "is not an order of all cylinders", f"each of 1 to {cylinders} once", order
            )
        skips = s.choice("skips", ("spark", "fuel", "both"))
        bits = {"spark": SPARK_OFF, "fuel": FUEL_OFF, "both": SPARK_OFF | FUEL_OFF}
        file.values["event_bits"] = bits[skips]
        s.finish()

    def arming(self) -> None:
        s = self.file.section("arming")
        self.ticks("disarm_ticks", s.number("disarm", "ms", default=100))
        s.finish()

    def link(self) -> None:
        s = self.file.section("link")
        self.file.put("stall_ms", s.number("stall", "ms", default=250))
        self.file.put("safe_reduction", s.number("safe_reduction", "%", default=100), SHARE)
        self.file.put("safe_retard", s.number("safe_retard", "deg", default=0), ANGLE)
        s.finish()


def build(file: File) -> Built:
    """Read, check and compile a whole file; its mistakes, warnings and values are left in it."""
    return _File(file).build()
