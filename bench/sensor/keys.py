"""What follows from the measurements for the keys of a calibration, each with its reason."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.calibration.quantity import Shown, named, plain
from bench.sensor import measured
from bench.sensor.measured import Noise
from bench.sensor.study import Study

SPREADS = 4
"""noise_mm is so many standard deviations: two neighbouring readings then differ by more once in 200 times
(normal distribution, 4 / sqrt(2) = 2.83 of the difference's)."""

_LEFT_MM = 3.0  # so much noise (four spreads) the lift may keep; common practice, no source
_LOOK_NOISE_MM = 3.0  # from here on the look-ahead needs the longer time constant
_LOOK_MS = 30.0
NO_NOSE_MM_PER_S = 10_000.0
"""What moves faster than this is no nose but a wrong reading; common practice, no source."""

NO_NOISE_MM = 10.0
"""A height that spreads by more (one standard deviation) does not stand, or is not measured; common practice,
no source."""

_REST_MM = 1.0  # a car does not stand twice more alike
_SLOWEST_MS = 50.0  # a longer time constant comes too late; common practice, no source
_MARGIN = 2.0  # of the fastest movement seen: the fastest run is not the one recorded
_STUCK_MS, _STUCK_SAMPLES, _STUCK_REPEATS = 100.0, 16, 3.0
_ENDS = ("curve", "curve_height", "window", "noise", "period", "agree_samples", "fastest")
_MEASURED = ("curve", "curve_height", "window", "rest_height", "measured_noise", "period")


@dataclass(frozen=True)
class Key:
    """One key: dotted, as the file has or would have it; what stands there and what is proposed, both as
    written (`in_file` "" where the file has none); `value` for the file; why. `base` is its name without its
    unit, `canonical` the (first) number in mm, ms, mm/s or counts."""

    key: str
    in_file: str
    proposed: str
    value: Any
    reason: str
    base: str
    canonical: float

    @property
    def comment(self) -> str:
        """What stands behind it in the file, in the words of a start: measured or computed, and from what."""
        origin = "measured" if self.base in _MEASURED else "computed"
        return f"{origin}: {re.split('[;:]', self.reason)[0]}"

    @property
    def changes(self) -> bool:
        """Whether the file says something else."""
        return self.in_file != self.proposed


class _Present:
    """What the calibration says now."""

    def __init__(self, study: Study) -> None:
        self._shown = {(one.section, one.base): one for one in study.calibration.shown}

    def entry(self, section: str, base: str) -> Shown | None:
        return self._shown.get((section, base))

    def number(self, section: str, base: str, default: float) -> float:
        """A value in its canonical unit (mm, ms, mm/s, counts)."""
        entry = self.entry(section, base)
        return default if entry is None or entry.quantity is None else float(entry.quantity.value)

    def key(self, section: str, base: str, unit: str, values: list[float], reason: str) -> Key:
        """A proposal of values in a canonical unit, written in the unit that the file uses."""
        entry = self.entry(section, base)
        quantity = entry.quantity if entry else None
        name = entry.key if entry and quantity and quantity.unit == unit else named(base, unit)
        size = float(quantity.size) if quantity and quantity.unit == unit else 1.0
        written = [float(plain(value / size)) for value in values]
        whole = [int(one) if one.is_integer() else one for one in written]
        in_file = ""
        if entry and entry.given and quantity and entry.key == name:
            in_file = _text([float(plain(value / quantity.size)) for value in quantity.values])
        value = whole if len(whole) > 1 else whole[0]
        return Key(f"{section}.{name}", in_file, _text(written), value, reason, base, values[0])


def _text(values: list[float]) -> str:
    numbers = [f"{value:.6g}" for value in values]
    return numbers[0] if len(numbers) == 1 else f"[{', '.join(numbers)}]"


def keys(study: Study) -> list[Key]:
    """All keys that these recordings say something about, in the order of a file."""
    present = _Present(study)
    made = [*_curve(study, present), *_window(study, present), *_rest(study, present)]
    noise = study.noise if study.noise and study.noise.sigma_mm <= NO_NOISE_MM else None
    if noise is not None:
        made += _noise(noise, present)
    made += [*_period(study, present), *_fastest(study, present)]
    made += _near_end(study, present, [*made])
    if noise is not None:
        made += [*_filters(study, noise, present), *_stuck(study, noise, present)]
    return made


def _curve(study: Study, present: _Present) -> Iterator[Key]:
    curve = study.curve
    if curve is None:
        return
    readings = [float(round(x)) for x in curve.readings]
    left = max(abs(float(one)) for one in curve.left)
    bent = max(abs(float(one)) for one in curve.straight_left)
    if len(readings) == 2:
        why = f"a straight line leaves {left:.1f} mm at most"
    else:
        why = f"a straight line would leave {bent:.1f} mm, {len(readings)} points leave {left:.1f} mm"
    if not curve.shown:
        why += "; with no more heights than points nothing is left to judge it by"
    entry = present.entry("sensor", "curve")
    if entry is not None and entry.quantity is not None and entry.quantity.path[-1] == "curve_v":
        per_volt = float(study.calibration.volts_to_counts(1.0))
        volts = [round(x / per_volt, 4) for x in curve.readings.tolist()]
        yield present.key("sensor", "curve", "V", volts, why)
    else:
        yield present.key("sensor", "curve", "count", readings, why)
    why = "the heights of these points; beyond the ends it reads the end, so measure as far as it is to see"
    yield present.key("sensor", "curve_height", "mm", [round(float(mm), 1) for mm in curve.heights], why)


def _window(study: Study, present: _Present) -> Iterator[Key]:
    """An end of the window moves halfway between what it reads of nothing and the readings of all heights."""
    low = float(study.calibration.number("window_low"))
    high = float(study.calibration.number("window_high"))
    least, most = study.readings
    reasons = []
    for nothing in study.nothings:
        if not low <= nothing <= high or least <= nothing <= most:
            continue
        edge = most if nothing > most else least
        middle = float(round((edge + nothing) / 2))
        low, high = (low, middle) if nothing > most else (middle, high)
        reasons.append(
            f"it reads {nothing:.0f} counts when it sees nothing, {edge:.0f} at the last height seen"
        )
    if not reasons:
        return
    why = "; ".join(reasons)
    entry = present.entry("sensor", "window")
    if entry is not None and entry.quantity is not None and entry.quantity.path[-1] == "window_v":
        per_volt = float(study.calibration.volts_to_counts(1.0))
        volts = [round(low / per_volt, 3), round(high / per_volt, 3)]
        yield present.key("sensor", "window", "V", volts, why)
    else:
        yield present.key("sensor", "window", "count", [low, high], why)


def _rest(study: Study, present: _Present) -> Iterator[Key]:
    if study.rest is not None:
        stood, there = study.rest[0], present.number("sensor", "rest_height", 0)
        value = there if abs(stood - there) < _REST_MM else float(round(stood))
        yield present.key("sensor", "rest_height", "mm", [value], f"the car stood at {stood:.1f} mm")


def _noise(noise: Noise, present: _Present) -> Iterator[Key]:
    wide = SPREADS * noise.sigma_mm
    need = max(math.ceil(2 * max(wide, noise.step_mm)) / 2, 0.5)
    there = present.number("sensor", "noise", 3)
    why = f"{SPREADS} times the spread of {noise.sigma_mm:.2f} mm of a standing height is {wide:.1f} mm"
    # Only ever more: with the engine running it shakes more than here.
    more = "; two neighbouring readings may differ by so much" if need > there else "; that is within it"
    yield present.key("sensor", "noise", "mm", [max(need, there)], why + more)
    why = "the spread itself (one standard deviation): tells whether a healthy reading can stand still"
    yield present.key("sensor", "measured_noise", "mm", [float(f"{noise.sigma_mm:.2g}")], why)


def _period(study: Study, present: _Present) -> Iterator[Key]:
    if study.period_s is None:
        return
    tick = study.calibration.tick_us / 1000
    period = max(1, round(study.period_s * 1000 / tick)) * tick
    why = f"the readings change each {study.period_s * 1000:.2f} ms"
    yield present.key("sensor", "period", "ms", [period], why)
    confirm = max(20.0, 2 * period)
    yield present.key(
        "sensor", "confirm", "ms", [confirm], "two readings, 20 ms at least, without a usable one: a fault"
    )
    yield present.key(
        "sensor", "heal", "ms", [max(50.0, 4 * period)], "four readings, 50 ms at least: healthy again"
    )
    why = "3, or 2 of a sensor slower than 2 ms"
    yield present.key("sensor", "agree_samples", "", [3.0 if period <= 2 else 2.0], why)


def _fastest(study: Study, present: _Present) -> Iterator[Key]:
    """Only ever more: a hand, or one run, shows no limit of what a nose can do."""
    seen = study.fastest_mm_per_s
    if seen <= NO_NOSE_MM_PER_S and _MARGIN * seen > present.number("sensor", "fastest", 5000):
        value = math.ceil(_MARGIN * seen / 1000) * 1000.0
        why = f"it moved by {seen / 1000:.2f} mm/ms here; twice that, as the fastest run is not recorded yet"
        yield present.key("sensor", "fastest", "mm/s", [value], why)


def _near_end(study: Study, present: _Present, made: list[Key]) -> Iterator[Key]:
    """What the fastest nose crosses in the agreeing samples and one more, and the noise: as compiled."""
    entry = present.entry("sensor", "near_end")
    if entry is None or not entry.given or not any(key.changes and key.base in _ENDS for key in made):
        return
    said = {key.base: key.canonical for key in made}

    def at(base: str, default: float) -> float:
        return said.get(base, present.number("sensor", base, default))

    noise, period, agree = at("noise", 3), at("period", 1), at("agree_samples", 3)
    fastest = at("fastest", 5000)
    far, seen = _ends(study)
    need = math.ceil(far - seen + (agree + 1) * period * fastest / 1000 + noise)
    if need > present.number("sensor", "near_end", 25):
        why = "the fastest nose crosses so much in the agreeing samples and one more, with the noise"
        yield present.key("sensor", "near_end", "mm", [float(need)], why)


def _ends(study: Study) -> tuple[float, float]:
    """(greatest height of the curve, greatest that the window lets through), mm, by the new curve if any."""
    calibration = study.calibration
    window = np.array([calibration.number(name) for name in ("window_low", "window_high")], np.float64)
    if study.curve is None:
        return max(calibration.row("sensor_height")) / 16, float(calibration.counts_to_height(window).max())
    curve = study.curve
    return float(curve.heights.max()), float(np.interp(window, curve.readings, curve.heights).max())


def _filters(study: Study, noise: Noise, present: _Present) -> Iterator[Key]:
    samples = _burst_samples(study, noise)
    if not noise.bursts:
        why = "no spike was seen; a single one is dropped all the same"
    else:
        why = f"spikes, {100 * noise.spikes:.2g} % of the readings, come {samples:.1f} at a time on average"
    median = 3.0 if samples <= 1.5 else 5.0
    yield present.key("filter", "median_samples", "", [median], why)
    period = study.period_s * 1000 if study.period_s else present.number("sensor", "period", 1)
    constant = present.number("filter", "time_constant", 4)
    left = SPREADS * noise.sigma_mm * filtered(period, constant)
    if left > _LEFT_MM:
        wanted = math.ceil(time_constant(period, _LEFT_MM / (SPREADS * noise.sigma_mm)))
        why = f"leaves {_LEFT_MM:g} mm of the noise (four spreads) for {left:.1f}; the lift lags by so much"
        if wanted > _SLOWEST_MS:
            why = f"leaves {left:.1f} mm of the noise (four spreads); no filter helps that is quick enough"
        else:
            constant = float(wanted)
    else:
        why = f"leaves {left:.1f} mm of the noise (four spreads)"
    yield present.key("filter", "time_constant", "ms", [constant], why)
    looks = max(present.number("look_ahead", name, 0) for name in ("rising", "falling"))
    if looks and SPREADS * noise.sigma_mm > _LOOK_NOISE_MM:
        slow = max(_LOOK_MS, present.number("look_ahead", "time_constant", 20))
        why = (
            f"from {_LOOK_NOISE_MM:g} mm of noise on the look-ahead makes the command busy with a shorter one"
        )
        yield present.key("look_ahead", "time_constant", "ms", [slow], why)


def _burst_samples(study: Study, noise: Noise) -> float:
    """The mean length of a run of spikes in samples of the sensor: a logger that is faster repeats them."""
    row_s = min(one.row_s for one in study.recordings)
    return noise.mean_burst * row_s / study.period_s if study.period_s else noise.mean_burst


def filtered(period_ms: float, constant_ms: float) -> float:
    """What a one-pole filter y += a (x - y), a = 1 - exp(-T/tau), leaves of the standard deviation of white
    noise: sqrt(a / (2 - a)) (from its impulse response, a (1 - a)^n)."""
    a = -math.expm1(-period_ms / constant_ms) if constant_ms else 1.0
    return math.sqrt(a / (2 - a))


def time_constant(period_ms: float, share: float) -> float:
    """The time constant (ms) that leaves this share (0 to 1): `filtered` turned round."""
    a = 2 * share**2 / (1 + share**2)
    return -period_ms / math.log1p(-a)


def _stuck(study: Study, noise: Noise, present: _Present) -> Iterator[Key]:
    """The very same reading for so long is no reading, where the sensor's noise moves a healthy one."""
    if not noise.step_mm or 2 * noise.sigma_mm < noise.step_mm:
        return
    period = study.period_s * 1000 if study.period_s else present.number("sensor", "period", 1)
    longest = max(map(measured.longest_repeat_s, study.recordings)) * 1000
    least = max(_STUCK_MS, _STUCK_SAMPLES * period)
    wanted = math.ceil(max(least, _STUCK_REPEATS * longest) / 10) * 10.0
    why = f"a good reading stayed the same for {longest:.0f} ms at most; three times that, but 16 readings"
    if wanted <= least and present.entry("sensor.stuck", "time") is None:
        return  # what measured_noise_mm alone brings
    yield present.key("sensor.stuck", "time", "ms", [wanted], why)
