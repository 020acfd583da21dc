"""Ceilings, the tuner's other way to say what the maps say, and the maps that come near them (M2).

At each progress point retard rises linearly with lift from 0 at `retard_from` to its greatest at `full`, and
reduction rises linearly from 0 at `reduction_from` to its greatest at `full`. Between the points the three
lifts move linearly with progress; outside them they stay. The maps are bilinear, so their lines of equal
reduction cannot follow a slanting ceiling exactly; rows and columns are put where they bring the two closest.
"""

from __future__ import annotations

import bisect
import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from controller.constants import AXIS_POINTS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_Axes = tuple[list[float], list[float]]  # rows and columns of a map

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

    def at(self, progress: Floats) -> Floats:
        """retard_from, reduction_from and full at any progress: float64[3, ...]."""
        import numpy as np

        lines = (self.retard_from, self.reduction_from, self.full)
        return np.array([np.interp(progress, self.progress, line) for line in lines])

    def shares(self, lift: Floats, progress: Floats) -> Floats:
        """Reduction and retard as shares 0..1 of their greatest values (lift and progress broadcast):
        float64[2, ...]."""
        return _shares(lift, *self.at(progress))


def _shares(lift: Floats, retard_from: Floats, reduction_from: Floats, full: Floats) -> Floats:
    import numpy as np

    starts = (reduction_from, retard_from)
    return _within(np.array([(lift - start) / (full - start) for start in starts]))


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
        self.ceilings = ceilings
        self.progress = places
        self.breaks = ceilings.at(places)
        self._at_breaks = _shares(self.breaks, *self.breaks)

    def differences(self, rows: Floats, columns: Floats, cells: Floats) -> Floats:
        """Map less ceiling of k maps at each place, at all of their rows and at the three breaks of the
        ceilings: float64[2, k, r + 3, places], reduction and retard.

        rows: float64[k, r], columns: float64[k, c], cells as shares: float64[2, k, r, c].
        """
        import numpy as np

        (maps, points), width, places = rows.shape, columns.shape[1], len(self.progress)
        column, across = _parts(columns, self.progress)
        row, down = _parts(rows, self.breaks.ravel())
        across, down = across[:, None], down.reshape(maps, 3, places)
        up, back = 1 - down, 1 - across
        found = np.empty((2, maps, points + 3, places))
        at_rows, at_breaks = found[:, :, :points], found[:, :, points:]
        # At a row the map is its cell; at a break it lies between those of two rows. Taken by numbers in
        # the flat array, which is much quicker than by several axes.
        first = np.arange(0, maps * points, points)[:, None, None]
        taken = (first + np.arange(points)[:, None]) * width + column[:, None]
        left, right = (_taken(cells, taken + step) for step in (0, min(1, width - 1)))
        at_rows[:] = left * back + right * across - _shares(rows[:, :, None], *self.breaks)
        taken = (first + row.reshape(down.shape)) * places + np.arange(places)
        left, right = (
            _taken(side, taken) * up + _taken(side, taken + places) * down for side in (left, right)
        )
        at_breaks[:] = left * back + right * across - self._at_breaks[:, None]
        return found


def _taken(pair: Floats, numbers: npt.NDArray[np.intp]) -> Floats:
    """Of both arrays of a pair the values with these numbers."""
    return pair.reshape(2, -1).take(numbers, axis=1)


def _parts(axes: Floats, at: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    """The point of each axis at or before places, and how far these lie towards the next point, 0..1.

    axes: float64[k, n], at: float64[a]; both float64[k, a].
    """
    import numpy as np

    points = axes.shape[1]
    index = (at[:, None] >= axes[:, None, :]).sum(axis=-1) - 1
    index = np.minimum(np.maximum(index, 0), max(points - 2, 0))
    if points == 1:
        return index, np.zeros(index.shape)
    number = np.arange(0, axes.size, points)[:, None] + index
    before = axes.take(number)
    return index, _within((at - before) / (axes.take(number + 1) - before))


def _cells(ceilings: Ceilings, rows: Floats, columns: Floats) -> Floats:
    """Shares of k maps, reduction and retard: float64[2, k, r, c]; rows: float64[k, r], columns:
    float64[k, c]."""
    return ceilings.shares(rows[:, :, None], columns[:, None, :])


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
        self._weights = weights
        self._grid = _Grid(self.ceilings, _steps(self.ceilings.progress, _SEARCH_STEPS))
        ends = [float(lowest), float(np.ceil(self.ceilings.full.max()))]
        self._steps = [self._judge([(ends, list(lines[0]))])[0]]

    def steps(self) -> Iterator[_Judged]:
        """Each step's axes and how far off they are."""
        at = 0
        while at < len(self._steps) or self._advance():
            yield self._steps[at]
            at += 1

    def _advance(self) -> bool:
        # Axes of one length are judged together, which is quicker; the first of equally good ones is taken.
        more = [self._judge(axes) for axes in _candidates(self._steps[-1]) if axes]
        if more:
            self._steps.append(min(itertools.chain(*more), key=lambda judged: judged.badness))
        return bool(more)

    def _judge(self, axes: Sequence[_Axes]) -> list[_Judged]:
        import numpy as np

        rows, columns = (np.array(axis) for axis in zip(*axes, strict=True))
        off = np.abs(self._grid.differences(rows, columns, _cells(self.ceilings, rows, columns)))
        sizes = np.maximum(off[0] * self._weights[0], off[1] * self._weights[1])
        sizes = np.ascontiguousarray(sizes.transpose(0, 2, 1)).reshape(len(axes), -1)
        badness = np.square(np.square(np.square(sizes))).sum(axis=1).tolist()
        found = []
        for number, (size, most) in enumerate(zip(sizes, sizes.argmax(axis=1).tolist(), strict=True)):
            place, at = divmod(most, rows.shape[1] + 3)
            breaks = self._grid.breaks[:, place].tolist()
            lift = [*axes[number][0], *breaks][at]
            progress = float(self._grid.progress[place])
            found.append(_Judged(*axes[number], float(size[most]), lift, progress, breaks, badness[number]))
        return found


# The search is most of the time that a file takes to compile; a sweep varies something else in most files.
_search = functools.lru_cache(maxsize=16)(_Search)


@functools.lru_cache(maxsize=16)
def _fit(lines: tuple[tuple[float, ...], ...], reduction: int, retard: int, limit: float) -> Fit:
    search = _search(lines, (1.0 if reduction else 0.0, 1.0 if retard else 0.0))
    best = next(search.steps())
    for step in search.steps():
        if step.worst < best.worst - 1e-9:
            best = step
        if step.worst <= limit:
            made = _made(search.ceilings, step, reduction, retard)
            if made.off <= limit:
                return made
    return _made(search.ceilings, best, reduction, retard)


@dataclass(frozen=True)
class _Judged:
    """Axes, and how far their maps are from the ceilings: the largest difference as a share, where it is, and
    a measure that falls with each of the large ones."""

    rows: list[float]
    columns: list[float]
    worst: float
    lift: float
    progress: float
    breaks: list[float]  # lifts of the ceilings at that progress
    badness: float


def _candidates(found: _Judged) -> tuple[list[_Axes], list[_Axes]]:
    """Axes with one more row, and with one more column, at or near the place of the largest difference."""
    rows, columns = found.rows, found.columns
    longer, wider = [], []
    if len(rows) < AXIS_POINTS:
        near = (found.lift, _between(rows, found.lift), *found.breaks)
        for value in sorted({float(round(v)) for v in near}.difference(rows)):
            longer.append((sorted([*rows, value]), columns))
    if 1 < len(columns) < AXIS_POINTS:
        near = (found.progress, *(_between(columns, found.progress + step) for step in (-1, 0)))
        for value in sorted({float(round(v)) for v in near}.difference(columns)):
            wider.append((rows, sorted([*columns, value])))
    return longer, wider


def _between(axis: list[float], at: float) -> float:
    """The middle of the part of an axis in which a place lies."""
    if len(axis) == 1:
        return axis[0]
    index = min(max(bisect.bisect_right(axis, at) - 1, 0), len(axis) - 2)
    return (axis[index] + axis[index + 1]) / 2


def _made(ceilings: Ceilings, axes: _Judged, reduction: int, retard: int) -> Fit:
    """The maps in whole units, and how far they are from the ceilings."""
    import numpy as np

    rows, columns = np.array(axes.rows), np.array(axes.columns)
    greatest = (reduction, retard)
    shares = _cells(ceilings, rows[None], columns[None])
    cells = [np.floor(share * most + 0.5) for share, most in zip(shares, greatest, strict=True)]
    scaled = np.array([c / (most or 1) for c, most in zip(cells, greatest, strict=True)])
    corners = _crossings(ceilings, rows)
    grid = _Grid(ceilings, np.unique(np.concatenate([_steps(columns, _FINAL_STEPS), corners])))
    worst = np.abs(grid.differences(rows[None], columns[None], scaled)).max(axis=(1, 2, 3)).tolist()
    off = [difference if most else 0.0 for difference, most in zip(worst, greatest, strict=True)]
    return Fit(
        rows.astype(np.int64),
        columns.astype(np.int64),
        cells[0][0].astype(np.int64),
        cells[1][0].astype(np.int64),
        off[0] * reduction,
        off[1] * retard,
        max(off),
    )
