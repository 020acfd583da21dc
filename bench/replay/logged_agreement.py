"""A replay held against what its log has of the car's own controller: delay, agreement, stretches, totals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.document.columns import NONE
from bench.errors import UserError
from bench.replay import codes
from bench.replay.logged import Ints, Logged, Tolerance, known
from bench.replay.torque import spark_efficiency
from bench.trace.spans import spans
from controller import constants as c

if TYPE_CHECKING:
    from bench.replay.findings import Replay

RANGE_S = 0.2
"""The delay is looked for this far either way."""
LEAST_S = 0.01  # of disagreement: less is a front that fell into the next tick
JOINED_S = 0.05  # stretches this close to one another are listed as one
_RISE_S = 0.05
_LISTED = 200
_MOST_SAMPLES = 200_000  # that a delay is found from
_COMMANDS = ("reduction", "retard")
_EXACT = ("reduction", "retard", "reason", "faults")


def find_delay(
    at: Ints, logged: Sequence[Ints], replayed: Sequence[Ints], units: Sequence[int], back: int, most: int
) -> int | None:
    """By how many ticks the samples `logged` (int[m] each, taken at the ticks `at`) come after what was
    `replayed` (int[n] each), of -most to most: where their rises agree best, by the least squares of the
    differences, each in its `units`; of equal ones the smallest. A rise is what a command has gained over
    `back` samples. None where one of the two never rises.

    Rises, because they tell when a controller acted; the end of a cut tells how long it held.
    """
    n = len(replayed[0])
    inside = np.flatnonzero((at[back:] < n - most) & (at[:-back] >= most))
    now, before = at[inside + back], at[inside]
    busy = np.zeros(n + 1, np.uint32)
    for column in replayed:
        busy[1:] += np.cumsum(column > 0, dtype=np.uint32)
    near = busy[now + most + 1] > busy[before - most]
    for column in logged:
        near |= column[inside + back] > 0
    use = np.flatnonzero(near)[:_MOST_SAMPLES]
    inside, now, before = inside[use], now[use], before[use]
    pairs = []
    for mine, theirs, unit in zip(logged, replayed, units, strict=True):
        good = (mine[inside + back] != NONE) & (mine[inside] != NONE)
        rise = np.maximum(mine[inside + back] - mine[inside], 0)[good]
        if rise.any() and (theirs[1:] > theirs[:-1]).any():
            pairs.append(
                (rise.astype(np.float64) / max(unit, 1), theirs, max(unit, 1), now[good], before[good])
            )
    if not pairs:
        return None

    def cost(delay: int) -> float:
        return sum(
            float(
                np.square(
                    rise - np.maximum(theirs[late - delay] / unit - theirs[early - delay] / unit, 0)
                ).sum()
            )
            for rise, theirs, unit, late, early in pairs
        )

    costs = {delay: cost(delay) for delay in sorted(range(-most, most + 1), key=abs)}
    least = min(costs.values())
    return next(delay for delay, one in costs.items() if one <= least * (1 + 1e-9))


# --- the comparison


class Overlay:
    """A log beside a replay, sample by sample: `rows` (of those compared), the `tick` of the replay that each
    stands beside, and `differs` where one of the commands is out of tolerance."""

    def __init__(self, s: Replay, logged: Logged, tolerance: Tolerance) -> None:
        self.s = s
        self.logged = logged
        self.tolerance = tolerance
        self.names = [name for name in _COMMANDS if name in logged.samples]
        self.most = round(RANGE_S / s.tick_s)
        self.delay = 0 if logged.own else self._delay()
        self.beyond = self.delay is not None and self.most > 0 and abs(self.delay) == self.most
        if self.beyond:
            self.delay = None  # the best of the range only because it is the last
        tick = logged.at - (self.delay or 0)
        use = (tick >= s.inputs.lead) & (tick < s.run.n)
        compared = self._compared()
        use[use] = compared[tick[use]]
        for name in self.names:
            use &= logged.samples[name] != NONE
        self.rows = np.flatnonzero(use)
        self.tick = tick[use]
        self.lasts = logged.lasts[use]
        self.apart = {
            name: logged.samples[name][self.rows] - s.ticks[name][self.tick].astype(np.int32)
            for name in self.names
        }
        self.differs = np.zeros(len(self.rows), np.bool_)
        for name, apart in self.apart.items():
            self.differs |= np.abs(apart) > tolerance.units(name)

    def _compared(self) -> npt.NDArray[np.bool_]:
        """Where the replay is compared: in its runs, and a device's recording everywhere."""
        if self.logged.own or not self.s.runs:
            return np.ones(self.s.run.n, np.bool_)
        return self.s.launched

    def _delay(self) -> int | None:
        s, logged = self.s, self.logged
        about = np.zeros(s.run.n, np.bool_)
        for start, stop in s.runs or [(0, s.run.n)]:
            about[max(0, start - self.most) : stop + self.most] = True
        use = (logged.at >= 0) & (logged.at < s.run.n)
        use[use] = about[logged.at[use]]
        mine = [logged.samples[name][use] for name in self.names]
        theirs = [np.asarray(s.ticks[name]) for name in self.names]
        units = [self.tolerance.units(name) for name in self.names]
        at = logged.at[use]
        if len(at) < 2:
            return None
        back = max(1, round(_RISE_S / s.tick_s / max(float(np.median(np.diff(at))), 1.0)))
        return find_delay(at, mine, theirs, units, min(back, len(at) - 1), self.most)

    def seconds(self, use: npt.NDArray[np.bool_]) -> float:
        """How long the samples where a mask holds stand for."""
        return round(float(self.lasts[use].sum()) * self.s.tick_s, 6)

    def stretches(self) -> Iterator[tuple[int, int]]:
        """Where they do not agree for LEAST_S or longer: rows [start, stop) of those compared."""
        joined: list[tuple[int, int]] = []
        for start, stop in spans(self.differs):
            near = joined and self._seconds_between(joined[-1][1] - 1, start) < JOINED_S
            if near and self._run(joined[-1][0]) == self._run(start):
                joined[-1] = (joined[-1][0], stop)
            else:
                joined.append((start, stop))
        for start, stop in joined:
            part = np.zeros(len(self.rows), np.bool_)
            part[start:stop] = self.differs[start:stop]
            if self.seconds(part) >= LEAST_S - 1e-9:
                yield start, stop

    def _seconds_between(self, row: int, other: int) -> float:
        return float(self.tick[other] - self.tick[row]) * self.s.tick_s

    def _run(self, row: int) -> int | None:
        return self.s.run_of(int(self.tick[row]))


def agreement(over: Overlay) -> dict[str, Any]:
    """How far a log and a replay agree, and the delay between the two, as plain values."""
    seconds = over.seconds(np.ones(len(over.rows), np.bool_))
    agree_s = over.seconds(~over.differs)
    return {
        "tolerance": {
            "reduction_percent": over.tolerance.reduction,
            "retard_deg": over.tolerance.retard,
            "least_s": LEAST_S,
        },
        "delay_ticks": over.delay,
        "delay_ms": None if over.delay is None else round(1000 * over.delay * over.s.tick_s, 6),
        "compared_s": seconds,
        "agree_s": agree_s,
        "agree_share": round(agree_s / seconds, 6) if seconds else None,
    }


def delay_text(found: dict[str, Any]) -> str:
    """The delay of an agreement in a few words."""
    return "no delay found" if found["delay_ms"] is None else f"delay {found['delay_ms']:g} ms"


def logged_facts(s: Replay, tolerance: Tolerance) -> dict[str, Any] | None:
    """A log beside a replay as plain values that JSON can hold; None for a trace without one."""
    if s.logged is None:
        return None
    over = Overlay(s, s.logged, tolerance)
    found = [_stretch(over, start, stop) for start, stop in over.stretches()]
    return {
        "columns": s.logged.titles,
        "own_recording": s.logged.own,
        **agreement(over),
        "delay_range_ms": round(1000 * over.most * s.tick_s, 6),
        "delay_beyond_range": over.beyond,
        "compared": "all ticks" if s.logged.own or not s.runs else "the runs",
        "samples": len(over.rows),
        "greatest_difference": {
            f"{name}_{'permille' if name == 'reduction' else 'ddeg'}": int(np.abs(apart).max(initial=0))
            for name, apart in over.apart.items()
        },
        "same_reason_share": _same_reason(over),
        "stretches_in_all": len(found),
        "stretches": found[:_LISTED],
        "launches": [_totals(over, number) for number in range(1, len(s.runs) + 1)],
        "tick_by_tick": _tick_by_tick(over) if s.logged.own else None,
    }


def _same_reason(over: Overlay) -> float | None:
    """Of the time in which both reduce, the share in which both give the same reason."""
    logged, ticks = over.logged, over.s.ticks
    if "reason" not in logged.samples or "reduction" not in logged.samples:
        return None
    both = (logged.samples["reduction"][over.rows] > 0) & (ticks["reduction"][over.tick] > 0)
    reason = logged.samples["reason"][over.rows]
    both &= reason != NONE
    if not both.any():
        return None
    return round(over.seconds(both & (reason == ticks["reason"][over.tick])) / over.seconds(both), 6)


def _stretch(over: Overlay, start: int, stop: int) -> dict[str, Any]:
    s, t, tick = over.s, over.s.ticks, int(over.tick[start])
    launch = s.run_of(tick)
    reason = over.logged.samples.get("reason")
    their_reason = NONE if reason is None else int(reason[over.rows[start]])
    last = float(over.tick[stop - 1] - tick) + float(over.lasts[stop - 1])
    scale = 10 if s.calibration.progress_unit == "km/h" else 1
    return {
        "launch": launch,
        "tick": tick,
        "since_launch_s": s.since_launch(tick, launch),
        "duration_s": round(last * s.tick_s, 6),
        "differs_s": round(float(over.lasts[start:stop][over.differs[start:stop]].sum()) * s.tick_s, 6),
        "height_mm": int(t["height"][tick]) / 16,
        "lift_mm": int(t["lift"][tick]) / 16,
        "progress": int(t["progress"][tick]) / scale,
        "demand_permille": int(t["demand"][tick]),
        "state": codes.STATES[int(t["state"][tick])],
        "reason": codes.reason_name(int(t["reason"][tick])),
        "logged_reason": None if their_reason == NONE else codes.reason_name(their_reason),
        "commands": {
            name: {
                "replayed": int(t[name][tick]),
                "logged": int(over.logged.samples[name][over.rows[start]]),
                "most_more": int(apart[start:stop].max(initial=0)),
                "most_less": int(-apart[start:stop].min(initial=0)),
            }
            for name, apart in over.apart.items()
        },
    }


def _totals(over: Overlay, number: int) -> dict[str, Any]:
    s = over.s
    start, stop = s.runs[number - 1]
    part = slice(start, stop)
    found: dict[str, Any] = {"launch": number}
    for side, ticks in (("replayed", s.ticks), ("logged", over.logged.ticks)):
        reduction = known(ticks["reduction"][part].astype(np.int32)) if "reduction" in ticks else None
        retard = known(ticks["retard"][part].astype(np.int32)) if "retard" in ticks else None
        found[side] = {
            **_of_reduction(over, reduction),
            "peak_retard_ddeg": None if retard is None else int(retard.max()),
        }
        left = np.ones(stop - start) if reduction is None else 1 - reduction / 1000
        if retard is not None:
            left = left * spark_efficiency(retard / 10)
        found[side]["estimated_share_left"] = round(float(left.mean()), 4)
    return found


def _of_reduction(over: Overlay, reduction: Ints | None) -> dict[str, Any]:
    """hold_ends_s: the last time at which it is within tolerance of the peak of the first cut, which is the
    first to leave the tolerance; times are since the launch and as recorded, the delay not taken off."""
    keys = ("peak_reduction_permille", "full_cut_s", "share_taken", "first_cut_s", "hold_ends_s")
    if reduction is None:
        return dict.fromkeys(keys)
    peak, tick_s, unit = int(reduction.max()), over.s.tick_s, over.tolerance.units("reduction")
    cuts = [cut for cut in spans(reduction > 0) if reduction[slice(*cut)].max() > unit]
    first = last = None
    if cuts:
        start, stop = cuts[0]
        cut = reduction[start:stop]
        first = round(start * tick_s, 6)
        last = round((start + int(np.flatnonzero(cut >= cut.max() - unit)[-1])) * tick_s, 6)
    taken = round(float(reduction.sum()) / 1000 * tick_s, 6)
    share = round(float(reduction.mean()) / 1000, 6)
    return dict(zip(keys, (peak, taken, share, first, last), strict=True))


def _tick_by_tick(over: Overlay) -> dict[str, Any]:
    """A device's own recording against the replay, from the first tick on at which the replay has accepted
    the sensor; before, it is still at its power-up, the device perhaps not."""
    s, logged = over.s, over.logged
    ready = np.flatnonzero(s.bit(c.FAULT_ACQUIRING) == 0)
    first = int(ready[0]) if len(ready) else s.run.n
    use = (logged.at >= first) & (logged.at < s.run.n)
    at = logged.at[use]
    wrong = {name: logged.samples[name][use] != s.ticks[name][at] for name in _EXACT}
    any_wrong = np.logical_or.reduce(list(wrong.values()))
    found = np.flatnonzero(any_wrong)
    tick = int(at[found[0]]) if len(found) else None
    return {
        "from_tick": first,
        "ticks": len(at),
        "different": len(found),
        "different_in": {name: int(np.count_nonzero(mask)) for name, mask in wrong.items() if mask.any()},
        "first_tick": tick,
        "first_s": None if tick is None else round(s.inputs.time_s(tick), 6),
    }


def disagreement(facts: dict[str, Any] | None, path: Any) -> str:
    """Why a log does not agree with a replay within its tolerance, in a line; "" where it does.

    Raises UserError where there is nothing to compare."""
    if facts is None:
        right = "name its columns with --logged-reduction-column and --logged-retard-column"
        raise UserError("has no logged reduction or retard to expect anything of", path, right)
    if not facts["samples"]:
        raise UserError("no sample of the log lies in a run", path, "give --launch-at, or another --run")
    exact = facts["tick_by_tick"]
    if exact and exact["different"]:
        names = ", ".join(exact["different_in"])
        return (
            f"{exact['different']} of {exact['ticks']} ticks differ from the device's ({names}), the first at"
            f" {exact['first_s']:.3f} s of the trace"
        )
    stretches = facts["stretches"]
    if exact or not stretches:
        return ""
    first = stretches[0]
    places = "1 stretch" if facts["stretches_in_all"] == 1 else f"{facts['stretches_in_all']} stretches"
    after = "s of the trace" if first["launch"] is None else f"s after launch {first['launch']}"
    return (
        f"the log and the replay disagree in {places}, {facts['compared_s'] - facts['agree_s']:.3f} s of"
        f" {facts['compared_s']:.3f} s, the first {first['since_launch_s']:.3f} {after}"
    )
