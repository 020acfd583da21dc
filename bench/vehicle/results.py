"""What one run came to: its columns tick by tick, and the figures a tuner asks for, from those columns alone.

The compiled twin keeps the same figures as it drives; the tests hold one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.replay.codes import OUT_OF_SERVICE
from bench.replay.readiness import Seen
from bench.vehicle.car import Car
from bench.vehicle.equations import Statics
from controller.constants import FAULT_AT_LAUNCH, FAULT_OUT_OF_SIGHT

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Floats = npt.NDArray[np.float64]

MARKS_FT = (60, 330, 660, 1000, 1320)
FOOT = 0.3048
FLIGHT_GAP = 0.025  # m of air under the front tyre from which on it is a flight

# Columns of a run -> unit. What the car does is as before the tick moves it; reduction to lift_seen are what
# the controller said in that tick. time: since launch; way: of the rear axle; lift: of the body at the front
# axle; gap: under the front tyre; share: of the engine's torque that arrives; height: along the sensor's
# beam; clearance: of the nose over the ground; torque: of the engine at full command; gear_ratio: engine
# turns a wheel turn.
ROW = {
    "time": "s",
    "way": "m",
    "velocity": "m/s",
    "acceleration": "m/s2",
    "lift": "m",
    "lift_rate": "m/s",
    "pitch": "rad",
    "pitch_rate": "rad/s",
    "travel": "m",
    "travel_rate": "m/s",
    "gap": "m",
    "front_load": "N",
    "rear_load": "N",
    "thrust": "N",
    "bar_load": "N",
    "wheel_speed": "rad/s",
    "slip": "1",
    "engine_speed": "rad/s",
    "gear_ratio": "1",
    "share": "1",
    "torque": "N m",
    "height": "m",
    "clearance": "m",
    "front_wheel": "m/s",
    "rear_rise": "m",
    "counts": "count",
    "speed": "0.1 km/h",
    "engine": "rpm",
    "shaft": "rpm",
    "launch": "1",
    "reduction": "0.1 %",
    "retard": "0.1 degree",
    "reason": "1",
    "faults": "1",
    "demand": "0.1 %",
    "lift_seen": "m",
}

# Figures of a run -> unit. above_start and above_full: time above the ceilings at which a cut starts and is
# full; full_cut: the reduction added up, in seconds of no torque; torque_time: torque not given, of what full
# command would have given; out_of_service: with a fault of OUT_OF_SERVICE on; nose: as if the front stood on
# the ground at each mark; beam: by the strip's own beams.
SCORES = {
    "end_time": "s",
    "turned_over": "1",
    "finished": "1",
    "peak_lift": "m",
    "peak_time": "s",
    "above_start": "s",
    "above_full": "s",
    "beyond_sensor": "s",
    "flights": "1",
    "air_time": "s",
    "carry": "m",
    "landing_speed": "m/s",
    "front_load": "N",
    "strut_travel": "m",
    "clearance": "m",
    "bar_force": "N",
    "bar_time": "s",
    "bar_impulse": "N s",
    "rear_load": "N",
    "rear_unloaded": "s",
    "full_cut": "s",
    "torque_time": "N m s",
    "peak_reduction": "0.1 %",
    "peak_retard": "0.1 degree",
    "changes": "1",
    "reversals": "1",
    "latches": "1",
    "out_of_sight": "s",
    "out_of_service": "s",
    "fault_at_launch": "1",
    "nose_start": "s",
    "beam_start": "s",
    "nose_time": "s",
    "beam_time": "s",
    "velocity": "m/s",
    "gap": "m",
}
AT_MARKS = ("nose_time", "beam_time", "velocity", "gap")


@dataclass(frozen=True)
class Outcome:
    """One run: `columns` has float64[n] for each name of ROW, from the first tick of the standing phase on;
    `scores` a number, or float64[5] for the marks, for each name of SCORES. `by` says what drove it."""

    by: str
    tick_s: float
    columns: dict[str, Floats]
    scores: dict[str, float | Floats]

    def score(self, name: str) -> float:
        """A figure that is one number."""
        return float(self.scores[name])

    def at_mark(self, name: str, feet: int) -> float:
        """A figure at a mark; NaN where the run did not get there."""
        values = self.scores[name]
        assert isinstance(values, np.ndarray)
        return float(values[MARKS_FT.index(feet)])


def cut_starts(calibration: CalibrationFile) -> tuple[Floats, Floats, Floats]:
    """Progress (km/h or ms), and the lifts in mm where the first cut starts and where it is full; infinite
    where there is none."""
    ceilings = calibration.ceilings
    start = np.fmin(ceilings.retard_from, ceilings.reduction_from)
    return (
        ceilings.progress,
        np.where(np.isnan(start), np.inf, start),
        np.where(np.isnan(ceilings.full), np.inf, ceilings.full),
    )


def score(
    columns: dict[str, Floats], car: Car, calibration: CalibrationFile, turned_over: bool, finished: bool
) -> dict[str, float | Floats]:
    """The figures of SCORES from the columns of a run."""
    run = {name: column[columns["launch"] > 0] for name, column in columns.items()}
    dt = calibration.tick_us / 1e6
    peak = int(run["lift"].argmax())
    progress, start, full = cut_starts(calibration)
    at = run["time"] * 1000 if calibration.progress_unit == "ms" else run["velocity"] * 3.6
    mm = run["lift"] * 1000
    moved = np.diff(run["reduction"], prepend=0.0)
    ways = np.sign(moved[moved != 0])
    taking = (run["reduction"] > 0) | (run["retard"] > 0)
    in_air = run["gap"] > 0
    faults = run["faults"].astype(np.int64)
    scores: dict[str, float | Floats] = {
        "end_time": float(run["time"][-1] + dt),
        "turned_over": float(turned_over),
        "finished": float(finished),
        "peak_lift": max(0.0, float(run["lift"][peak])),
        "peak_time": float(run["time"][peak]) if run["lift"][peak] > 0 else 0.0,
        "above_start": dt * np.count_nonzero(mm > np.interp(at, progress, start)),
        "above_full": dt * np.count_nonzero(mm > np.interp(at, progress, full)),
        "beyond_sensor": dt * np.count_nonzero(run["height"] > car.sensor_farthest),
        "flights": float(_flights(run)),
        "air_time": dt * np.count_nonzero(in_air),
        "carry": dt * float(run["velocity"][in_air].sum()),
        "landing_speed": _hardest(run),
        "front_load": float(run["front_load"].max()),
        "strut_travel": max(0.0, float(-run["travel"].min())),
        "clearance": float(run["clearance"].min()),
        "bar_force": float(run["bar_load"].max()),
        "bar_time": dt * np.count_nonzero(run["bar_load"] > 0),
        "bar_impulse": dt * float(run["bar_load"].sum()),
        "rear_load": float(run["rear_load"].min()),
        "rear_unloaded": dt * np.count_nonzero(run["rear_load"] <= 0),
        "full_cut": dt * float(run["reduction"].sum()) / 1000,
        "torque_time": dt * float(((1 - run["share"]) * run["torque"]).sum()),
        "peak_reduction": float(run["reduction"].max()),
        "peak_retard": float(run["retard"].max()),
        "changes": float(np.count_nonzero(moved)),
        "reversals": float(np.count_nonzero(np.diff(ways))),
        "latches": float(np.count_nonzero(np.diff(taking.astype(np.int8), prepend=np.int8(0)) > 0)),
        "out_of_sight": dt * np.count_nonzero(faults & FAULT_OUT_OF_SIGHT),
        "out_of_service": dt * np.count_nonzero(faults & OUT_OF_SERVICE),
        "fault_at_launch": float((faults & FAULT_AT_LAUNCH).any()),
    }
    return scores | _strip(run, car)


def _flights(run: dict[str, Floats]) -> int:
    return len(_flight_starts(run["gap"]))


def _flight_starts(gap: Floats) -> list[int]:
    """Ticks at which a flight begins: more than FLIGHT_GAP of air, the ground touched since the one
    before."""
    starts = []
    flying = False
    for i in np.flatnonzero((gap > FLIGHT_GAP) | (gap <= 0)).tolist():
        if gap[i] <= 0:
            flying = False
        elif not flying:
            flying = True
            starts.append(i)
    return starts


def _hardest(run: dict[str, Floats]) -> float:
    """The greatest speed of the nose at a landing: 0 if it never flew, NaN if it flew and never landed."""
    landings = _landings(run)
    if not landings:
        return np.nan if _flights(run) else 0.0
    return float(max(0.0, -run["lift_rate"][landings].min())) or np.nan


def _landings(run: dict[str, Floats]) -> list[int]:
    """The first tick on the ground after each flight."""
    gap = run["gap"]
    found = []
    for start in _flight_starts(gap):
        down = np.flatnonzero(gap[start:] <= 0)
        if len(down):
            found.append(start + int(down[0]))
    return found


def _strip(run: dict[str, Floats], car: Car) -> dict[str, float | Floats]:
    """The clocks. The start beam is free when the front tyre has rolled out of it; a mark stops the clock
    when a tyre enters its beam: the front one if it is low enough there, else the rear one."""
    statics = Statics(car)
    time, way = run["time"], run["way"]
    over = statics.front_up - run["travel"] + run["rear_rise"]
    axle = way + car.wheelbase * np.cos(run["pitch"]) - over * np.sin(run["pitch"])
    off = run["gap"] + statics.free_radius - car.beam_height
    low = np.abs(off) < car.front_radius
    half = np.sqrt(np.where(low, car.front_radius**2 - off**2, 0.0))
    own = sqrt(car.front_radius**2 - (car.front_radius - car.beam_height) ** 2)
    rear = way + sqrt(car.rear_radius**2 - (car.rear_radius - car.beam_height) ** 2)
    beam = car.wheelbase - own + car.rollout

    nose_start = _reached(time, way, car.rollout)
    free = np.flatnonzero(~low | (axle - half >= beam))
    beam_start = float(time[free[0]]) if len(free) else np.nan
    found = {name: np.full(len(MARKS_FT), np.nan) for name in AT_MARKS}
    for i, feet in enumerate(MARKS_FT):
        goal = beam + feet * FOOT
        nose_goal = goal - car.wheelbase - own
        found["nose_time"][i] = _reached(time, way, nose_goal) - nose_start
        passed = np.flatnonzero(way >= nose_goal)
        if len(passed):
            found["velocity"][i] = run["velocity"][passed[0]]
            found["gap"][i] = run["gap"][passed[0]]
        front = np.flatnonzero(low & (axle + half >= goal) & (axle - half <= goal))
        at_rear = np.flatnonzero(rear >= goal)
        if len(front) and (not len(at_rear) or front[0] <= at_rear[0]):
            found["beam_time"][i] = time[front[0]] - beam_start
        elif len(at_rear):
            found["beam_time"][i] = _reached(time, rear, goal) - beam_start
    return {"nose_start": nose_start, "beam_start": beam_start, **found}


def _reached(time: Floats, way: Floats, goal: float) -> float:
    """When a way is reached, straight between ticks; NaN if never."""
    passed = np.flatnonzero(way >= goal)
    if not len(passed):
        return np.nan
    i = int(passed[0])
    if i == 0:
        return float(time[0])
    return float(time[i - 1] + (time[i] - time[i - 1]) * (goal - way[i - 1]) / (way[i] - way[i - 1]))


def seen_in(outcome: Outcome) -> Seen:
    """A predicted run; the car stands armed before it."""
    columns = outcome.columns
    launched = np.flatnonzero(columns["launch"] > 0)
    return Seen(
        outcome.tick_s,
        columns["counts"].astype(np.int64),
        columns["speed"] / 10,
        np.ones(len(columns["counts"]), dtype=np.int8),
        columns["lift_seen"] * 1000,
        columns["faults"].astype(np.int64),
        int(launched[0]),
    )
