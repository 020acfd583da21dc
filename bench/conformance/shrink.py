"""A difference made small: the same device still differs, with fewer ticks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bench.conformance.cases import Case

MOST_RUNS = 40
LEAST_PIECE = 4


def shrink(case: Case, tick: int, differs: Callable[[Case], int | None], most: int = MOST_RUNS) -> Case:
    """A case of fewer ticks on which a device still differs.

    `tick` is where it differs now, counted in the ticks that are kept; `differs` runs the device on a case
    and gives that tick, or None where it is equal. At most `most` runs. Pieces are left out, half of the
    ticks first, then ever smaller ones.
    """
    kept = _cut(case.kept or ((0, case.ticks),), tick + 1)
    runs = 0
    size = _length(kept) // 2
    while size >= LEAST_PIECE:
        at = 0
        while at < _length(kept) and runs < most:
            fewer = _without(kept, at, at + size)
            found = None
            if fewer:
                runs += 1
                found = differs(replace(case, kept=fewer))
            if found is None:
                at += size
            else:
                kept = _cut(fewer, found + 1)
        size //= 2
    return replace(case, kept=kept)


Parts = tuple[tuple[int, int], ...]


def _length(parts: Parts) -> int:
    return sum(end - first for first, end in parts)


def _cut(parts: Parts, ticks: int) -> Parts:
    """The first so many ticks; all where there are fewer."""
    return _without(parts, ticks, max(ticks, _length(parts)))


def _without(parts: Parts, start: int, stop: int) -> Parts:
    """All ticks but those from the `start`-th to before the `stop`-th."""
    left: list[tuple[int, int]] = []
    before = 0
    for first, end in parts:
        for low, high in ((0, start), (stop, before + end - first)):
            one = (first + max(0, low - before), first + min(end - first, high - before))
            if one[0] < one[1]:
                if left and left[-1][1] == one[0]:
                    one = (left.pop()[0], one[1])
                left.append(one)
        before += end - first
    return tuple(left)
