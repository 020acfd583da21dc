"""What came of a replay: runs, lifts, interventions, who asked, cylinder events, faults.

Everything is worked out from the inputs and the outputs of each tick, so that any implementation of the
controller can be judged by it. A tick counts for its whole length. Times named since_launch_s count from the
launch of the run they lie in, or from the start of the trace outside a run.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.replay import codes
from bench.replay.inputs import Inputs
from bench.replay.logged import Logged
from bench.replay.run import Run
from bench.replay.torque import Shares, torque_left
from bench.trace.spans import spans
from controller import constants as c

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Mask = npt.NDArray[np.bool_]

_CHUNK = 1 << 18
_LISTED_SPANS = 50
_USUAL_LIFT_MM = 50.0
_LIFT_HYSTERESIS_MM = 10.0


@dataclass(frozen=True)
class Launch:
    """One run: from the tick of the launch to the disarm or the end of the trace."""

    number: int
    tick: int
    end_tick: int
    time_s: float
    run_s: float
    disarmed: bool
    fault_at_launch: bool
    rest_mm: float
    greatest_lift_mm: float
    greatest_reduction_permille: int
    full_cut_s: float
    share_taken: float
    estimated_share_left: float
    command_changes: int
    command_reversals: int


@dataclass(frozen=True)
class LiftEvent:
    """The front wheels in the air: from above the lift threshold until well below it. With the nose `beyond`
    the sensor's range the true peak is higher than the one seen. For `unknown_s` of it the sensor was at
    fault, so the landing may have come earlier."""

    launch: int | None
    tick: int
    since_launch_s: float
    in_air_s: float
    unknown_s: float
    peak_lift_mm: float
    peak_height_mm: float
    peak_since_launch_s: float
    beyond: bool
    open_end: bool


@dataclass(frozen=True)
class Intervention:
    """One time in which torque was taken, from the first tick with a reduction or a retard to the last.

    at_peak_s: ticks at the greatest reduction; hold_s: the longest stretch in which its latch held;
    release_s: from the last tick at the peak to the end; latched: how often a demand latched (all four of the
    retard where there was no reduction). reason: who set the reduction for the longest time; reasons: seconds
    of each.
    """

    launch: int | None
    tick: int
    since_launch_s: float
    duration_s: float
    peak_reduction_permille: int
    peak_retard_ddeg: int
    peak_since_launch_s: float
    at_peak_s: float
    hold_s: float
    hold_ran_out: bool
    release_s: float
    latched: int
    reason: str
    reasons: dict[str, float]
    open_end: bool


@dataclass(frozen=True)
class Findings:
    """All of it. The dicts are as they stand in the summary."""

    launches: list[Launch]
    lift_threshold_mm: float
    lift_threshold_from: str
    lift_ends_below_mm: float
    lifts: list[LiftEvent]
    interventions: list[Intervention]
    torque: dict[str, Any]
    reasons: list[dict[str, Any]]
    askers: list[dict[str, Any]]
    events: dict[str, Any]
    faults: list[dict[str, Any]]
    out_of_sight_s: float
    lost_s: float
    tick_errors: int
    command_changes: int
    command_reversals: int


def lift_threshold(calibration: CalibrationFile) -> tuple[float, str]:
    """The lift in mm above which the front wheels count as in the air, and what it is taken from."""
    droop = calibration.built.droop_mm
    if droop:
        return droop, "the suspension's droop"
    if calibration.number("speed_source") == c.FRONT_WHEEL_SPEED:
        return calibration.number("air_lift") / 16, "the lift from which the front wheels turn freely"
    return _USUAL_LIFT_MM, "no droop in the calibration"


class Replay:
    """A run with its inputs and its calibration, and the few things that everything here is worked out
    with. `logged` is what the trace has of the car's own controller, `logged_ticks` the same tick by tick
    (empty where it has nothing), `torque_from` whose command the torque left is estimated from: "log" or
    "replay"."""

    def __init__(
        self,
        inputs: Inputs,
        run: Run,
        calibration: CalibrationFile,
        logged: Logged | None = None,
        torque_from: str = "replay",
    ) -> None:
        self.inputs = inputs
        self.run = run
        self.logged = logged
        self.logged_ticks = {} if logged is None else logged.ticks
        self.torque_from = torque_from
        self.ticks = run.ticks
        self.calibration = calibration
        self.tick_s = inputs.tick_us / 1e6
        self.runs = spans(run.ticks["launched"])
        self.launched: Mask = run.ticks["launched"] != 0
        self._starts = [start for start, _ in self.runs]

    def seconds(self, ticks: int | Mask) -> float:
        """So many ticks, or the ticks where a mask holds, in seconds."""
        count = ticks if isinstance(ticks, int) else int(np.count_nonzero(ticks))
        return round(count * self.tick_s, 6)

    def bit(self, bit: int, part: slice = slice(None)) -> Mask:
        """Where a fault bit is set, over all ticks or a part of them."""
        return np.asarray(self.ticks["faults"][part] & bit, dtype=np.bool_)

    def torque_left(self, part: slice) -> Shares:
        """The estimated share of full torque left at each tick of a part, by the command of `torque_from`."""
        if self.logged is not None and self.torque_from == "log":
            return self.logged.torque_left(part)
        return torque_left(self.run, self.calibration.number("cylinders"), self.inputs.has_engine, part)

    def torque_sum(self, start: int, stop: int) -> float:
        """The sum of the estimated torque left over the ticks [start, stop)."""
        parts = (slice(at, min(stop, at + _CHUNK)) for at in range(start, stop, _CHUNK))
        return float(sum(self.torque_left(part).sum(dtype=np.float64) for part in parts))

    def run_of(self, tick: int) -> int | None:
        """The number from 1 of the run a tick lies in."""
        number = bisect_right(self._starts, tick)
        return number if number and tick < self.runs[number - 1][1] else None

    def since_launch(self, tick: int, launch: int | None) -> float:
        """Seconds from the launch of a run, or from the start of the trace outside a run."""
        return self.seconds(tick - (self.inputs.lead if launch is None else self.runs[launch - 1][0]))

    def reason_ticks(self, part: slice) -> dict[int, int]:
        """Ticks with a reduction by who set it, most first."""
        reason = self.ticks["reason"][part][self.ticks["reduction"][part] > 0]
        counts = np.bincount(reason, minlength=1)
        found = {int(number): int(counts[number]) for number in np.flatnonzero(counts)}
        return dict(sorted(found.items(), key=lambda item: -item[1]))


def _launch(s: Replay, number: int, left: float) -> Launch:
    """A run; `left` is its sum of the estimated torque left."""
    start, stop = s.runs[number - 1]
    reduction = s.ticks["reduction"][start:stop]
    taken = int(reduction.sum(dtype=np.int64))
    changes, reversals = _changes(reduction)
    return Launch(
        number=number,
        tick=start,
        end_tick=stop,
        time_s=round(s.inputs.time_s(start), 6),
        run_s=s.seconds(stop - start),
        disarmed=stop < s.run.n,
        fault_at_launch=bool(s.ticks["faults"][start] & c.FAULT_AT_LAUNCH),
        rest_mm=int(s.ticks["rest"][start]) / 16,
        greatest_lift_mm=int(s.ticks["lift"][start:stop].max()) / 16,
        greatest_reduction_permille=int(reduction.max()),
        full_cut_s=round(taken * s.tick_s / 1000, 6),
        share_taken=round(taken / 1000 / (stop - start), 6),
        estimated_share_left=round(left / (stop - start), 4),
        command_changes=changes,
        command_reversals=reversals,
    )


def _lifts(s: Replay, threshold: float, ends_below: float) -> list[LiftEvent]:
    lift = s.ticks["lift"]
    found = []
    # Above the lower threshold all the time, and above the upper one somewhere.
    for above, stop in spans(lift >= ends_below * 16):
        over = lift[above:stop] > threshold * 16
        if not over.any():
            continue
        start = above + int(np.argmax(over))
        peak = start + int(np.argmax(lift[start:stop]))
        run = s.run_of(start)
        found.append(
            LiftEvent(
                launch=run,
                tick=start,
                since_launch_s=s.since_launch(start, run),
                in_air_s=s.seconds(stop - start),
                unknown_s=s.seconds(s.bit(c.FAULT_SENSOR, slice(start, stop))),
                peak_lift_mm=int(lift[peak]) / 16,
                peak_height_mm=int(s.ticks["height"][start:stop].max()) / 16,
                peak_since_launch_s=s.since_launch(peak, run),
                beyond=bool(s.bit(c.FAULT_OUT_OF_SIGHT, slice(start, stop)).any()),
                open_end=stop == s.run.n,
            )
        )
    return found


def _interventions(s: Replay) -> list[Intervention]:
    reduction, retard = s.ticks["reduction"], s.ticks["retard"]
    taking = (reduction > 0) | (retard > 0)
    return [_intervention(s, start, stop) for start, stop in spans(taking)]


def _intervention(s: Replay, start: int, stop: int) -> Intervention:
    reduction = s.ticks["reduction"][start:stop]
    retard = s.ticks["retard"][start:stop]
    strongest, states = (reduction, "state") if reduction.any() else (retard, "retard_state")
    at_peak = strongest == strongest.max()
    first, last = start + int(np.argmax(at_peak)), stop - 1 - int(np.argmax(at_peak[::-1]))
    run = s.run_of(start)
    state = s.ticks[states][max(start - 1, 0) : stop + 1]
    peaks = np.diff((state == c.PEAK).astype(np.int8), prepend=0)
    from_hold = (state[:-1] == c.HOLD) & ((state[1:] == c.RELEASE) | (state[1:] == c.REST))
    reasons = s.reason_ticks(slice(start, stop))
    return Intervention(
        launch=run,
        tick=start,
        since_launch_s=s.since_launch(start, run),
        duration_s=s.seconds(stop - start),
        peak_reduction_permille=int(reduction.max()),
        peak_retard_ddeg=int(retard.max()),
        peak_since_launch_s=s.since_launch(first, run),
        at_peak_s=s.seconds(at_peak),
        hold_s=s.seconds(max((b - a for a, b in spans(state == c.HOLD)), default=0)),
        hold_ran_out=bool(from_hold.any()),
        release_s=s.seconds(stop - 1 - last),
        latched=int(np.count_nonzero(peaks > 0)),
        reason=codes.reason_name(next(iter(reasons))) if reasons else "retard only",
        reasons={codes.reason_name(reason): s.seconds(ticks) for reason, ticks in reasons.items()},
        open_end=stop == s.run.n,
    )


def _torque(s: Replay, left: Sequence[float]) -> dict[str, Any]:
    reduction = s.ticks["reduction"][s.launched]
    run_ticks = len(reduction)
    taken = int(reduction.sum(dtype=np.int64))
    source = "events" if s.inputs.has_engine else "command"
    return {
        "run_s": s.seconds(run_ticks),
        "reduced_s": s.seconds(reduction > 0),
        "retarded_s": s.seconds(s.ticks["retard"][s.launched] > 0),
        "full_cut_s": round(taken * s.tick_s / 1000, 6),
        "share_taken": round(taken / 1000 / run_ticks, 6) if run_ticks else None,
        "estimated_share_left": round(sum(left) / run_ticks, 4) if run_ticks else None,
        "estimate_from": "log" if s.torque_from == "log" else source,
    }


def _reasons(s: Replay) -> list[dict[str, Any]]:
    """Of the ticks with a reduction, how many each reason set."""
    ticks = s.reason_ticks(slice(None))
    total = sum(ticks.values())
    return [
        {
            "reason": reason,
            "name": codes.reason_name(reason),
            "time_s": s.seconds(count),
            "share": round(count / total, 6),
        }
        for reason, count in ticks.items()
    ]


def _askers(s: Replay) -> list[dict[str, Any]]:
    """How long each asked for a reduction or a retard, won or not."""
    asking = s.ticks["askers"]
    return [
        {"asker": bit, "name": name, "asked_s": s.seconds((asking & bit) != 0)}
        for bit, name in codes.ASKERS.items()
        if (asking & bit).any()
    ]


def _events(s: Replay) -> dict[str, Any]:
    """Cylinder events of the runs, and how many of them were skipped."""
    inside = s.launched[s.run.event_tick]
    skipped = (s.run.event_bits != 0) & inside
    cylinders = []
    for cylinder in s.calibration.row("firing_order"):
        mine = s.run.event_cylinder == cylinder
        count, off = int(np.count_nonzero(mine & inside)), int(np.count_nonzero(mine & skipped))
        cylinders.append({
            "cylinder": cylinder,
            "events": count,
            "skipped": off,
            "share": round(off / count, 6) if count else None,
        })  # fmt: skip
    return {
        "from_engine_speed": s.inputs.has_engine,
        "count": int(np.count_nonzero(inside)),
        "skipped": int(np.count_nonzero(skipped)),
        "cylinders": cylinders,
    }


def _faults(s: Replay) -> list[dict[str, Any]]:
    found = []
    for bit, (name, text) in codes.FAULTS.items():
        mask = s.bit(bit)
        where = spans(mask)
        if not where:
            continue
        found.append({
            "bit": bit,
            "name": name,
            "text": text,
            "times": len(where),
            "total_s": s.seconds(mask),
            "in_runs_s": s.seconds(mask & s.launched),
            "first": [_span(s, start, stop) for start, stop in where[:_LISTED_SPANS]],
        })  # fmt: skip
    return found


def _span(s: Replay, start: int, stop: int) -> dict[str, Any]:
    run = s.run_of(start)
    return {
        "launch": run,
        "tick": start,
        "since_launch_s": s.since_launch(start, run),
        "duration_s": s.seconds(stop - start),
    }


def _changes(reduction: npt.NDArray[Any]) -> tuple[int, int]:
    """Changes of the commanded reduction, and changes of direction among them."""
    at = np.flatnonzero(reduction[1:] != reduction[:-1])
    steps = reduction[at + 1].astype(np.int32) - reduction[at]
    return len(steps), int(np.count_nonzero((steps[1:] > 0) != (steps[:-1] > 0)))


def find(s: Replay) -> Findings:
    """What came of a run."""
    threshold, source = lift_threshold(s.calibration)
    ends_below = threshold - min(_LIFT_HYSTERESIS_MM, threshold / 2)
    changes, reversals = _changes(s.ticks["reduction"])
    left = [s.torque_sum(*run) for run in s.runs]
    return Findings(
        launches=[_launch(s, number, its) for number, its in enumerate(left, 1)],
        lift_threshold_mm=threshold,
        lift_threshold_from=source,
        lift_ends_below_mm=ends_below,
        lifts=_lifts(s, threshold, ends_below),
        interventions=_interventions(s),
        torque=_torque(s, left),
        reasons=_reasons(s),
        askers=_askers(s),
        events=_events(s),
        faults=_faults(s),
        out_of_sight_s=s.seconds(s.bit(c.FAULT_OUT_OF_SIGHT)),
        lost_s=s.seconds(s.inputs.lost),
        tick_errors=int(np.count_nonzero(s.bit(c.FAULT_TICK))),
        command_changes=changes,
        command_reversals=reversals,
    )
