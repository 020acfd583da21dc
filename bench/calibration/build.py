"""What a calibration file means: each section read, checked and compiled to the controller's units."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.calibration import ceilings as ceil
from bench.calibration.reader import File, Quantity, Section, Table, in_unit, nearest
from controller.constants import (
    AXIS_POINTS,
    BY_SPEED,
    BY_TIME,
    CAR_SPEED,
    CURVE_POINTS,
    CYLINDERS,
    ELAPSED_LIMIT,
    FROM_LANDING,
    FROM_PEAK,
    FRONT_WHEEL_SPEED,
    FUEL_OFF,
    HOLD_LAST,
    LIFT_LIMIT,
    LINE_POINTS,
    LOOKBACK_SLOTS,
    SENSOR_POINTS,
    SPARK_OFF,
    STOP,
)

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

_LIFT = 16  # controller's units in a millimetre
_SPEED = 10  # in a km/h
_SHARE = 10  # in a percent
_ANGLE = 10  # in a degree
_Q12 = 4096
_Q16 = 65536


@dataclass
class Built:
    """What was learned of a file beside its compiled values."""

    tick_ms: Fraction = Fraction(1)
    volts_to_counts: Fraction | None = None
    droop_mm: float | None = None
    map_off: ceil.Fit | None = None
    ceilings_mm: ceil.Ceilings | None = None
    lift_sign: str = "mm"
    lift_size: float = 1.0
    progress_sign: str = "km/h"
    progress_size: float = 1.0


class _Builder:
    def __init__(self, file: File) -> None:
        self.file = file
        self.built = Built()

    def build(self) -> Built:
        """Read every section; mistakes and values are left in the file."""
        self.tick()
        self.car()
        self.sensor()
        self.filters()
        self.progress()
        self.maps()
        self.latch()
        self.curve("engine")
        self.curve("shaft")
        self.limits()
        self.cylinders()
        self.arming()
        self.link()
        self.file.finish()
        return self.built

    # -- times and rates

    def ticks(self, name: str, q: Quantity) -> list[int]:
        return self.file.put(name, q, 1 / self.built.tick_ms)

    def samples(self, name: str, q: Quantity) -> list[int]:
        return self.file.put(name, q, 1 / self.sample_ms)

    def rate(self, name: str, q: Quantity, units: int) -> list[int]:
        """A rate a second, in `units` a canonical unit, as Q16 a tick."""
        return self.file.put(name, q, units * _Q16 * self.built.tick_ms / 1000)

    # -- sections

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

    def sensor(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("sensor", required=True)
        adc = s.number("adc_max", "count")
        (adc_max,) = file.put("adc_max", adc)
        curve = s.numbers("curve", "count", "V", least=2, most=SENSOR_POINTS)
        height = s.numbers("curve_height", "mm", least=2, most=SENSOR_POINTS)
        window = s.numbers("window", "count", "V", least=2, most=2)
        if s.gives("reference", "V") or "V" in (curve.unit, window.unit):
            self.reference(s, adc, adc_max)
        curve = self.as_counts(curve, adc_max)
        window = self.as_counts(window, adc_max)

        counts = file.put("sensor_counts", curve)
        heights = file.put("sensor_height", height, _LIFT)
        v["sensor_points"] = len(counts)
        self.rises(curve, counts, 1)
        self.one_way(height, heights)
        if curve.good and height.good and len(counts) != len(heights):
            what = f"has {len(heights)} values"
            file.wrong(height.path, what, f"{len(counts)}, one for each of {curve.path[-1]}", height)
        if curve.good and adc.good and counts[-1] > adc_max:
            what = f"{curve.written(curve.values[-1])} is more than adc_max_counts"
            file.wrong(curve.path, what, f"at most {adc_max} counts", curve)

        low, high = file.put("window_low", _one(window, 0))[0], file.put("window_high", _one(window, 1))[0]
        if window.good and low >= high:
            file.wrong(window.path, "is empty", "the lower end first", window)
        if window.good and adc.good and high > adc_max:
            what = f"ends above adc_max_counts ({adc_max})"
            file.wrong(window.path, what, f"below {adc_max} counts", window)
        elif window.good and adc.good and low == 0 and high == adc_max:
            what = "leaves no count outside, so a lost sensor could not be told"
            edge = max(adc_max // 100, 1)
            file.wrong(window.path, what, f"for example [{edge}, {adc_max - edge}]", window)

        rest = s.number("rest_height", "mm")
        file.put("rest", rest, _LIFT)
        gain = s.number("axle_gain", "", default=1)
        file.put("gain_q12", gain, _Q12)
        period = s.number("period", "ms")
        (sample_ticks,) = self.ticks("sample_ticks", period)
        self.sample_ms = sample_ticks * self.built.tick_ms
        noise = s.number("noise", "mm", default=3)
        file.put("allowance", noise, _LIFT)
        fastest = s.number("fastest", "mm/s", default=5000)
        file.put("allowance_rate", fastest, _LIFT * self.built.tick_ms / 1000)
        self.samples("confirm_samples", s.number("confirm", "ms", default=20))
        self.samples("heal_samples", s.number("heal", "ms", default=50))
        agree = s.whole("agree_samples", default=3, least=2, greatest=16)
        file.put("agree_samples", agree)
        self.samples("return_samples", s.number("return", "ms", default=max(500, 16 * self.sample_ms)))

        known = all(q.good for q in (curve, height, window, adc))
        self.ends_mm = (0.0, 0.0)
        if known:
            self.ends_mm = self.range_seen(counts, heights, low, high)
            least, most = self.ends_mm
            if rest.good and not least <= rest.value <= most:
                what = f"{rest.written(rest.value)} is outside the sensor's range"
                right = f"{rest.written(math.ceil(least))} to {rest.written(math.floor(most))}"
                file.wrong(rest.path, what, right, rest)
        self.near_end(s, known and fastest.good and agree.good and period.good, noise, fastest, agree)
        self.stuck(noisy=known and self.moves_by_itself(s))
        self.learn()
        s.finish()

    def reference(self, s: Section, adc: Quantity, adc_max: int) -> None:
        """Volts to counts as an ideal converter has them: a step is the reference / (highest count + 1)."""
        q = s.number("reference", "V")
        if q.good and q.value <= 0:
            self.file.wrong(q.path, f"{q.written(q.value)} is not above 0", "the converter's reference", q)
        if q.good and adc.good:
            self.built.volts_to_counts = (adc_max + 1) / q.value

    def as_counts(self, q: Quantity, adc_max: int) -> Quantity:
        """A quantity in counts. At its end the reference itself is written for the highest count."""
        if q.unit != "V":
            return q
        factor = self.built.volts_to_counts
        if factor is None:
            # The missing or wrong reference is reported where it stands.
            q.good = False
            return q
        made = in_unit(q, "count", factor)
        if adc_max < made.values[-1] <= adc_max + 1:
            made.values = (*made.values[:-1], Fraction(adc_max))
        return made

    def range_seen(self, counts: list[int], heights: list[int], low: int, high: int) -> tuple[float, float]:
        """Least and greatest height in mm that the window lets through."""
        import numpy as np

        ends = np.interp([low, high], counts, heights) / _LIFT
        return float(ends.min()), float(ends.max())

    def near_end(self, s: Section, known: bool, noise: Quantity, fastest: Quantity, agree: Quantity) -> None:
        """The part of the range next to its end, wide enough that the agreeing samples fall into it (H5)."""
        file = self.file
        heights = file.values["sensor_height"]
        assert isinstance(heights, list)
        far, near = max(heights), min(heights)
        hidden = Fraction(far, _LIFT) - Fraction(self.ends_mm[1])
        crossed = agree.value * self.sample_ms * fastest.value / 1000
        # One sample more, as one may be lost on the way.
        wide = hidden + crossed * (agree.value + 1) / agree.value + noise.value
        default = Fraction(math.ceil(wide)) if known else Fraction(25)
        q = s.number("near_end", "mm", default=default)
        file.put("near_end", q, _LIFT)
        if not (known and q.good):
            return
        least = q.written(math.ceil(hidden + crossed))
        if q.value < hidden + crossed:
            what = (
                f"{q.written(q.value)} is too small: a nose at its fastest crosses it in fewer than "
                f"{agree.value} samples"
            )
            file.wrong(q.path, what, f"at least {least}", q)
        elif q.value * _LIFT >= far - near:
            what = f"{q.written(q.value)} is the sensor's whole range or more"
            file.wrong(q.path, what, f"{least} or little more", q)

    def moves_by_itself(self, s: Section) -> bool:
        """Whether the sensor's noise, as measured, moves a healthy reading all the time (H8)."""
        if not s.gives("measured_noise", "mm"):
            return False
        q = s.number("measured_noise", "mm")
        if q.good and q.value < 0:
            self.file.wrong(q.path, f"{q.written(q.value)} is below 0", "what was measured, rms", q)
        counts, heights = self.file.values["sensor_counts"], self.file.values["sensor_height"]
        assert isinstance(counts, list)
        assert isinstance(heights, list)
        points = itertools.pairwise(zip(counts, heights, strict=True))
        # What the controller sees of a step of the converter, 1/16 mm; a finer one is lost in its rounding.
        step = max(Fraction(1), *(abs(Fraction(b[1] - a[1], b[0] - a[0])) for a, b in points))
        return q.good and 2 * q.value * _LIFT >= step

    def stuck(self, *, noisy: bool) -> None:
        file, v = self.file, self.file.values
        s = file.section("sensor.stuck")
        if not file.has("sensor.stuck") and not noisy:
            v.update(stuck_band=0, stuck_samples=0, stuck_speed=0)
            s.say("time_ms", "off")
            return
        # The very same reading for so long is no reading; a quiet sensor may well stay within a millimetre.
        file.put("stuck_band", s.number("band", "mm", default=0), _LIFT)
        self.samples("stuck_samples", s.number("time", "ms", default=max(100, 16 * self.sample_ms)))
        file.put("stuck_speed", s.number("above_speed", "km/h", default=10), _SPEED)
        s.finish()

    def learn(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("sensor.learn")
        if not file.has("sensor.learn"):
            v.update(learn_window=0, learn_spread=0, learn_tolerance=0)
            s.say("window_ms", "off")
            return
        self.samples("learn_window", s.number("window", "ms"))
        file.put("learn_spread", s.number("spread", "mm"), _LIFT)
        file.put("learn_tolerance", s.number("tolerance", "mm"), _LIFT)
        s.finish()

    def filters(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("filter")
        median = s.whole("median_samples", default=3, least=1, greatest=5)
        if median.good and median.value.numerator % 2 == 0:
            file.wrong(median.path, f"{median.value} has no middle", "1, 3 or 5", median)
        file.put("median_samples", median)
        self.pole("lowpass_q12", s.number("time_constant", "ms", default=4))
        s.finish()

        s = file.section("look_ahead")
        # lift ahead = speed times time: 1/16 mm for each mm/s, Q12
        for key in ("rising", "falling"):
            file.put(f"look_{key}_q12", s.number(key, "ms", default=0), Fraction(_LIFT * _Q12, 1000))
        self.pole("look_lowpass_q12", s.number("time_constant", "ms", default=20))
        if s.gives("from_lift", "mm"):
            file.put("look_from", s.number("from_lift", "mm"), _LIFT)
        else:
            v["look_from"] = -LIFT_LIMIT
        s.finish()
        v["look_speed_q12"] = nearest(Fraction(1000 * _Q12, _LIFT) / self.sample_ms)

    def pole(self, name: str, q: Quantity) -> None:
        """A one-pole filter's factor for a time constant: 1 - exp(-T/tau), T the sensor's period."""
        v = self.file.values
        v[name] = _Q12
        if not q.good or q.value == 0:
            return
        if q.value < 0:
            self.file.wrong(q.path, f"{q.written(q.value)} is below 0", "0 (off) or more", q)
            return
        factor = -math.expm1(-float(self.sample_ms / q.value)) * _Q12
        if factor < 0.5:
            most = self.sample_ms * 2 * _Q12
            self.file.wrong(q.path, f"{q.written(q.value)} is too large", f"at most {q.written(most)}", q)
            return
        v[name] = math.floor(factor + 0.5)

    def progress(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("progress", required=True)
        by = s.choice("by", ("speed", "time"))
        self.by_speed = by == "speed"
        v["progress_axis_kind"] = BY_SPEED if self.by_speed else BY_TIME
        source = "car"
        if self.by_speed:
            source = s.choice("speed_from", ("car", "front_wheel"))
            for key, name, default in (("rise", "progress_up_q12", 150), ("fall", "progress_down_q12", 50)):
                q = s.number(key, "km/h/s", default=default)
                file.put(name, q, _SPEED * _Q12 * self.built.tick_ms / 1000)
        else:
            # The time since launch never jumps, so there is nothing to limit.
            v.update(progress_up_q12=ELAPSED_LIMIT * _Q12, progress_down_q12=ELAPSED_LIMIT * _Q12)
        v["speed_source"] = CAR_SPEED if source == "car" else FRONT_WHEEL_SPEED
        file.put("speed_step", s.number("largest_step", "km/h", default=20), _SPEED)
        self.expected()
        self.air(needed=source == "front_wheel")
        s.finish()

    def expected(self) -> None:
        """Speed over the time since launch, for when no valid speed is there (P3)."""
        file, v = self.file, self.file.values
        s = file.section("progress.expected", required=self.by_speed)
        if not file.has("progress.expected"):
            v.update(run_points=1, run_ms=[0], run_speed=[0])
            return
        elapsed = s.numbers("elapsed", "ms", most=CURVE_POINTS)
        speed = s.numbers("speed", "km/h", most=CURVE_POINTS)
        v["run_points"] = self.over_time("run_ms", elapsed)
        file.put("run_speed", speed, _SPEED)
        self.same_length(speed, elapsed)
        s.finish()

    def air(self, *, needed: bool) -> None:
        """When the front wheels turn freely (P2)."""
        file, v = self.file, self.file.values
        s = file.section("progress.air", required=needed)
        if not file.has("progress.air"):
            v.update(air_lift=LIFT_LIMIT, air_hysteresis=0, spin_up_ticks=0, lookback_ticks=1)
            return
        file.put("air_lift", s.number("lift", "mm"), _LIFT)
        file.put("air_hysteresis", s.number("hysteresis", "mm", default=10), _LIFT)
        self.ticks("spin_up_ticks", s.number("spin_up", "ms", default=200))
        lookback = s.number("lookback", "ms", default=100)
        file.put("lookback_ticks", lookback, 1 / self.built.tick_ms / LOOKBACK_SLOTS)
        s.finish()
        if not needed:
            file.warn("[progress.air] is not used, because the speed is not from a front wheel")

    # -- maps

    def maps(self) -> None:
        file, v = self.file, self.file.values
        v.update(lift_axis=[0], progress_axis=[0], reduction_map=[], retard_map=[])
        maps, ceilings = file.section("maps"), file.section("ceilings")
        if file.has("maps") and file.has("ceilings"):
            file.wrong(("ceilings",), "says the same as [maps]", "one of the two sections")
        elif file.has("maps"):
            self.read_maps(maps)
        elif file.has("ceilings"):
            self.read_ceilings(ceilings)
        else:
            file.wrong(("ceilings",), "section is missing", "add [ceilings] or [maps]")
        axes = [v["lift_axis"], v["progress_axis"]]
        for name, axis in zip(("lift_points", "progress_points"), axes, strict=True):
            assert isinstance(axis, list)
            v[name] = len(axis)

    def progress_points(self, s: Section) -> tuple[Quantity, list[int]]:
        if self.by_speed:
            q = s.numbers("speed", "km/h", most=AXIS_POINTS)
        else:
            q = s.numbers("elapsed", "ms", most=AXIS_POINTS)
        scale = _SPEED if self.by_speed else 1
        points = self.file.put("progress_axis", q, scale)
        self.rises(q, points, scale)
        self.built.progress_sign, self.built.progress_size = q.sign, float(q.size)
        return q, points

    def read_maps(self, s: Section) -> None:
        file, v = self.file, self.file.values
        lift = s.numbers("lift", "mm", most=AXIS_POINTS)
        rows = file.put("lift_axis", lift, _LIFT)
        self.rises(lift, rows, _LIFT)
        self.built.lift_sign, self.built.lift_size = lift.sign, float(lift.size)
        progress, _ = self.progress_points(s)
        for name, base, unit, scale in (
            ("reduction_map", "reduction", "%", _SHARE),
            ("retard_map", "retard", "deg", _ANGLE),
        ):
            table = s.table(base, unit, lift, progress)
            v[name] = self.padded(name, table, scale)
        s.finish()

    def padded(self, name: str, table: Table, scale: int) -> list[int]:
        """Cells row by row, each row filled up to the controller's width."""
        cells: list[int] = []
        for row in table.rows:
            compiled = self.file.put(name, row, scale)
            table.good = table.good and row.good
            cells += compiled + [0] * (AXIS_POINTS - len(compiled))
        return cells

    def read_ceilings(self, s: Section) -> None:
        file = self.file
        progress, points = self.progress_points(s)
        lifts = [
            s.numbers(key, "mm", most=AXIS_POINTS)
            for key in ("retard_from", "reduction_from", "reduction_full")
        ]
        compiled = [file.put("lift_axis", q, _LIFT) for q in lifts]
        for q in lifts:
            self.same_length(q, progress)
        self.built.lift_sign, self.built.lift_size = lifts[2].sign, float(lifts[2].size)
        reduction = s.number("greatest_reduction", "%")
        retard = s.number("greatest_retard", "deg")
        (most,) = file.put("reduction_limit", reduction, _SHARE)
        (most_deg,) = file.put("retard_limit", retard, _ANGLE)
        limit = s.number("largest_difference", "%", default=8)
        if limit.good and limit.value <= 0:
            file.wrong(limit.path, f"{limit.written(limit.value)} is not above 0", "a few percent", limit)
        for q, start in zip(lifts[:2], compiled[:2], strict=True):
            if not (q.good and lifts[2].good and len(start) == len(compiled[2])):
                continue
            for i, (a, full) in enumerate(zip(start, compiled[2], strict=True)):
                if a >= full:
                    right = f"below reduction_full there, {q.written(Fraction(full, _LIFT))}"
                    file.wrong((*q.path, i), f"{q.written(q.values[i])} is too high", right)
                    q.good = False
        s.finish()
        if all(q.good for q in (progress, *lifts, reduction, retard, limit)):
            self.fit(points, compiled, most, most_deg, limit)

    def fit(
        self, points: list[int], lifts: list[list[int]], reduction: int, retard: int, limit: Quantity
    ) -> None:
        import numpy as np

        v = self.file.values
        given = ceil.Ceilings(np.array(points, float), *(np.array(row, float) for row in lifts))
        made = ceil.fit(given, reduction, retard, float(limit.value) / 100)
        if made.off * 100 > limit.value:
            reached = limit.written(math.ceil(made.off * 1000) / 10)
            what = f"{AXIS_POINTS} by {AXIS_POINTS} map points do not follow these ceilings so closely"
            right = f"at least {reached}, or ceilings that slant less"
            self.file.wrong(limit.path, what, right)
            return
        v["lift_axis"] = made.lift.tolist()
        v["progress_axis"] = made.progress.tolist()
        v["reduction_map"] = _flat(made.reduction)
        v["retard_map"] = _flat(made.retard)
        self.built.map_off = made
        scale = float(_SPEED if self.by_speed else 1)
        self.built.ceilings_mm = ceil.Ceilings(
            given.progress / scale,
            given.retard_from / _LIFT,
            given.reduction_from / _LIFT,
            given.full / _LIFT,
        )

    # -- latch, faults, curves

    def latch(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("latch", required=True)
        self.triggers(s, "", "%", _SHARE, (2, 1))
        hold = s.number("hold", "ms")
        (hold_ticks,) = self.ticks("hold_ticks", hold)
        start = s.choice("hold_from", ("peak", "landing"))
        v["hold_from"] = FROM_PEAK if start == "peak" else FROM_LANDING
        self.release(s, ("release_q16",), ("%/s",), required=True)

        r = file.section("latch.retard", required=True)
        v["retard_follows"] = int(r.flag("follows_map", False))
        self.triggers(r, "retard_", "deg", _ANGLE, (1, Fraction(1, 2)))
        self.release(r, ("retard_release_q16",), ("deg/s",), required=True)
        r.finish()
        s.finish()
        self.fault(hold, hold_ticks)

    def triggers(
        self, s: Section, prefix: str, unit: str, scale: int, defaults: tuple[int, Fraction | int]
    ) -> None:
        trigger = s.number("trigger", unit, default=defaults[0])
        (at,) = self.file.put(f"{prefix}trigger", trigger, scale)
        hysteresis = s.number("trigger_hysteresis", unit, default=min(Fraction(defaults[1]), trigger.value))
        (by,) = self.file.put(f"{prefix}trigger_hysteresis", hysteresis, scale)
        if trigger.good and hysteresis.good and by > at:
            what = f"{hysteresis.written(hysteresis.value)} is more than the trigger"
            self.file.wrong(hysteresis.path, what, f"at most {trigger.written(trigger.value)}")

    def release(self, s: Section, names: tuple[str, ...], units: tuple[str, ...], *, required: bool) -> None:
        """release = "step", or a rate for each unit; where nothing is required, one step."""
        keys = " and ".join(
            "release_percent_per_s" if unit == "%/s" else "release_deg_per_s" for unit in units
        )
        given = [s.gives("release", unit) for unit in units]
        rates = any(given)
        if rates:
            for name, unit in zip(names, units, strict=True):
                self.rate_above_zero(name, s.number("release", unit), _SHARE if unit == "%/s" else _ANGLE)
        else:
            for name in names:
                self.file.values[name] = 0
        if "release" in s.content or not rates:
            s.choice("release", ("step",), None if required else "step", f" or {keys}")
        if "release" in s.content and rates:
            self.file.wrong(s.path("release"), f"clash with {keys}", "one of the two")

    def rate_above_zero(self, name: str, q: Quantity, units: int) -> None:
        """A rate as Q16 a tick; one that would compile to 0 would never end."""
        (compiled,) = self.rate(name, q, units)
        if q.good and (compiled == 0 or q.value <= 0):
            slowest = Fraction(1000, units * _Q16) / self.built.tick_ms
            self.file.wrong(
                q.path, f"{q.written(q.value)} would never end", f"at least {q.written(slowest)}", q
            )

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
        self.rate("fault_release_q16", s.number("release", "%/s", default=50), _SHARE)
        self.rate("fault_retard_release_q16", s.number("release", "deg/s", default=20), _ANGLE)
        file.put("blind_reduction", s.number("blind_reduction", "%", default=20), _SHARE)
        self.rate("blind_growth_q16", s.number("blind_growth", "%/s", default=100), _SHARE)
        file.put("blind_until_ms", s.number("blind_until", "ms", default=3000))
        s.finish()

    def curve(self, who: str) -> None:
        """A curve request (R1)."""
        file, v = self.file, self.file.values
        s = file.section(f"{who}_curve")
        names = (f"{who}_release_q16", f"{who}_retard_release_q16")
        if who == "engine":
            v["engine_before_launch"] = 0
        if not file.has(f"{who}_curve"):
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
        file.put(f"{who}_reduction", reduction, _SHARE)
        self.same_length(reduction, over)
        v[f"{who}_retard"] = [0] * len(line)
        if s.gives("retard", "deg"):
            retard = s.numbers("retard", "deg", most=LINE_POINTS)
            file.put(f"{who}_retard", retard, _ANGLE)
            self.same_length(retard, over)
        else:
            s.number("retard", "deg", default=0)
        self.release(s, names, ("%/s", "deg/s"), required=False)
        s.finish()

    def limits(self) -> None:
        s = self.file.section("limits", required=True)
        self.file.put("reduction_limit", s.number("reduction", "%"), _SHARE)
        self.file.put("retard_limit", s.number("retard", "deg"), _ANGLE)
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
        self.file.put("safe_reduction", s.number("safe_reduction", "%", default=100), _SHARE)
        self.file.put("safe_retard", s.number("safe_retard", "deg", default=0), _ANGLE)
        s.finish()

    # -- checks

    def rises(self, q: Quantity, compiled: list[int], scale: int) -> None:
        """Report where a list does not rise in the controller's units."""
        if not q.good:
            return
        for i in range(1, len(compiled)):
            if compiled[i] <= compiled[i - 1]:
                now, before = q.written(q.values[i]), q.written(q.values[i - 1])
                what = f"{now} does not rise from {before} before it"
                right = f"values that rise, at least {q.written(Fraction(1, scale))} apart"
                self.file.wrong((*q.path, i), what, right, q)
                return

    def one_way(self, q: Quantity, compiled: list[int]) -> None:
        """Report where heights neither rise nor fall all along."""
        if not q.good:
            return
        steps = [b - a for a, b in itertools.pairwise(compiled)]
        for i, step in enumerate(steps):
            if step == 0 or (step > 0) != (steps[0] > 0):
                what = f"{q.written(q.values[i + 1])} after {q.written(q.values[i])} turns back"
                self.file.wrong((*q.path, i + 1), what, "heights that only rise or only fall", q)
                return
        if abs(compiled[-1] - compiled[0]) > LIFT_LIMIT:
            what = "spans more than the controller can tell"
            self.file.wrong(q.path, what, f"at most {q.written(Fraction(LIFT_LIMIT, _LIFT))}", q)

    def over_time(self, name: str, elapsed: Quantity) -> int:
        """Compile times since launch; how many."""
        compiled = self.file.put(name, elapsed)
        self.rises(elapsed, compiled, 1)
        return len(compiled)

    def same_length(self, q: Quantity, other: Quantity) -> None:
        if q.good and other.good and len(q.values) != len(other.values):
            what = f"has {len(q.values)} value{'' if len(q.values) == 1 else 's'}"
            self.file.wrong(q.path, what, f"{len(other.values)}, one for each of {other.path[-1]}", q)


def _one(q: Quantity, index: int) -> Quantity:
    return Quantity((*q.path, index), (q.values[index],), q.unit, q.size, q.sign, q.given, q.good)


def _flat(cells: npt.NDArray[np.int64]) -> list[int]:
    flat: list[int] = []
    for row in cells.tolist():
        flat += row + [0] * (AXIS_POINTS - len(row))
    return flat


def build(file: File) -> Built:
    """Read, check and compile a whole file; its mistakes, warnings and values are left in it."""
    return _Builder(file).build()
