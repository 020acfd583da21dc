"""Which ticks of a run a figure holds: all of them, or of a very long trace what a browser can carry."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from bench.trace.spans import spans

MOST_TICKS = 4_000_000
"""A little more than an hour at 1 ms."""

_PIECE = 1 << 18

Numbers = npt.NDArray[Any]


class Ticks(Protocol):
    """Some ticks of a run, from `first` on; `thinned` where stretches are told by their extremes only."""

    first: int
    thinned: bool

    def of(self, values: Numbers) -> Numbers:
        """The numbers of these ticks in an array[n]."""

    def codes(self, values: Numbers) -> Numbers:
        """The same of numbers that stand for words."""

    def computed(self, compute: Callable[[int, int], Numbers]) -> Numbers:
        """What `compute(start, stop)` gives for them, float64."""

    def ticks(self) -> Numbers:
        """The ticks themselves."""

    def events(self, ticks: Numbers) -> Any:
        """Which of some events, given by their rising ticks, lie in them."""


def _computed(compute: Callable[[int, int], Numbers], first: int, stop: int) -> Numbers:
    """What it gives for the ticks [first, stop), asked for piece by piece, since it may need much room."""
    made = np.empty(stop - first)
    for start in range(first, stop, _PIECE):
        end = min(stop, start + _PIECE)
        made[start - first : end - first] = compute(start, end)
    return made


class Stretch:
    """The ticks [first, stop)."""

    thinned = False

    def __init__(self, first: int, stop: int) -> None:
        self.first = first
        self.stop = stop

    def of(self, values: Numbers) -> Numbers:
        """As Ticks.of says."""
        return np.asarray(values[self.first : self.stop])

    codes = of

    def computed(self, compute: Callable[[int, int], Numbers]) -> Numbers:
        """As Ticks.computed says."""
        return _computed(compute, self.first, self.stop)

    def ticks(self) -> Numbers:
        """As Ticks.ticks says."""
        return np.arange(self.first, self.stop)

    def events(self, ticks: Numbers) -> Any:
        """As Ticks.events says."""
        return slice(*np.searchsorted(ticks, (self.first, self.stop)).tolist())


class Decimated:
    """All `n` ticks, or for more than `most` (MOST_TICKS) every tick of the windows [start, stop) of the runs
    and, of each stretch of `stride` ticks between them, the least and the greatest number.

    Stretches that hold several ticks are two numbers wide; `_starts` are where stretches begin.
    """

    first = 0

    def __init__(self, n: int, windows: Sequence[tuple[int, int]], most: int = 0) -> None:
        self.n = n
        most = most or MOST_TICKS
        self.thinned = n > most
        if not self.thinned:
            return
        inside = np.zeros(n, np.bool_)
        room = most // 2
        for start, stop in windows:
            room -= stop - start
            if room < 0:
                break
            inside[start:stop] = True
        self.windows = spans(inside)
        self.stride = max(2, -(-(n - int(np.count_nonzero(inside))) // (most // 4)))
        first = np.zeros(n, np.bool_)
        for start, stop in spans(~inside):
            first[start : stop : self.stride] = True
        first |= inside
        self._starts = np.flatnonzero(first)
        lengths = np.diff(self._starts, append=n)
        self._wide = lengths > 1
        self._twice = np.where(self._wide, 2, 1)
        self._second = np.cumsum(self._twice)[self._wide] - 1
        self._half = lengths[self._wide] // 2

    @property
    def note(self) -> str:
        """What a reader must know where not every tick is there."""
        return (
            f"The trace has {self.n} ticks, more than a browser can carry. This page has every tick around"
            f" the launches and, of each {self.stride} ticks elsewhere, the least and the greatest number;"
            " ticks.csv has all of them. Cylinder events stand here around the launches only."
        )

    def of(self, values: Numbers) -> Numbers:
        """The numbers kept of an array[n]: of a stretch the least, then the greatest."""
        return self._both(values, np.minimum, np.maximum)

    def codes(self, values: Numbers) -> Numbers:
        """The same of numbers that stand for words: of a stretch the greatest, twice."""
        return self._both(values, np.maximum, np.maximum)

    def _both(self, values: Numbers, first: np.ufunc, second: np.ufunc) -> Numbers:
        if not self.thinned:
            return np.asarray(values)
        values = np.asarray(values)
        found = np.repeat(first.reduceat(values, self._starts), self._twice)
        found[self._second] = second.reduceat(values, self._starts)[self._wide]
        return found

    def computed(self, compute: Callable[[int, int], Numbers]) -> Numbers:
        """What `compute(start, stop)` gives for ticks, float64: of every tick, or of those in the windows,
        with NaN between."""
        if not self.thinned:
            return _computed(compute, 0, self.n)
        found = np.full(int(self._twice.sum()), np.nan)
        at = self.ticks()
        for start, stop in self.windows:
            place = int(np.searchsorted(at, start))
            found[place : place + stop - start] = compute(start, stop)
        return found

    def ticks(self) -> Numbers:
        """The tick of each number that is kept."""
        if not self.thinned:
            return np.arange(self.n)
        at = np.repeat(self._starts, self._twice)
        at[self._second] += self._half
        return at

    def events(self, ticks: Numbers) -> Any:
        """Which of some events, given by their rising ticks, are kept."""
        if not self.thinned:
            return slice(None)
        kept = np.zeros(len(ticks), np.bool_)
        for start, stop in self.windows:
            a, b = np.searchsorted(ticks, (start, stop))
            kept[a:b] = True
        return kept
