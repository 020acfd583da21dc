"""From a trace to what the controller reads in each tick."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.errors import UserError
from bench.replay.run import INPUT_TYPES, Ints
from bench.trace import launching, packed, passes
from bench.trace.grid import pieces, ticks_of
from bench.trace.model import GAP_STEPS
from bench.trace.packed import Packed, Plain, each_packed, is_packed, parts_of
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


def from_trace(
    trace: Trace, calibration: CalibrationFile, options: Options | None = None, *, compact: bool = False
) -> Inputs:
    """The inputs of a whole trace for a calibration. What was assumed is in `notes`. With `compact` the
    columns of a very long trace are Packed.

    Raises UserError for options that do not fit the trace, for a trace too coarse for the gap limit and for
    one whose time jumps by more than an hour.
    """
    options = options or Options()
    notes: list[str] = []
    max_gap_s = _gap_limit(trace, options.max_gap_s)
    _check_gaps(trace, calibration, max_gap_s, notes)
    lay = _Layer(trace, calibration.tick_us, max_gap_s, compact)
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
    lift = seen.lift()
    doubts = passes.doubts(seen, switches, "mm", each_packed(_no_gaps, lift, lost))
    rpm = arrays["engine"] if has_engine else None
    notes += passes.take_pass(trace, seen, switches, rpm, lift, "mm")
    notes[:0] = [f"check this first: {doubt}" for doubt in doubts]
    arrays["armed"], arrays["launch"] = lay.kept(switches.armed), lay.kept(switches.launch)

    lead = _lead_ticks(switches.first_launch(), calibration)
    if lead:
        arrays = {name: _with_lead(name, column, lead) for name, column in arrays.items()}
        lost = _with_lead("lost", lost, lead)
        notes.append(
            f"start: the run begins too soon for the sensor check of power-up, so {lead} ticks"
            f" ({lead * calibration.tick_us / 1e6:g} s) like the first row are put before the trace"
        )
    start = float(trace.time_s[0]) - lead * calibration.tick_us / 1e6
    return Inputs(calibration.tick_us, start, lead, arrays, lost, has_engine, notes)


def _no_gaps(lift: npt.NDArray[np.float32], lost: Bools) -> npt.NDArray[np.float32]:
    """The lift, NaN where the trace has no height."""
    return np.where(lost, np.float32(np.nan), lift)


class _Layer:
    """Lays one channel after the other on the tick, a piece at a time, so that little is held as floats."""

    def __init__(self, trace: Trace, tick_us: int, max_gap_s: float, compact: bool) -> None:
        self._trace = trace
        self._tick_us = tick_us
        self._max_gap_s = max_gap_s
        self.n = ticks_of(trace, tick_us)
        self._packs = compact and self.n > packed.MOST_PLAIN

    def has(self, role: str) -> bool:
        return role in self._trace.channels

    def unit(self, role: str) -> str:
        return self._trace.channels[role].unit

    def source(self, role: str) -> str:
        """What a speed is, as far as the layout or its name say."""
        return self._trace.channels[role].source

    def column(self, kind: npt.DTypeLike) -> Packed | Plain:
        """A column of the ticks, to be filled piece by piece."""
        return Packed(kind) if self._packs else Plain(kind, self.n)

    def kept(self, values: Ints) -> Ints:
        """An array as it is kept."""
        made = self.column(values.dtype)
        made.add(values)
        return made.made()

    def same(self, value: int, kind: npt.DTypeLike) -> Ints:
        """A column of one number."""
        made = self.column(kind)
        for start in range(0, self.n, _CHUNK):
            made.add(np.full(min(_CHUNK, self.n - start), value, kind))
        return made.made()

    def floats(self, role: str) -> Iterator[tuple[Floats, Bools]]:
        """Values and whether they are valid, piece by piece."""
        channel = self._trace.channels[role]
        limit = self._max_gap_s
        if role != "height":
            # A slow signal is no lost one: the limit is the height's.
            steps = np.diff(self._trace.time_s[channel.valid])
            usual = float(np.median(steps, overwrite_input=True)) if len(steps) else 0.0
            limit = max(limit, GAP_STEPS * usual)
            del steps
        for _, values, valid in pieces(self._trace, role, self._tick_us, limit):
            yield values, valid

    def whole(self, role: str, scale: float, notes: list[str]) -> Ints:
        """Whole units of 1/scale, uint16[n]; 0 where not known or not recorded."""
        if not self.has(role):
            return self.same(0, np.uint16)
        made, units = self.column(np.uint16), _Units(role, scale)
        for values, valid in self.floats(role):
            made.add(units.of(values, valid))
        notes += units.notes()
        return made.made()

    def switch(self, role: str) -> Ints | None:
        if not self.has(role):
            return None
        made = np.empty(self.n, np.uint8)
        at = 0
        for values, valid in self.floats(role):
            made[at : at + len(valid)] = valid & (values > 0.5)
            at += len(valid)
        return made


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
        arrays["speed"] = lay.same(round(options.speed_kmh * 10), np.uint16)
        arrays["speed_valid"] = lay.same(1, np.uint8)
        notes.append(f"speed: {options.speed_kmh:g} km/h all the time (--speed)")
    elif lay.has("speed"):
        notes += _speed_of(lay.source("speed"), calibration)
        seen, good, whole = lay.column(np.float32), lay.column(np.uint8), lay.column(np.uint16)
        units = _Units("speed", 10.0)
        for values, valid in lay.floats("speed"):
            seen.add(values)
            good.add(valid)
            whole.add(units.of(values, valid))
        notes += units.notes()
        known, arrays["speed_valid"], arrays["speed"] = seen.made(), good.made(), whole.made()
    else:
        arrays["speed"] = lay.same(0, np.uint16)
        arrays["speed_valid"] = lay.same(0, np.uint8)
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
    steps = _height_steps(trace)
    usual = float(np.median(steps, overwrite_input=True)) if len(steps) else 0.0
    return max(limit, _LATE * usual) if usual <= _ABOUT * limit else limit


def _height_steps(trace: Trace) -> Floats:
    """Seconds between the samples of the height."""
    valid = trace.channels["height"].valid
    return np.diff(trace.time_s if valid.all() else trace.time_s[valid])


def _check_gaps(trace: Trace, calibration: CalibrationFile, limit: float, notes: list[str]) -> None:
    """Refuse a time that jumps and a height that is one long gap; say what is not known of the height."""
    if not limit > 0:
        raise UserError(f"--max-gap {limit:g} is no length of time", right="give seconds above 0")
    jumps = np.diff(trace.time_s)
    if len(jumps) and jumps.max() > _LONGEST_GAP_S:
        what = f"the time jumps by {jumps.max():.6g} s after {trace.time_s[int(jumps.argmax())]:.6g} s"
        raise UserError(what, trace.path, "cut the file there, or choose another time column")
    del jumps
    steps = _height_steps(trace)
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
    counts, lost = lay.column(INPUT_TYPES["counts"]), lay.column(np.bool_)
    beyond = known = 0
    least, greatest = np.inf, -np.inf
    for seen, valid in lay.floats("height"):
        beyond += int(np.count_nonzero((seen < low - half_a_count) | (seen > high + half_a_count)))
        known += int(np.count_nonzero(valid))
        least = min(least, float(np.fmin.reduce(seen, initial=np.inf)))
        greatest = max(greatest, float(np.fmax.reduce(seen, initial=-np.inf)))
        read = to_counts(seen)
        read[~valid] = 0.0
        whole = _rounded(read, adc_max)
        whole[~valid] = _open_counts(calibration)
        counts.add(whole)
        lost.add(~valid)
    if beyond:
        ends = f"{low:g} to {high:g} {unit}"
        notes.append(
            f"height: beyond the calibrated range, {ends}, in {percent(beyond / known)} of the ticks, where"
            f" it reads its end; the trace goes from {least:.6g} to {greatest:.6g} {unit}"
        )
    if (
        known < lay.n
        and calibration.number("window_low") <= 0
        and calibration.number("window_high") >= adc_max
    ):
        notes.append(
            "height: the calibration's electrical window spans the whole ADC, so that the controller cannot"
            " see a gap as a fault; it reads the greatest counts there"
        )
    return counts.made(), lost.made()


def _open_counts(calibration: CalibrationFile) -> int:
    """Counts that a good sensor never gives, where there are any."""
    return 0 if calibration.number("window_low") > 0 else calibration.number("adc_max")


def _lift_seen(counts: Ints, calibration: CalibrationFile) -> npt.NDArray[np.float32]:
    """The lift above the calibrated rest height at each tick, mm; NaN outside the electrical window."""
    low, high = calibration.number("window_low"), calibration.number("window_high")

    def lift(part: Ints) -> npt.NDArray[np.float32]:
        found = np.asarray(calibration.lift_of_height_mm(calibration.counts_to_height(part)), np.float32)
        return np.where((part < low) | (part > high), np.float32(np.nan), found)

    if is_packed(counts):
        return each_packed(lift, counts)  # type: ignore[no-any-return]
    starts = range(0, len(counts), _CHUNK)
    return np.concatenate([lift(counts[start : start + _CHUNK]) for start in starts])


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
    before = np.full(lead, first, column.dtype)
    if not is_packed(column):
        return np.concatenate((before, column))
    made = Packed(column.dtype)
    made.add(before)
    for part in parts_of(column):
        made.add(part)
    return made.made()  # type: ignore[no-any-return]


class _Units:
    """Turns a channel into whole units of 1/scale, and counts what a person should know of it."""

    def __init__(self, role: str, scale: float) -> None:
        self._role = role
        self._scale = scale
        self._ticks = self._unknown = self._outside = 0

    def of(self, values: Floats, valid: Bools) -> Ints:
        """uint16[m], 0 where not valid. Changes `values`."""
        self._ticks += len(values)
        self._unknown += len(values) - int(np.count_nonzero(valid))
        values *= self._scale
        values[~valid] = 0.0
        self._outside += int(np.count_nonzero(values < -0.5) + np.count_nonzero(values >= _UINT16 + 0.5))
        return _rounded(values, _UINT16)

    def notes(self) -> list[str]:
        """What there is to say once all of it was turned."""
        name, said = self._role.replace("_", " "), []
        if self._unknown and self._role not in HELD_ROLES:
            said.append(f"{name}: not known in {percent(self._unknown / self._ticks)} of the ticks")
        if self._outside:
            said.append(f"{name}: cut to 0..{_UINT16 / self._scale:g} in {plural(self._outside, 'tick')}")
        return said


def _rounded(values: Floats, greatest: int) -> Ints:
    """Whole numbers, half away from zero, cut to 0..greatest: uint16[n]. Changes `values`."""
    values += 0.5
    np.floor(values, out=values)
    np.clip(values, 0, greatest, out=values)
    return values.astype(INPUT_TYPES["counts"])
