"""When a recorded run changes gear: by its engine speed, or where there is none by its drive shaft's."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import numpy.typing as npt

from bench.vehicle.car import Car
from bench.vehicle.compiled import follow

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STEP_S = 0.0005  # of a share of torque
ALONE_RPM = 500.0  # a sample farther than this from those around tells nothing
SHIFT_SHOWS_S = 0.25
# How well a change is known, one standard deviation: the engine's speed shows it; the shaft's says only about
# when the engine must have been at the speed of the change.
SHIFT_SD_S, SHAFT_SHIFT_SD_S = 0.010, 0.060
_FALL_MS, _SETTLED_MS = 50, 80  # of a change: the least that is looked at, and until the engine has fallen
_SPINNING = 1.8  # times the old gear's speed
_AHEAD = 1.1  # of the old gear: an engine that pulls through a converter turns faster


def alone(values: Floats, limit: float) -> Bools:
    """Which samples stand alone: farther than the limit from the median of the five known ones around."""
    alone = np.zeros(len(values), dtype=np.bool_)
    known = np.flatnonzero(~np.isnan(values))
    if len(known) >= 5:
        around = np.lib.stride_tricks.sliding_window_view(np.pad(values[known], 2, mode="reflect"), 5)
        with np.errstate(invalid="ignore"):  # beyond the sensor it is infinite all around
            alone[known] = np.abs(values[known] - np.median(around, axis=1)) > limit
    return alone


def engine_shifts(
    time: Floats, engine: Floats, speed: tuple[Floats, Floats], share: Floats, car: Car, end: float,
    notes: list[str],
) -> tuple[float, ...]:  # fmt: skip
    """When each gear change begins: where the engine speed falls fastest within twice the time of a change,
    near the speed (or time) at which the car is said to change, and no cut of torque has just begun. `speed`
    is time and m/s."""
    found: list[float] = []
    known = np.isfinite(engine) & ~alone(engine, ALONE_RPM)
    at = np.arange(0.0, float(time[-1]), 0.001)
    if np.count_nonzero(known) < 10:
        return ()
    usual = float(np.median(np.diff(time[known])))
    rpm = np.interp(at, time[known], engine[known])
    wide = max(1, round(max(2 * usual, 0.01) * 1000))
    smooth = np.convolve(np.pad(rpm, wide, mode="edge"), np.ones(wide) / wide, mode="same")[wide:-wide]
    ahead = round(2 * max(0.03, car.shift_time) * 1000)
    road = np.interp(at, *speed) / car.rear_radius * car.final_drive * 30 / pi
    cut = np.interp(at, np.arange(len(share)) * STEP_S, share)  # its last value beyond its end
    for gear, shift_at in enumerate(car.shift_at):
        ratio = car.gear[gear + 1] / car.gear[gear]
        start = found[-1] + 0.3 if found else 0.15
        possible = np.arange(round(start * 1000), len(at) - _FALL_MS)
        if len(possible) == 0:
            break
        fallen = np.minimum(possible + ahead, len(at) - 1)
        fall = smooth[possible] - smooth[fallen]
        least = 0.2 * (1 - ratio) * smooth[possible]
        # Tyres that grip again let the engine fall as well, but in the same gear it stays ahead of the road.
        # Where it does, or the trace ends before that shows, only a fall right at the change counts.
        judged = possible + ahead + _SETTLED_MS
        slower = judged < len(at)
        judged = np.minimum(judged, len(at) - 1)
        slower &= smooth[judged] < _AHEAD * road[judged] * car.gear[gear]
        before = np.maximum(0, possible - 60)
        steady = np.array([cut[a:b].min() >= cut[a] - 0.05 for a, b in zip(before, fallen, strict=True)])
        if car.shift_by_time:
            near = np.abs(at[possible] - shift_at) < np.where(slower, 0.3, 0.06)
        else:
            near = np.abs(smooth[possible] * pi / 30 / shift_at - 1) < np.where(slower, 0.15, 0.03)
        good = (fall > least) & steady & near
        which = int(np.where(good, fall, -np.inf).argmax())
        if not good.any():
            # Behind a loose converter the engine falls too little, but from there on it turns no faster.
            which = int(smooth[possible].argmax())
            if car.shift_by_time or not _held_back(
                smooth, road * car.gear[gear], int(possible[which]), shift_at
            ):
                break
        best = int(possible[which])
        # It begins at the greatest speed there; spinning tyres keep the engine up for longer.
        first = max(0, best - (ahead // 4 if slower[which] else ahead))
        onset = first + int(smooth[first : best + ahead // 4].argmax())
        if at[onset] > end:
            break
        found.append(float(at[onset]))
        notes.append(
            f"gearbox: change {gear + 1} begins {at[onset]:.3f} s after the launch at"
            f" {smooth[onset]:.0f} rpm, by the trace's engine speed"
        )
    if len(found) < len(car.shift_at):
        missing = len(car.shift_at) - len(found)
        notes.append(f"gearbox: {missing} of {len(car.shift_at)} changes not in the run")
    return tuple(found)


def _held_back(rpm: Floats, road: Floats, top: int, shift_at: float) -> bool:
    """Whether the engine (ms by ms) is at the speed of the change at `top`, turns clearly slower from then
    on, and drives tyres that do not spin."""
    later = rpm[top + 300 :]
    return (
        len(later) > 200
        and abs(rpm[top] * pi / 30 / shift_at - 1) < 0.02
        and float(later.max()) < 0.99 * rpm[top]
        and rpm[top] < _SPINNING * road[top]
    )


def shaft_shifts(
    time: Floats, shaft: Floats, share: Floats, car: Car, end: float, notes: list[str]
) -> tuple[float, ...]:
    """When each gear change begins, about: at the times that the car's file gives, or where the shaft (rpm)
    turns as fast as that of the given car does with its engine at the speed of the change."""
    found: list[float] = []
    known = np.isfinite(shaft) & ~alone(shaft, ALONE_RPM)
    for shift_at in car.shift_at:
        begins = shift_at
        if not car.shift_by_time:
            later = found[-1] + 0.3 if found else 0.15
            modelled = _modelled_shaft(car, found, share, shift_at, later)
            reached = known & (shaft >= modelled) & (time > later)
            if not reached.any():
                break
            begins = float(time[reached][0])
        if begins > end:
            break
        found.append(begins)
        notes.append(
            f"gearbox: change {len(found)} is sought about {begins:.2f} s after the launch, where the shaft's"
            " speed puts it; there is no engine speed"
        )
    return tuple(found)


def _modelled_shaft(car: Car, shifts: list[float], share: Floats, engine: float, later: float) -> float:
    """The car's shaft (rpm) with its engine at a speed (rad/s), infinite where it turns over before `later`
    (s)."""
    never = [1e9] * (len(car.shift_at) - len(shifts))
    each = 4
    rows = follow(replace(car, shift_by_time=True, shift_at=(*shifts, *never)), STEP_S, share, each)
    rows = rows[round(later / (each * STEP_S)) :]
    if not len(rows):
        return np.inf
    # where it is that fast first, or at its fastest
    at = int((rows[:, 2] >= engine).argmax() if (rows[:, 2] >= engine).any() else rows[:, 2].argmax())
    return float(rows[at, 4] / rows[at, 2]) * engine * 30 / pi
