"""The sections of a calibration file about the sensor: its curve, its failures, its filters."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

from bench.calibration.builder import LIFT, Q12, SPEED, Builder
from bench.calibration.quantity import Quantity, in_unit, nearest
from bench.calibration.reader import Section
from controller.constants import (
    LIFT_LIMIT,
    SENSOR_POINTS,
)


class SensorSections(Builder):
    """From counts to a filtered lift."""

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
        heights = file.put("sensor_height", height, LIFT)
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
        file.put("rest", rest, LIFT)
        gain = s.number("axle_gain", "", default=1)
        file.put("gain_q12", gain, Q12)
        period = s.number("period", "ms")
        (sample_ticks,) = self.ticks("sample_ticks", period)
        self.sample_ms = sample_ticks * self.built.tick_ms
        noise = s.number("noise", "mm", default=3)
        file.put("allowance", noise, LIFT)
        fastest = s.number("fastest", "mm/s", default=5000)
        file.put("allowance_rate", fastest, LIFT * self.built.tick_ms / 1000)
        self.samples("confirm_samples", s.number("confirm", "ms", default=20))
        self.samples("heal_samples", s.number("heal", "ms", default=50))
        agree = s.whole("agree_samples", default=3, least=2, greatest=16)
        file.put("agree_samples", agree)
        back = s.number("return", "ms", default=max(Fraction(500), 16 * self.sample_ms))
        self.samples("return_samples", back)

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

        ends = np.interp([low, high], counts, heights) / LIFT
        return float(ends.min()), float(ends.max())

    def near_end(self, s: Section, known: bool, noise: Quantity, fastest: Quantity, agree: Quantity) -> None:
        """The part of the range next to its end, wide enough that the agreeing samples fall into it (H5)."""
        file = self.file
        heights = file.values["sensor_height"]
        assert isinstance(heights, list)
        far, near = max(heights), min(heights)
        hidden = Fraction(far, LIFT) - Fraction(self.ends_mm[1])
        in_one_sample = self.sample_ms * fastest.value / 1000
        crossed = agree.value * in_one_sample
        # One sample more, as one may be lost on the way.
        wide = hidden + crossed + in_one_sample + noise.value
        default = Fraction(math.ceil(wide)) if known else Fraction(25)
        q = s.number("near_end", "mm", default=default)
        file.put("near_end", q, LIFT)
        if not (known and q.good):
            return
        least = q.written(math.ceil(hidden + crossed))
        if q.value < hidden + crossed:
            what = (
                f"{q.written(q.value)} is too small: a nose at its fastest crosses it in fewer than "
                f"{agree.value} samples"
            )
            file.wrong(q.path, what, f"at least {least}", q)
        elif q.value * LIFT >= far - near:
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
        return q.good and 2 * q.value * LIFT >= step

    def stuck(self, *, noisy: bool) -> None:
        file, v = self.file, self.file.values
        s = file.section("sensor.stuck")
        if not file.has("sensor.stuck") and not noisy:
            v.update(stuck_band=0, stuck_samples=0, stuck_speed=0)
            s.say("time_ms", "off")
            return
        # The very same reading for so long is no reading; a quiet sensor may well stay within a millimetre.
        file.put("stuck_band", s.number("band", "mm", default=0), LIFT)
        self.samples("stuck_samples", s.number("time", "ms", default=max(Fraction(100), 16 * self.sample_ms)))
        file.put("stuck_speed", s.number("above_speed", "km/h", default=10), SPEED)
        s.finish()

    def learn(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("sensor.learn")
        if not file.has("sensor.learn"):
            v.update(learn_window=0, learn_spread=0, learn_tolerance=0)
            s.say("window_ms", "off")
            return
        self.samples("learn_window", s.number("window", "ms"))
        file.put("learn_spread", s.number("spread", "mm"), LIFT)
        file.put("learn_tolerance", s.number("tolerance", "mm"), LIFT)
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
            file.put(f"look_{key}_q12", s.number(key, "ms", default=0), Fraction(LIFT * Q12, 1000))
        self.pole("look_lowpass_q12", s.number("time_constant", "ms", default=20))
        if s.gives("from_lift", "mm"):
            file.put("look_from", s.number("from_lift", "mm"), LIFT)
        else:
            v["look_from"] = -LIFT_LIMIT
        s.finish()
        v["look_speed_q12"] = nearest(Fraction(1000 * Q12, LIFT) / self.sample_ms)

    def pole(self, name: str, q: Quantity) -> None:
        """A one-pole filter's factor for a time constant: 1 - exp(-T/tau), T the sensor's period."""
        v = self.file.values
        v[name] = Q12
        if not q.good or q.value == 0:
            return
        if q.value < 0:
            self.file.wrong(q.path, f"{q.written(q.value)} is below 0", "0 (off) or more", q)
            return
        factor = -math.expm1(-float(self.sample_ms / q.value)) * Q12
        if factor < 0.5:
            most = self.sample_ms * 2 * Q12
            self.file.wrong(q.path, f"{q.written(q.value)} is too large", f"at most {q.written(most)}", q)
            return
        v[name] = math.floor(factor + 0.5)


def _one(q: Quantity, index: int) -> Quantity:
    return Quantity((*q.path, index), (q.values[index],), q.unit, q.size, q.sign, q.given, q.good)
