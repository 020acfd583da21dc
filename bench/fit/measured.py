"""What a recorded run shows of the car after its launch, and what share of torque was commanded meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import ceil, floor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.errors import UserError
from bench.fit.gears import (
    ALONE_RPM,
    SHAFT_SHIFT_SD_S,
    SHIFT_SD_S,
    SHIFT_SHOWS_S,
    alone,
    engine_shifts,
    shaft_shifts,
)
from bench.fit.speed_source import SHAFT_NOISE, source
from bench.replay.logged import no_log
from bench.trace import launching, passes
from bench.trace.grid import on_grid, without_delays
from bench.trace.model import Trace
from bench.trace.roles import option_name
from bench.trace.spans import spans
from bench.vehicle.car import Car
from controller.constants import (
    FAULT_AT_LAUNCH,
    FAULT_FALL,
    FAULT_SENSOR,
    FAULT_STUCK,
    FRONT_WHEEL_SPEED,
)

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STEP_S = 0.0005
LONGEST_S = 4.0
SHORTEST_S = 0.5
CHANNELS = {"height": "mm", "speed": "m/s", "engine": "rpm", "shaft": "rpm"}
# What is taken of each channel's noise where standing shows less, in the units of CHANNELS.
NOISE = {"height": 1.0, "speed": 0.1, "engine": 20.0, "shaft": 20.0}
# A sample farther than this from those around is a spike and tells nothing.
ALONE = {"height": 40.0, "speed": 3.0, "engine": ALONE_RPM, "shaft": ALONE_RPM}
_STOOD_S = 1.0
_CLEAR_MM = 25.0  # of lift beyond the droop: the wheels have left the ground
_NEAR_END_MM = 3.0
_COARSE_MM = 5  # readings all so far apart are those of a coarse logger
_FLAT = 6  # equal readings, one after the other
_NO_HEIGHT_MM = 1.0  # a reading below is none
_SPUN_UP_S = 0.3
_LOST = FAULT_SENSOR | FAULT_FALL | FAULT_STUCK | FAULT_AT_LAUNCH
_NEEDS = "a fit needs height, road speed and engine or shaft speed"


@dataclass(frozen=True)
class MeasuredRun:
    """One run. `time` (s since launch, float64[n]) and `values`, float64[n] for those of CHANNELS that it
    has, each in its unit, NaN where it tells nothing; `shaft` stands in place of `engine` only. `at_end`
    (bool[n]): the height was beyond the sensor's end `end_mm`.
    `share` (float64[m], steps of STEP_S) is the share of torque commanded as it reaches the engine, by the
    log of what drove the car where `logged`, else by what is taken to have driven it. `shifts` are the times
    of the gear changes, known to `shift_sd` s, `noise` one standard deviation by channel."""

    path: Path
    digest: str
    time: Floats
    values: dict[str, Floats]
    at_end: Bools
    end_mm: float
    share: Floats
    logged: bool
    shifts: tuple[float, ...]
    shift_sd: float
    noise: dict[str, float]
    peak_lift_mm: float
    notes: list[str]

    @property
    def duration(self) -> float:
        """Seconds from the launch to the last sample."""
        return float(self.time[-1])


def measure(
    trace: Trace, car: Car, calibration: CalibrationFile | None, torque_from: str | None = None
) -> MeasuredRun:
    """The first run of a trace. The torque is the logged command's ("log"), or what the calibration commands
    ("replay"); None takes the log's where it has a reduction. Raises UserError where the trace cannot tell
    anything about the car."""
    turns = _turns(trace)
    for role in ("height", "speed", f"{turns}_speed"):
        if not _has(trace, role):
            right = f"{_NEEDS}; name its column with {option_name(role)}"
            raise UserError(f"no {role.replace('_', ' ')}", trace.path, right)
    trace = without_delays(trace)
    notes: list[str] = []
    tick_us, launch_s, reduction, retard = _command(trace, calibration, torque_from, notes)
    height = _height_mm(trace, calibration)
    until = _until(trace, launch_s)
    samples = (trace.time_s >= launch_s) & (trace.time_s <= until)
    if until - launch_s < SHORTEST_S or np.count_nonzero(samples) < 25:
        what = f"only {until - launch_s:.2f} s of a run after its launch at {launch_s:.3f} s"
        raise UserError(what, trace.path, f"a fit needs {SHORTEST_S:g} s with the car pulling, better 2 to 4")
    time = trace.time_s[samples] - launch_s
    values = {
        "height": height[samples],
        "speed": trace.channels["speed"].values[samples] / 3.6,
        turns: trace.channels[f"{turns}_speed"].values[samples].copy(),
    }
    for name, value in values.items():
        far = alone(value, ALONE[name])
        if far.any():
            value[far] = np.nan
            notes.append(f"{name}: {np.count_nonzero(far)} samples far from all others near them, left out")
    end_mm = car.sensor_farthest * 1000
    if calibration is not None:
        end_mm = min(end_mm, max(calibration.row("sensor_height")) / 16)
    rest, noise = _standing(trace, height, launch_s, car, notes)
    if not 0 < rest < end_mm:
        what = f"the nose stands at {rest:.0f} mm before the launch and the sensor ends at {end_mm:.0f} mm"
        raise UserError(what, trace.path, "if its unit is another, --height-column NAME:UNIT")
    end_mm = _clipped(values["height"], rest, end_mm, notes)
    at_end = _beyond(values["height"], end_mm, car.beyond_high)
    gain = car.wheelbase / (car.wheelbase + car.sensor_ahead)
    seen = np.where(at_end, end_mm, values["height"])
    peak = float(np.nanmax(seen) - rest) * gain
    least = car.droop * 1000 + _CLEAR_MM
    if peak < least:
        what = (
            f"no lift: from {rest:.0f} mm at rest the front axle rises {peak:.0f} mm at most,"
            f" the wheels leave the ground at about {car.droop * 1000:.0f} mm"
        )
        raise UserError(what, trace.path, "a fit needs a run with a lift, and the height in its right unit")
    _judge_speed(trace, samples, time, values, (seen - rest) * gain, calibration, noise, notes)
    for name, value in values.items():
        if name != "height" and np.count_nonzero(np.isfinite(value)) < 10:
            raise UserError(f"no {name} speed after the launch", trace.path, _NEEDS)
    share = _share(car, tick_us, reduction, retard, float(time[-1]))
    # a change that begins just before the end of the run shows only after it
    after = (trace.time_s >= launch_s) & (trace.time_s <= until + SHIFT_SHOWS_S)
    turned = trace.time_s[after] - launch_s, trace.channels[f"{turns}_speed"].values[after]
    known = np.isfinite(values["speed"])
    speed = time[known], values["speed"][known]
    if turns == "engine":
        shifts, sd = engine_shifts(*turned, speed, share, car, float(time[-1]), notes), SHIFT_SD_S
    else:
        shifts, sd = shaft_shifts(*turned, share, car, float(time[-1]), notes), SHAFT_SHIFT_SD_S
    logged = torque_from != "replay" and _has(trace, "logged_reduction")
    return MeasuredRun(
        trace.path, trace.digest, time, values, at_end, end_mm, share, logged, shifts, sd, noise, peak, notes
    )


def _turns(trace: Trace) -> str:
    """What tells how fast the drive line turns: the engine, or the shaft where that alone was logged."""
    return "shaft" if _has(trace, "shaft_speed") and not _has(trace, "engine_speed") else "engine"


def _has(trace: Trace, role: str) -> bool:
    return role in trace.channels and bool(trace.channels[role].valid.any())


def _command(
    trace: Trace, calibration: CalibrationFile | None, torque_from: str | None, notes: list[str]
) -> tuple[int, float, npt.NDArray[Any], npt.NDArray[Any]]:
    """Tick (us), the trace's time of the launch, and from there on reduction (0.1 %) and retard
    (0.1 degree)."""
    if calibration is not None:
        return _replayed(trace, calibration, torque_from, notes)
    if torque_from == "replay":
        right = "give the --calibration that drove the run"
        raise UserError("there is no calibration to replay the torque with", "--torque-from replay", right)
    tick_us = 1000
    grid = on_grid(trace, tick_us, 0.1)

    def switch(role: str) -> npt.NDArray[np.uint8] | None:
        return (grid.values[role] > 0.5).astype(np.uint8) if role in grid.values else None

    signals = launching.Signals(
        tick_us, 100, grid.n, partial(np.full, grid.n, np.nan, np.float32),
        grid.values["speed"].astype(np.float32), switch("armed"), switch("launch"),
    )  # fmt: skip
    switches = launching.find(signals)
    notes += switches.notes
    height, engine = grid.values["height"], grid.values.get("engine_speed")
    notes += passes.take_pass(trace, signals, switches, engine, height, trace.channels["height"].unit)
    first = _first_launch(switches.armed, switches.launch, trace, notes)
    whose = "logged" if "logged_reduction" in grid.values else "request"
    if torque_from == "log" and whose != "logged":
        raise no_log(trace)
    command = []
    for role in (f"{whose}_reduction", f"{whose}_retard"):
        known = grid.values.get(role, np.zeros(grid.n))
        command.append(np.rint(10 * np.nan_to_num(known)).astype(np.int64)[first:])
    if whose == "logged" or any(c.any() for c in command):
        notes.append("torque: as the trace's columns of reduction and retard say")
    else:
        notes.append("torque: no calibration and no command in the trace, so full torque all the way")
    return tick_us, grid.start_s + first * tick_us / 1e6, command[0], command[1]


def _replayed(
    trace: Trace, calibration: CalibrationFile, torque_from: str | None, notes: list[str]
) -> tuple[int, float, npt.NDArray[Any], npt.NDArray[Any]]:
    """The same with a calibration: its own command, or the log's beside its sensor."""
    from bench.replay.figure_data import fault_names
    from bench.replay.inputs import from_trace
    from bench.replay.logged import known, lay_log
    from bench.replay.run import core_to_use, run

    inputs = from_trace(trace, calibration)
    logged, torque_from = lay_log(trace, inputs, torque_from)
    notes += inputs.notes
    first = _first_launch(inputs.arrays["armed"], inputs.arrays["launch"], trace, notes)
    if logged is not None and torque_from == "log":
        reduction = known(logged.ticks["reduction"][first:])
        retard = known(logged.ticks["retard"][first:]) if "retard" in logged.ticks else 0 * reduction
        return calibration.tick_us, inputs.time_s(first), reduction, retard
    ticks = run(core_to_use(None)[0], calibration.image, inputs.arrays).ticks
    notes.append("torque: what the calibration commands over the trace, replayed")
    end = first + round(LONGEST_S * 1e6 / calibration.tick_us)
    failed = np.asarray(ticks["faults"][first:end]) & _LOST
    if failed.any():
        seconds = np.count_nonzero(failed) * calibration.tick_us / 1e6
        which = fault_names(int(np.bitwise_or.reduce(failed)))
        notes.append(
            f"torque: {seconds:.3f} s of it in fault ({which}); if the car's own controller saw what the"
            " recording lost, its torque was another one"
        )
    return calibration.tick_us, inputs.time_s(first), ticks["reduction"][first:], ticks["retard"][first:]


def _first_launch(armed: npt.NDArray[Any], launch: npt.NDArray[Any], trace: Trace, notes: list[str]) -> int:
    both = spans((armed > 0) & (launch > 0))
    if len(both) > 1:
        notes.append(f"launches: {len(both)} in the trace, the first is taken")
    if not both:
        right = "a fit needs a run from its launch on: a launch switch, or a speed that leaves a standstill"
        raise UserError("no launch found", trace.path, right)
    return both[0][0]


def _height_mm(trace: Trace, calibration: CalibrationFile | None) -> Floats:
    channel = trace.channels["height"]
    if channel.unit == "mm":
        return channel.values.copy()
    if calibration is None and channel.unit == "V" and channel.curve:
        points = np.array(channel.curve)
        return np.asarray(np.interp(channel.values, points[:, 0], points[:, 1]), dtype=np.float64)
    if calibration is None:
        what = f"the height is in {channel.unit}"
        raise UserError(what, trace.path, "give the --calibration whose sensor curve makes it millimetres")
    counts = calibration.volts_to_counts(channel.values) if channel.unit == "V" else channel.values
    given = np.where(channel.valid, counts, 0.0)
    heights = np.asarray(calibration.counts_to_height(given), dtype=np.float64)
    low, high = calibration.number("window_low"), calibration.number("window_high")
    # An ADC that reads below its window is a wire or a nose beyond the sensor: 0 says "no height" here.
    heights[given < low] = 0.0
    heights[given > high] = np.inf
    return np.where(channel.valid, heights, np.nan)


def _until(trace: Trace, launch_s: float) -> float:
    """The last time that belongs to the pull: where the speed is greatest, or LONGEST_S after the launch."""
    speed = trace.channels["speed"]
    inside = speed.valid & (trace.time_s >= launch_s) & (trace.time_s <= launch_s + LONGEST_S)
    inside[inside] = ~alone(speed.values[inside] / 3.6, ALONE["speed"])
    if not inside.any():
        return launch_s
    time, values = trace.time_s[inside], speed.values[inside]
    if values[-1] >= 0.9 * values.max():
        return float(time[-1])
    return float(time[int(values.argmax())])


def _standing(
    trace: Trace, height: Floats, launch_s: float, car: Car, notes: list[str]
) -> tuple[float, dict[str, float]]:
    """Rest height in mm and the noise of each channel, from the last second before the launch."""
    before = (trace.time_s < launch_s) & (trace.time_s >= launch_s - _STOOD_S) & np.isfinite(height)
    noise = dict(NOISE)
    if np.count_nonzero(before) < 10:
        notes.append("height: no standing before the launch, so its noise is taken as 1 mm or the car's own")
        noise["height"] = max(noise["height"], car.sensor_noise * 1000)
        return car.sensor_height * 1000, noise
    stood = height[before]
    rest = float(np.median(stood))
    noise["height"] = max(0.5, 1.4826 * float(np.median(np.abs(stood - rest))))
    return rest, noise


def _clipped(height: Floats, rest: float, end_mm: float, notes: list[str]) -> float:
    """Where the sensor really ends: noise never shows the same height again and again, so a stretch of equal
    readings at the very top is an end below `end_mm`. Those at the very bottom become NaN."""
    known = np.flatnonzero(np.isfinite(height) & (height >= _NO_HEIGHT_MM))
    readings = height[known]
    if len(readings) < 2 * _FLAT:
        return end_mm
    same = np.diff(readings) == 0
    flat = [(first, last + 1) for first, last in spans(same) if last + 1 - first >= _FLAT]
    others = np.count_nonzero(same) - sum(last - first - 1 for first, last in flat)
    steps = np.diff(np.unique(readings))
    if others > 0.2 * len(readings) or (len(steps) and steps.min() > _COARSE_MM):
        return end_mm  # as coarse as that any height comes again
    for first, last in flat:
        at = float(readings[first])
        if at == readings.max() and rest + _CLEAR_MM < at < end_mm - _NEAR_END_MM:
            notes.append(f"height: the sensor ends at {at:.0f} mm, where it stays for {last - first} samples")
            end_mm = at
        elif at == readings.min() and at < rest - _CLEAR_MM:
            notes.append(f"height: {last - first} samples at the sensor's lower end ({at:.0f} mm), left out")
            height[known[first:last]] = np.nan
    return end_mm


def _beyond(height: Floats, end_mm: float, beyond_high: bool) -> Bools:
    """Where the nose is beyond the sensor's end; there, and where there is no reading, the height becomes
    NaN."""
    beyond = height >= end_mm - _NEAR_END_MM
    if not beyond_high:
        # low readings after a high one
        risen = np.maximum.accumulate(np.nan_to_num(height, nan=0.0, posinf=0.0)) > 0.8 * end_mm
        beyond |= risen & (height < _NO_HEIGHT_MM)
    for first, last in spans(beyond):
        before = height[:first][np.isfinite(height[:first])]
        if not len(before) or before[-1] < 0.6 * end_mm:
            beyond[first:last] = False  # a jump to the end from far below is a bad contact
            height[first:last] = np.nan
    height[beyond] = np.nan
    height[height < _NO_HEIGHT_MM] = np.nan
    return np.asarray(beyond, dtype=np.bool_)


def _judge_speed(
    trace: Trace, samples: Bools, time: Floats, values: dict[str, Floats], lift_mm: Floats,
    calibration: CalibrationFile | None, noise: dict[str, float], notes: list[str],
) -> None:  # fmt: skip
    """Leave out of the speed what is none of the road's."""
    shaft = trace.channels.get("shaft_speed")
    shaft_rpm = None if shaft is None else np.where(shaft.valid, shaft.values, np.nan)[samples]
    if calibration is not None and calibration.number("speed_source") == FRONT_WHEEL_SPEED:
        _forget_air(time, values, lift_mm)
        notes.append("speed: of a front wheel, so it counts only while the front wheels are on the ground")
        return
    what = source(time, values["speed"], lift_mm, shaft_rpm)
    if what == "front":
        _forget_air(time, values, lift_mm)
        notes.append(
            "speed: hardly rises while the nose is up, as of a front wheel and not of the car; it counts only"
            " while the front wheels are on the ground"
        )
    elif what == "shaft":
        noise["speed"] = SHAFT_NOISE
        notes.append(
            "speed: one share of the shaft's all along, as of the driven wheels and not of the car; where"
            " tyres slip it is too high, so it counts little"
        )


def _forget_air(time: Floats, values: dict[str, Floats], lift_mm: Floats) -> None:
    for first, last in spans(~(lift_mm < 50)):
        until = time[min(last, len(time) - 1)] + _SPUN_UP_S
        values["speed"][(time >= time[first]) & (time < until)] = np.nan


def _share(
    car: Car, tick_us: int, reduction: npt.NDArray[Any], retard: npt.NDArray[Any], duration: float
) -> Floats:
    """The share of torque commanded at each step, later by the car's delay; before the launch it is 1."""
    spark = np.maximum(0.0, 1 - car.retard_loss * (np.asarray(retard) / 10) ** 2)
    told = np.append((1 - np.asarray(reduction) / 1000) * spark, 1.0)
    steps = ceil(duration / STEP_S) + 40  # a little more: the launch may prove to be later than recorded
    delay = floor(car.delay / STEP_S + 0.5)
    ticks = np.floor((np.arange(steps) - delay) * (STEP_S * 1e6 / tick_us) + 1e-9).astype(np.int64)
    return np.where(ticks < 0, 1.0, told[np.clip(ticks, 0, len(told) - 2)])
