"""From a trace to what the controller reads in each tick."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.errors import UserError
from bench.replay.run import INPUT_TYPES, Ints
from bench.trace import launching, passes
from bench.trace.grid import on_grid
from bench.trace.model import GAP_STEPS
from bench.trace.roles import HELD_ROLES
from bench.trace.text import percent, plural
from controller.constants import FRONT_WHEEL_SPEED

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.model import Trace

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MAX_GAP_S = 0.1
_LONGEST_GAP_S = 3600.0  # more is another recording, or a clock that was set meanwhile
_LATE = 1.5
_ABOUT = 1.1
_UINT16 = 65535
_CHUNK = 1 << 18


@dataclass(frozen=True)
class Options:
    """What a person said about the replay. `launch_at_s` is in the trace's own time."""

    max_gap_s: float = MAX_GAP_S
    speed_kmh: float | None = None
    launch_at_s: float | None = None


@dataclass(frozen=True)
class Inputs:
    """The controller's inputs: an array[n] for each name of INPUT_TYPES.

    `start_s` is the trace's time at tick 0, `lead` the number of ticks put before the trace, `lost` (bool[n])
    tells where the trace has no height, `has_engine` whether it has an engine speed.
    """

    tick_us: int
    start_s: float
    lead: int
    arrays: dict[str, Ints]
    lost: Bools
    has_engine: bool
    notes: list[str]

    @property
    def n(self) -> int:
        """Number of ticks."""
        return len(self.lost)

    def time_s(self, tick: int) -> float:
        """The trace's time at a tick."""
        return self.start_s + tick * self.tick_us / 1e6


def from_trace(trace: Trace, calibration: CalibrationFile, options: Options | None = None) -> Inputs:
    """The inputs of a whole trace for a calibration. What was assumed is in `notes`.

    Raises UserError for options that do not fit the trace, for a trace too coarse for the gap limit and for
    one whose time jumps by more than an hour.
    """
    options = options or Options()
    notes: list[str] = []
    max_gap_s = _gap_limit(trace, options.max_gap_s)
    _check_gaps(trace, calibration, max_gap_s, notes)
    lay = _Layer(trace, calibration.tick_us, max_gap_s)
    arrays, lost, has_engine, known_speed = _signals(lay, calibration, options, notes)

    seen = launching.Signals(
        tick_us=calibration.tick_us,
        disarm_ticks=calibration.number("disarm_ticks"),
        n=lay.n,
        lift=partial(_lift_seen, arrays["counts"], calibration),
        speed=known_speed,
        armed=lay.switch("armed"),
        launch=lay.switch("launch"),
        launch_at=_launch_tick(trace, options, calibration.tick_us, lay.n),
    )
    switches = launching.find(seen)
    notes += switches.notes
    doubts = passes.doubts(seen, switches, "mm", _no_gaps(seen.lift(), lost))
    rpm = arrays["engine"] if has_engine else None
    notes += passes.take_pass(trace, seen, switches, rpm, seen.lift(), "mm")
    notes[:0] = [f"check this first: {doubt}" for doubt in doubts]
    arrays["armed"], arrays["launch"] = switches.armed, switches.launch

    lead = _lead_ticks(switches.first_launch(), calibration)
    if lead:
        arrays = {name: _with_lead(name, column, lead) for name, column in arrays.items()}
        lost = np.concatenate((np.full(lead, lost[0]), lost))
        notes.append(
            f"start: the run begins too soon for the sensor check of power-up, so {lead} ticks"
            f" ({lead * calibration.tick_us / 1e6:g} s) like the first row are put before the trace"
        )
    start = float(trace.time_s[0]) - lead * calibration.tick_us / 1e6
    return Inputs(calibration.tick_us, start, lead, arrays, lost, has_engine, notes)


def _no_gaps(lift: npt.NDArray[np.float32], lost: Bools) -> npt.NDArray[np.float32]:
    """The lift where the trace has a height."""
    return lift[~lost]


class _Layer:
    """Lays one channel after the other on the tick, so that only one is held as floats at a time."""

    def __init__(self, trace: Trace, tick_us: int, max_gap_s: float) -> None:
        self._trace = trace
        self._tick_us = tick_us
        self._max_gap_s = max_gap_s
        self.n = on_grid(replace(trace, channels={}), tick_us, max_gap_s).n

    def has(self, role: str) -> bool:
        return role in self._trace.channels

    def unit(self, role: str) -> str:
        return self._trace.channels[role].unit

    def source(self, role: str) -> str:
        """What a speed is, as far as the layout or its name say."""
        return self._trace.channels[role].source

    def floats(self, role: str) -> tuple[Floats, Bools]:
        channel = self._trace.channels[role]
        limit = self._max_gap_s
        if role != "height":
            # A slow signal is no lost one: the limit is the height's.
            steps = np.diff(self._trace.time_s[channel.valid])
            limit = max(limit, GAP_STEPS * float(np.median(steps)) if len(steps) else 0.0)
        grid = on_grid(replace(self._trace, channels={role: channel}), self._tick_us, limit)
        return grid.values[role], grid.valid[role]

    def whole(self, role: str, scale: float, notes: list[str]) -> Ints:
        """Whole units of 1/scale, uint16[n]; 0 where not known or not recorded."""
        if not self.has(role):
            return np.zeros(self.n, np.uint16)
        values, valid = self.floats(role)
        return _whole(role, values, valid, scale, notes)

    def switch(self, role: str) -> Ints | None:
        if not self.has(role):
            return None
        values, valid = self.floats(role)
        return (valid & (values > 0.5)).astype(np.uint8)


def _signals(
    lay: _Layer, calibration: CalibrationFile, options: Options, notes: list[str]
) -> tuple[dict[str, Ints], Bools, bool, npt.NDArray[np.float32] | None]:
    """All inputs but the switches; where the height is lost; whether there is an engine speed; the recorded
    speed in km/h with NaN where it is not known."""
    counts, lost = _counts(lay, calibration, notes)
    arrays: dict[str, Ints] = {"counts": counts}
    known: npt.NDArray[np.float32] | None = None
    if options.speed_kmh is not None:
        if not 0 <= options.speed_kmh <= 2000:
            raise UserError(
                f"--speed {options.speed_kmh:g} is no speed of a car", right="give km/h, 0 to 2000"
            )
        arrays["speed"] = np.full(lay.n, round(options.speed_kmh * 10), np.uint16)
        arrays["speed_valid"] = np.ones(lay.n, np.uint8)
        notes.append(f"speed: {options.speed_kmh:g} km/h all the time (--speed)")
    elif lay.has("speed"):
        notes += _speed_of(lay.source("speed"), calibration)
        values, valid = lay.floats("speed")
        known = values.astype(np.float32)
        arrays["speed_valid"] = valid.astype(np.uint8)
        arrays["speed"] = _whole("speed", values, valid, 10.0, notes)
    else:
        arrays["speed"] = np.zeros(lay.n, np.uint16)
        arrays["speed_valid"] = np.zeros(lay.n, np.uint8)
        stands_in = ", so the calibrated curve of speed over the time since launch stands in"
        notes.append("speed: none" + (stands_in if calibration.progress_unit == "km/h" else ""))
        if calibration.progress_unit == "km/h" and calibration.number("learn_window"):
            notes.append("rest height: not learned without a speed, the calibrated one is used")
    for role, name in (("engine_speed", "engine"), ("shaft_speed", "shaft")):
        arrays[name] = lay.whole(role, 1.0, notes)
        if not lay.has(role):
            what = "no cylinder events" if name == "engine" else "no request of its curve"
            notes.append(f"{role.replace('_', ' ')}: none, so {what}")
    arrays["request_reduction"] = lay.whole("request_reduction", 10.0, notes)
    arrays["request_retard"] = lay.whole("request_retard", 10.0, notes)
    arrays["request_reason"] = lay.whole("request_reason", 1.0, notes)
    return arrays, lost, lay.has("engine_speed"), known


def _speed_of(source: str, calibration: CalibrationFile) -> list[str]:
    """What a speed that is not the car's own means for the progress."""
    if source == "front wheel" and calibration.number("speed_source") != FRONT_WHEEL_SPEED:
        return [
            "speed: a front wheel's, and the calibration takes it for the car's (progress.speed_from): in the"
            " air it says nothing"
        ]
    if source in ("drive shaft", "wheel"):
        return [f"speed: of the {source}, so it runs ahead of the car's where the tyres slip"]
    return []


def _gap_limit(trace: Trace, limit: float) -> float:
    """The longest step of the height that is no gap: `limit`, or for a logger about as slow as that a step
    that came a little late."""
    steps = np.diff(trace.time_s[trace.channels["height"].valid])
    usual = float(np.median(steps)) if len(steps) else 0.0
    return max(limit, _LATE * usual) if usual <= _ABOUT * limit else limit


def _check_gaps(trace: Trace, calibration: CalibrationFile, limit: float, notes: list[str]) -> None:
    """Refuse a time that jumps and a height that is one long gap; say what is not known of the height."""
    if not limit > 0:
        raise UserError(f"--max-gap {limit:g} is no length of time", right="give seconds above 0")
    jumps = np.diff(trace.time_s)
    if len(jumps) and jumps.max() > _LONGEST_GAP_S:
        what = f"the time jumps by {jumps.max():.6g} s after {trace.time_s[int(jumps.argmax())]:.6g} s"
        raise UserError(what, trace.path, "cut the file there, or choose another time column")
    steps = np.diff(trace.time_s[trace.channels["height"].valid])
    if len(steps) == 0:
        return
    usual = float(np.median(steps))
    fits = steps <= limit + 1e-9
    if usual > limit + 1e-9:
        what = f"the height has a sample each {usual:.3g} s, further apart than the longest gap, {limit:g} s"
        raise UserError(what, trace.path, f"give --max-gap {usual * 1.5:.2g}, or a finer trace")
    period = calibration.number("sample_ticks") * calibration.tick_us / 1e6
    if usual > 1.5 * period:
        notes.append(
            f"height: a sample each {1000 * usual:.3g} ms, the calibrated sensor has one each"
            f" {1000 * period:.3g} ms; straight lines between"
        )
    bridged = steps[(steps > GAP_STEPS * usual) & fits]
    if len(bridged):
        gaps = plural(len(bridged), "stretch").replace("stretchs", "stretches")
        notes.append(
            f"height: {gaps} without samples, up to {bridged.max():.3f} s, bridged by straight lines"
        )
    if not fits.all():
        notes.append(
            f"height: {plural(int(np.count_nonzero(~fits)), 'gap')} longer than {limit:g} s,"
            f" {float(steps[~fits].sum()):.3f} s in all, given to the controller as a lost sensor"
        )


def _counts(lay: _Layer, calibration: CalibrationFile, notes: list[str]) -> tuple[Ints, Bools]:
    """The sensor's counts, uint16[n], and where the trace has no height."""
    values, valid = lay.floats("height")
    unit = lay.unit("height")
    adc_max = calibration.number("adc_max")
    to_counts: Callable[[Floats], Floats] = np.array
    low, high = 0.0, float(adc_max)
    if unit == "mm":
        to_counts = calibration.height_to_counts
        low, high = (end(calibration.row("sensor_height")) / 16 for end in (min, max))
        notes.append(
            "height: turned back into counts through the calibrated sensor, rounded as its ADC would"
        )
    elif unit == "V":
        to_counts = calibration.volts_to_counts
        high = adc_max / float(calibration.volts_to_counts(1.0))
        notes.append("height: volts turned into counts, rounded as the calibrated ADC would")
    half_a_count = (high - low) / adc_max / 2
    counts = np.empty(lay.n, dtype=INPUT_TYPES["counts"])
    beyond = 0
    for start in range(0, lay.n, _CHUNK):
        part = slice(start, start + _CHUNK)
        seen = values[part]
        beyond += int(np.count_nonzero((seen < low - half_a_count) | (seen > high + half_a_count)))
        read = to_counts(seen)
        read[~valid[part]] = 0.0
        counts[part] = _rounded(read, adc_max)
    if beyond:
        share = percent(beyond / int(np.count_nonzero(valid)))
        notes.append(
            f"height: beyond the calibrated range, {low:g} to {high:g} {unit}, in {share} of the ticks,"
            f" where it reads its end; the trace goes from {np.nanmin(values):.6g} to"
            f" {np.nanmax(values):.6g} {unit}"
        )
    lost = ~valid
    if lost.any():
        counts[lost] = _open_counts(calibration, notes)
    return counts, lost


def _open_counts(calibration: CalibrationFile, notes: list[str]) -> int:
    """Counts that a good sensor never gives."""
    if calibration.number("window_low") > 0:
        return 0
    adc_max = calibration.number("adc_max")
    if calibration.number("window_high") >= adc_max:
        notes.append(
            "height: the calibration's electrical window spans the whole ADC, so that the controller cannot"
            " see a gap as a fault; it reads the greatest counts there"
        )
    return adc_max


def _lift_seen(counts: Ints, calibration: CalibrationFile) -> npt.NDArray[np.float32]:
    """The lift above the calibrated rest height at each tick, mm; NaN outside the electrical window."""
    lift = np.empty(len(counts), dtype=np.float32)
    for start in range(0, len(counts), _CHUNK):
        part = slice(start, start + _CHUNK)
        lift[part] = calibration.lift_of_height_mm(calibration.counts_to_height(counts[part]))
    lift[(counts < calibration.number("window_low")) | (counts > calibration.number("window_high"))] = np.nan
    return lift


def _launch_tick(trace: Trace, options: Options, tick_us: int, n: int) -> int | None:
    if options.launch_at_s is None:
        return None
    start = float(trace.time_s[0])
    ticks = (options.launch_at_s - start) * 1e6 / tick_us
    if not -0.5 <= ticks < n - 0.5:
        what = f"--launch-at {options.launch_at_s:g} is outside the trace"
        raise UserError(what, trace.path, f"give a time from {start:g} to {float(trace.time_s[-1]):g} s")
    return round(ticks)


def _lead_ticks(launch: int | None, calibration: CalibrationFile) -> int:
    """How many ticks to put before the trace, so that a sensor that works is accepted before the launch."""
    if launch is None:
        return 0
    return max(0, calibration.number("heal_samples") * calibration.number("sample_ticks") - launch)


def _with_lead(name: str, column: Ints, lead: int) -> Ints:
    first = 0 if name == "launch" else column[0]
    return np.concatenate((np.full(lead, first, column.dtype), column))


def _whole(role: str, values: Floats, valid: Bools, scale: float, notes: list[str]) -> Ints:
    """Whole units of 1/scale, uint16[n]; 0 where not valid. Changes `values`."""
    name = role.replace("_", " ")
    unknown = len(values) - int(np.count_nonzero(valid))
    if unknown and role not in HELD_ROLES:
        notes.append(f"{name}: not known in {percent(unknown / len(values))} of the ticks")
    values *= scale
    values[~valid] = 0.0
    outside = int(np.count_nonzero(values < -0.5) + np.count_nonzero(values >= _UINT16 + 0.5))
    if outside:
        notes.append(f"{name}: cut to 0..{_UINT16 / scale:g} in {plural(outside, 'tick')}")
    return _rounded(values, _UINT16)


def _rounded(values: Floats, greatest: int) -> Ints:
    """Whole numbers, half away from zero, cut to 0..greatest: uint16[n]. Changes `values`."""
    values += 0.5
    np.floor(values, out=values)
    np.clip(values, 0, greatest, out=values)
    return values.astype(INPUT_TYPES["counts"])
