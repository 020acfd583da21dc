"""Ceilings, the tuner's other way to say what the maps say, and the maps that come near them (M2).

At each progress point retard rises linearly with lift from 0 at `retard_from` to its greatest at `full`, and
reduction rises linearly from 0 at `reduction_from` to its greatest at `full`. Between the points the three
lifts move linearly with progress; outside them they stay. The maps are bilinear, so their lines of equal
reduction cannot follow a slanting ceiling exactly; rows and columns are put where they bring the two closest.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from controller.constants import AXIS_POINTS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

# Places between two neighbouring progress points at which ceilings and maps are compared: while the maps are
# sought, and for the figure that is shown. Along the lift the comparison is exact, because both are broken
# lines there and every break is looked at; along progress only the top of a shallow parabola can be missed.
_SEARCH_STEPS = 12
_FINAL_STEPS = 64
_SOUGHT_AT = 2400  # where the lowest ceiling lies while maps are sought, so that rounding is the same for all


@dataclass(frozen=True)
class Ceilings:
    """Lifts over progress: all arrays float64[k], progress strictly rising; any consistent units."""

    progress: Floats
    retard_from: Floats
    reduction_from: Floats
    full: Floats

    def at(self, progress: Floats) -> tuple[Floats, Floats, Floats]:
        """retard_from, reduction_from and full at any progress, of the same shape."""
        import numpy as np

        return (
            np.interp(progress, self.progress, self.retard_from),
            np.interp(progress, self.progress, self.reduction_from),
            np.interp(progress, self.progress, self.full),
        )

    def shares(self, lift: Floats, progress: Floats) -> tuple[Floats, Floats]:
        """Reduction and retard as shares 0..1 of their greatest values (lift and progress broadcast)."""
        return _shares(lift, *self.at(progress))


def _shares(lift: Floats, retard_from: Floats, reduction_from: Floats, full: Floats) -> tuple[Floats, Floats]:
    reduction = _within((lift - reduction_from) / (full - reduction_from))
    return reduction, _within((lift - retard_from) / (full - retard_from))


def _within(share: Floats) -> Floats:
    """Cut to 0..1 (numpy.clip takes longer for small arrays)."""
    import numpy as np

    return np.minimum(np.maximum(share, 0.0), 1.0)


@dataclass(frozen=True)
class Fit:
    """Maps for ceilings, in the units of the ceilings.

    lift: int64[r], progress: int64[c]; reduction and retard: int64[r, c]; reduction_off and retard_off: the
    largest differences between ceilings and maps, in units of the cells; off: the larger of the two as a
    share of the greatest value.
    """

    lift: npt.NDArray[np.int64]
    progress: npt.NDArray[np.int64]
    reduction: npt.NDArray[np.int64]
    retard: npt.NDArray[np.int64]
    reduction_off: float
    retard_off: float
    off: float


class _Grid:
    """The places along progress where ceilings and maps are compared."""

    def __init__(self, ceilings: Ceilings, places: Floats) -> None:
        import numpy as np

        self.ceilings = ceilings
        self.progress = places
        self.breaks = np.stack(ceilings.at(places), axis=1)
        self._lines = [line[:, None] for line in ceilings.at(places)]

    def differences(
        self, rows: Floats, columns: Floats, reduction: Floats, retard: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Map less ceiling for reduction and retard, both float64[places, lifts], and those lifts."""
        import numpy as np

        places = len(self.progress)
        lifts = np.concatenate([np.broadcast_to(rows, (places, len(rows))), self.breaks], axis=1)
        row, down = _parts(rows, lifts)
        column, across = (part[:, None] for part in _parts(columns, self.progress))
        below = np.minimum(row + 1, len(rows) - 1)
        beside = np.minimum(column + 1, len(columns) - 1)
        exact = _shares(lifts, *self._lines)
        found = []
        for cells, wanted in ((reduction, exact[0]), (retard, exact[1])):
            left = cells[row, column] * (1 - down) + cells[below, column] * down
            right = cells[row, beside] * (1 - down) + cells[below, beside] * down
            found.append(left * (1 - across) + right * across - wanted)
        return found[0], found[1], lifts


def _parts(axis: Floats, at: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    """The point of an axis at or before each place, and how far the place lies towards the next one, 0..1."""
    import numpy as np

    index = np.searchsorted(axis, at, side="right") - 1
    index = np.minimum(np.maximum(index, 0), max(len(axis) - 2, 0))
    if len(axis) == 1:
        return index, np.zeros_like(at)
    return index, _within((at - axis[index]) / (axis[index + 1] - axis[index]))


def _cells(ceilings: Ceilings, rows: Floats, columns: Floats) -> tuple[Floats, Floats]:
    return ceilings.shares(rows[:, None], columns[None, :])


def _steps(points: Floats, steps: int) -> Floats:
    """Points, and places evenly between each two of them."""
    import numpy as np

    part = np.arange(steps) / steps
    between = [points[i] + (points[i + 1] - points[i]) * part for i in range(len(points) - 1)]
    return np.concatenate([*between, points[-1:]])


def _crossings(ceilings: Ceilings, rows: Floats) -> Floats:
    """Where along progress a ceiling crosses a row: there the difference along progress has its corners."""
    import numpy as np

    at, span = ceilings.progress[:-1], np.diff(ceilings.progress)
    found = []
    for line in (ceilings.retard_from, ceilings.reduction_from, ceilings.full):
        rise = np.diff(line)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (rows[:, None] - line[:-1]) / rise
        inside = (part > 0) & (part < 1)  # false where the line is level
        found.append((at + part * span)[inside])
    return np.concatenate(found)


def fit(ceilings: Ceilings, reduction: int, retard: int, limit: float) -> Fit:
    """Maps that differ from the ceilings by at most `limit` (a share of the greatest values), or by the least
    found where that is more: see `off`. It is kept for the next call, so its arrays must not be changed.

    The ceilings are in the controller's units (whole numbers); reduction and retard are the greatest values.
    Axes grow one point at a time, each where it lowers the differences most. Ceilings that are higher by a
    whole number have the same maps, so much higher.
    """
    import numpy as np

    lowest = float(np.floor(min(ceilings.retard_from.min(), ceilings.reduction_from.min())))
    lines = (ceilings.retard_from, ceilings.reduction_from, ceilings.full)
    lifts = (tuple((line - lowest + _SOUGHT_AT).tolist()) for line in lines)
    found = _fit((tuple(ceilings.progress.tolist()), *lifts), reduction, retard, limit)
    return replace(found, lift=found.lift + int(lowest) - _SOUGHT_AT)


class _Search:
    """Axes for ceilings, one point more at each step; what was found is kept for other greatest values."""

    def __init__(self, lines: tuple[tuple[float, ...], ...], weights: tuple[float, float]) -> None:
        import numpy as np

        self.ceilings = Ceilings(*(np.array(line) for line in lines))
        lowest = np.floor(min(self.ceilings.retard_from.min(), self.ceilings.reduction_from.min()))
        self._rows = np.array([lowest, np.ceil(self.ceilings.full.max())])
        self._columns = self.ceilings.progress.copy()
        self._weights = weights
        self._grid = _Grid(self.ceilings, _steps(self.ceilings.progress, _SEARCH_STEPS))
        self._steps: list[tuple[float, Floats, Floats]] = []
        self._last: _Judged | None = None

    def steps(self) -> Iterator[tuple[float, Floats, Floats]]:
        """Each step's largest difference (a share), rows and columns."""
        at = 0
        while at < len(self._steps) or self._advance():
            yield self._steps[at]
            at += 1

    def _advance(self) -> bool:
        if self._last is not None:
            options = [
                (_judge(self._grid, *axes, self._weights).badness, i, axes)
                for i, axes in enumerate(_candidates(self.ceilings, self._rows, self._columns, self._last))
            ]
            if not options:
                return False
            _, _, (self._rows, self._columns) = min(options, key=lambda option: option[:2])
        self._last = _judge(self._grid, self._rows, self._columns, self._weights)
        self._steps.append((self._last.worst, self._rows, self._columns))
        return True


# The search is most of the time that a file takes to compile; a sweep varies something else in most files.
_search = functools.lru_cache(maxsize=16)(_Search)


@functools.lru_cache(maxsize=16)
def _fit(lines: tuple[tuple[float, ...], ...], reduction: int, retard: int, limit: float) -> Fit:
    import numpy as np

    search = _search(lines, (1.0 if reduction else 0.0, 1.0 if retard else 0.0))
    best = (np.inf, *next(search.steps())[1:])
    for worst, rows, columns in search.steps():
        if worst < best[0] - 1e-9:
            best = (worst, rows, columns)
        if worst <= limit:
            made = _made(search.ceilings, rows, columns, reduction, retard)
            if made.off <= limit:
                return made
    return _made(search.ceilings, best[1], best[2], reduction, retard)


@dataclass(frozen=True)
class _Judged:
    """How far maps are from the ceilings: the largest difference as a share, where it is, and a measure that
    falls with each of the large ones."""

    worst: float
    lift: float
    progress: float
    badness: float


def _judge(grid: _Grid, rows: Floats, columns: Floats, weights: tuple[float, float]) -> _Judged:
    import numpy as np

    cells = _cells(grid.ceilings, rows, columns)
    first, second, lifts = grid.differences(rows, columns, *cells)
    size = np.maximum(np.abs(first) * weights[0], np.abs(second) * weights[1])
    place = int(size.argmax())
    progress = float(grid.progress[place // size.shape[1]])
    return _Judged(float(size.flat[place]), float(lifts.flat[place]), progress, float((size**8).sum()))


def _candidates(
    ceilings: Ceilings, rows: Floats, columns: Floats, found: _Judged
) -> list[tuple[Floats, Floats]]:
    """Axes with one point more, at or near the place of the largest difference."""
    import numpy as np

    options = []
    if len(rows) < AXIS_POINTS:
        breaks = [float(value[0]) for value in ceilings.at(np.array([found.progress]))]
        for value in sorted({round(v) for v in (found.lift, _between(rows, found.lift), *breaks)}):
            if value not in rows:
                options.append((np.sort(np.append(rows, value)), columns))
    if 1 < len(columns) < AXIS_POINTS:
        near = [_between(columns, found.progress + step) for step in (-1, 0)]
        for value in sorted({round(v) for v in (found.progress, *near)}):
            if value not in columns:
                options.append((rows, np.sort(np.append(columns, value))))
    return options


def _between(axis: Floats, at: float) -> float:
    """The middle of the part of an axis in which a place lies."""
    import numpy as np

    if len(axis) == 1:
        return float(axis[0])
    index = int(np.clip(np.searchsorted(axis, at, side="right") - 1, 0, len(axis) - 2))
    return float(axis[index] + axis[index + 1]) / 2


def _made(ceilings: Ceilings, rows: Floats, columns: Floats, reduction: int, retard: int) -> Fit:
    """The maps in whole units, and how far they are from the ceilings."""
    import numpy as np

    shares = _cells(ceilings, rows, columns)
    cells = [np.floor(share * most + 0.5) for share, most in zip(shares, (reduction, retard), strict=True)]
    scaled = [c / most if most else c for c, most in zip(cells, (reduction, retard), strict=True)]
    corners = _crossings(ceilings, rows)
    grid = _Grid(ceilings, np.unique(np.concatenate([_steps(columns, _FINAL_STEPS), corners])))
    first, second, _ = grid.differences(rows, columns, scaled[0], scaled[1])
    off = [float(np.abs(d).max()) if most else 0.0 for d, most in ((first, reduction), (second, retard))]
    return Fit(
        rows.astype(np.int64),
        columns.astype(np.int64),
        cells[0].astype(np.int64),
        cells[1].astype(np.int64),
        off[0] * reduction,
        off[1] * retard,
        max(off),
    )
