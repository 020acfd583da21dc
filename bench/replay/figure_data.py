"""What figures of a run draw beyond the outputs of each tick, worked out once."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from bench.document.window import worth_seeing
from bench.replay import codes
from bench.replay.findings import Findings, Launch, Replay
from controller import constants as c

Floats = npt.NDArray[np.float64]

MEAN_S = 0.05
"""Over how long the estimated torque is averaged: about one engine cycle at half speed."""

# Of the others the one shows as single samples, the other beside the progress.
NAMED_FAULTS = sum(codes.FAULTS) & ~(c.FAULT_UNUSED | c.FAULT_SPEED)


def window(s: Replay, found: Findings, launch: Launch) -> tuple[int, int]:
    """The ticks of a run worth seeing, [start, stop): until nothing more is taken and the front is down."""
    part = slice(launch.tick, launch.end_tick)
    taking = (s.ticks["reduction"][part] > 0) | (s.ticks["retard"][part] > 0)
    for name in ("reduction", "retard"):
        if name in s.logged_ticks:
            taking |= s.logged_ticks[name][part] > 0
    taking |= s.ticks["lift"][part] > 16 * found.lift_threshold_mm
    last = launch.end_tick - 1 - int(np.argmax(taking[::-1])) if taking.any() else None
    return worth_seeing(launch.tick, launch.end_tick, last, s.tick_s)


def torque_taken(s: Replay, start: int, stop: int) -> Floats:
    """The estimated torque taken at each tick of [start, stop), %, a mean over the last MEAN_S."""
    ticks = max(1, round(MEAN_S / s.tick_s))
    first = max(0, start - ticks)
    left = s.torque_left(slice(first, stop))
    return np.asarray(100 * (1 - _mean_over(left, ticks)[start - first :]), dtype=np.float64)


def rotation_ceiling(s: Replay, name: str, part: slice) -> Floats:
    """The ceiling of "engine" or "shaft" speed, above which it asks for a reduction: rpm at each tick of a
    part, NaN where it rests."""
    calibration = s.calibration
    ms, rpm = calibration.row(f"{name}_ms"), calibration.row(f"{name}_rpm")
    elapsed = s.ticks["elapsed_ms"][part].astype(np.float64)
    curve = np.interp(elapsed, ms, rpm)
    if calibration.number(f"{name}_after_end") == c.STOP:
        curve[elapsed > ms[-1]] = np.nan
    if not (name == "engine" and calibration.number("engine_before_launch")):
        curve[s.ticks["launched"][part] == 0] = np.nan
    return curve


def end_of_sensor(s: Replay, rest: Any) -> Any:
    """The lift at the sensor's greatest height with a rest height in use (1/16 mm, one or many), mm."""
    calibration = s.calibration
    return (max(calibration.row("sensor_height")) - rest) * calibration.number("gain_q12") / 4096 / 16


def state_name(state: int) -> str:
    """What a latch does, in words."""
    return codes.STATES[state].replace("_", " ")


def fault_names(faults: int) -> str:
    """The short names of the faults whose bits are set."""
    return ", ".join(name.replace("_", " ") for bit, (name, _) in codes.FAULTS.items() if faults & bit)


def _mean_over(values: Any, ticks: int) -> Any:
    """The mean of the last so many values, of those there are at the start."""
    total = np.concatenate(([0.0], np.cumsum(values, dtype=np.float64)))
    until = np.arange(1, len(values) + 1)
    since = np.maximum(until - ticks, 0)
    return (total[until] - total[since]) / (until - since)
