"""Where the commands of two runs differ: one trace with two calibrations, or two runs by their launch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.replay import codes
from bench.replay.findings import Replay
from bench.trace.spans import spans

Ticks = npt.NDArray[np.int64]

JOINED_S = 0.05  # stretches of difference this close to one another are listed as one
_LISTED = 200


@dataclass(frozen=True)
class Pair:
    """Two runs, tick by tick: `a` and `b` are int64[n], the ticks of each that stand at the same moment.

    Those of `a` follow one another; `b` repeats or leaves out some where its ticks are longer or shorter.
    `launch_a` is the launch that times count from, or None: each tick's own.
    """

    first: Replay
    second: Replay
    a: Ticks
    b: Ticks
    launch_a: int | None = None

    @property
    def reduction(self) -> npt.NDArray[np.int32]:
        """Second minus first, 0.1 %."""
        return self._minus("reduction")

    @property
    def retard(self) -> npt.NDArray[np.int32]:
        """Second minus first, 0.1 degree."""
        return self._minus("retard")

    @property
    def differs(self) -> npt.NDArray[np.bool_]:
        """Where the commands are not the same."""
        return np.asarray((self.reduction != 0) | (self.retard != 0), dtype=np.bool_)

    def since_launch(self, row: int) -> tuple[int | None, float]:
        """The launch of the first run that a row lies in, and the seconds since it."""
        tick = int(self.a[row])
        run = self.launch_a or self.first.run_of(tick)
        return run, self.first.since_launch(tick, run)

    def _minus(self, name: str) -> npt.NDArray[np.int32]:
        first, second = self.first.ticks[name], self.second.ticks[name]
        return second[self.b].astype(np.int32) - first[self.a].astype(np.int32)


def of_one_trace(first: Replay, second: Replay) -> Pair:
    """Two calibrations on one trace, by the trace's own time."""
    return _paired(first, second, first.inputs.lead, second.inputs.lead, range(first.run.n), None)


def by_launch(first: Replay, launch: int, second: Replay, other: int) -> Pair:
    """Two runs by their launch, for as long as both last. Launches by number from 1."""
    start, stop = first.runs[launch - 1]
    begin, end = second.runs[other - 1]
    last = start + min(stop - start, round((end - begin) * second.tick_s / first.tick_s))
    return _paired(first, second, start, begin, range(start, last), launch)


def _paired(first: Replay, second: Replay, zero: int, other: int, ticks: range, launch: int | None) -> Pair:
    """Ticks of the first, and those of the second that hold at their moments, both counted from a zero."""
    a = np.arange(ticks.start, ticks.stop, dtype=np.int64)
    # Whole microseconds, so that equal ticks fall on one another exactly.
    b = other + (a - zero) * first.inputs.tick_us // second.inputs.tick_us
    both = (b >= 0) & (b < second.run.n)
    return Pair(first, second, a[both], b[both], launch)


def difference_facts(pair: Pair) -> dict[str, Any]:
    """Where two runs differ, as plain values that JSON can hold."""
    differs = pair.differs
    rows = np.flatnonzero(differs)
    tick_s = pair.first.tick_s
    found = list(_spans(pair, differs))
    return {
        "equal": len(rows) == 0,
        "compared_s": round(len(pair.a) * tick_s, 6),
        "differs_s": round(len(rows) * tick_s, 6),
        "first": _row(pair, int(rows[0])) if len(rows) else None,
        "greatest_reduction": _greatest(pair, pair.reduction),
        "greatest_retard": _greatest(pair, pair.retard),
        "spans_in_all": len(found),
        "spans": found[:_LISTED],
    }


def _greatest(pair: Pair, difference: npt.NDArray[np.int32]) -> dict[str, Any] | None:
    """The first row of the greatest difference either way, None where there is none."""
    if not difference.any():
        return None
    return _row(pair, int(np.abs(difference).argmax()))


def _row(pair: Pair, row: int) -> dict[str, Any]:
    launch, since = pair.since_launch(row)
    return {
        "launch": launch,
        "since_launch_s": since,
        "tick": int(pair.a[row]),
        "a": _side(pair.first, int(pair.a[row])),
        "b": _side(pair.second, int(pair.b[row])),
    }


def _side(s: Replay, tick: int) -> dict[str, Any]:
    return {
        "reduction_permille": int(s.ticks["reduction"][tick]),
        "retard_ddeg": int(s.ticks["retard"][tick]),
        "state": codes.STATES[int(s.ticks["state"][tick])],
        "reason": codes.reason_name(int(s.ticks["reason"][tick])),
    }


def _spans(pair: Pair, differs: npt.NDArray[np.bool_]) -> Iterator[dict[str, Any]]:
    near = max(1, round(JOINED_S / pair.first.tick_s))
    joined: list[tuple[int, int]] = []
    for start, stop in spans(differs):
        if joined and start - joined[-1][1] < near:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    reduction, retard = pair.reduction, pair.retard
    for start, stop in joined:
        launch, since = pair.since_launch(start)
        part = slice(start, stop)
        yield {
            "launch": launch,
            "since_launch_s": since,
            "duration_s": round((stop - start) * pair.first.tick_s, 6),
            "tick": int(pair.a[start]),
            "most_more_reduction_permille": int(reduction[part].max(initial=0)),
            "most_less_reduction_permille": int(-reduction[part].min(initial=0)),
            "most_more_retard_ddeg": int(retard[part].max(initial=0)),
            "most_less_retard_ddeg": int(-retard[part].min(initial=0)),
            "full_cut_s": round(float(reduction[part].sum()) / 1000 * pair.first.tick_s, 6),
        }
