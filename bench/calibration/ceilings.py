"""Ceilings, the tuner's other way to say what the maps say, and the maps that come near them (M2).

At each progress point retard rises linearly with lift from 0 at `retard_from` to its greatest at `full`, and
reduction rises linearly from 0 at `reduction_from` to its greatest at `full`. Between the points the three
lifts move linearly with progress; outside them they stay. The maps are bilinear, so their lines of equal
reduction cannot follow a slanting ceiling exactly; rows and columns are put where they bring the two closest.
"""

from __future__ import annotations

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
        self._breaks = np.stack(ceilings.at(places), axis=1)
        self._lines = [line[:, None] for line in ceilings.at(places)]

    def differences(
        self, rows: Floats, columns: Floats, reduction: Floats, retard: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Map less ceiling for reduction and retard of k maps, float64[k, places, lifts], and those lifts.

        rows: float64[k, r], columns: float64[k, c], reduction and retard as shares: float64[k, r, c].
        """
        import numpy as np

        maps, places = len(rows), len(self.progress)
        at_rows = np.broadcast_to(rows[:, None, :], (maps, places, rows.shape[1]))
        at_breaks = np.broadcast_to(self._breaks, (maps, *self._breaks.shape))
        lifts = np.concatenate([at_rows, at_breaks], axis=2)
        row, down = _parts(rows, lifts)
        column, across = _parts(columns, np.broadcast_to(self.progress[:, None], (maps, places, 1)))
        below = np.minimum(row + 1, rows.shape[1] - 1)
        beside = np.minimum(column + 1, columns.shape[1] - 1)
        number = np.arange(maps)[:, None, None]
        exact = _shares(lifts, *self._lines)
        found = []
        for cells, wanted in ((reduction, exact[0]), (retard, exact[1])):
            left = cells[number, row, column] * (1 - down) + cells[number, below, column] * down
            right = cells[number, row, beside] * (1 - down) + cells[number, below, beside] * down
            found.append(left * (1 - across) + right * across - wanted)
        return found[0], found[1], lifts


def _parts(axes: Floats, at: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    """The point of each axis at or before places, and how far these lie towards the next point, 0..1.

    axes: float64[k, n], at: float64[k, a, b].
    """
    import numpy as np

    points = axes.shape[1]
    index = (at[..., None] >= axes[:, None, None, :]).sum(axis=-1) - 1
    index = np.minimum(np.maximum(index, 0), max(points - 2, 0))
    if points == 1:
        return index, np.zeros_like(at)
    number = np.arange(len(axes))[:, None, None]
    before = axes[number, index]
    return index, _within((at - before) / (axes[number, index + 1] - before))


def _cells(ceilings: Ceilings, rows: Floats, columns: Floats) -> tuple[Floats, Floats]:
    """Shares of k maps, both float64[k, r, c]; rows: float64[k, r], columns: float64[k, c]."""
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
        ends = np.array([lowest, np.ceil(self.ceilings.full.max())])
        self._steps = [self._judge([(ends, self.ceilings.progress)])[0]]

    def steps(self) -> Iterator[_Judged]:
        """Each step's axes and how far off they are."""
        at = 0
        while at < len(self._steps) or self._advance():
            yield self._steps[at]
            at += 1

    def _advance(self) -> bool:
        # Axes of one length are judged together, which is quicker; the first of equally good ones is taken.
        more = [self._judge(axes) for axes in _candidates(self.ceilings, self._steps[-1]) if axes]
        if more:
            self._steps.append(min(itertools.chain(*more), key=lambda judged: judged.badness))
        return bool(more)

    def _judge(self, axes: Sequence[tuple[Floats, Floats]]) -> list[_Judged]:
        import numpy as np

        rows, columns = (np.stack(axis) for axis in zip(*axes, strict=True))
        cells = _cells(self.ceilings, rows, columns)
        first, second, lifts = self._grid.differences(rows, columns, *cells)
        sizes = np.maximum(np.abs(first) * self._weights[0], np.abs(second) * self._weights[1])
        found = []
        for number, size in enumerate(sizes):
            place = int(size.argmax())
            progress = float(self._grid.progress[place // size.shape[1]])
            lift = float(lifts[number].flat[place])
            badness = float((size**8).sum())
            found.append(_Judged(*axes[number], float(size.flat[place]), lift, progress, badness))
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

    rows: Floats
    columns: Floats
    worst: float
    lift: float
    progress: float
    badness: float


def _candidates(ceilings: Ceilings, found: _Judged) -> tuple[list[tuple[Floats, Floats]], ...]:
    """Axes with one more row, and with one more column, at or near the place of the largest difference."""
    import numpy as np

    rows, columns = found.rows, found.columns
    longer, wider = [], []
    if len(rows) < AXIS_POINTS:
        breaks = [float(value[0]) for value in ceilings.at(np.array([found.progress]))]
        for value in sorted({round(v) for v in (found.lift, _between(rows, found.lift), *breaks)}):
            if value not in rows:
                longer.append((np.sort(np.append(rows, value)), columns))
    if 1 < len(columns) < AXIS_POINTS:
        near = [_between(columns, found.progress + step) for step in (-1, 0)]
        for value in sorted({round(v) for v in (found.progress, *near)}):
            if value not in columns:
                wider.append((rows, np.sort(np.append(columns, value))))
    return longer, wider


def _between(axis: Floats, at: float) -> float:
    """The middle of the part of an axis in which a place lies."""
    import numpy as np

    if len(axis) == 1:
        return float(axis[0])
    index = int(np.clip(np.searchsorted(axis, at, side="right") - 1, 0, len(axis) - 2))
    return float(axis[index] + axis[index + 1]) / 2


def _made(ceilings: Ceilings, axes: _Judged, reduction: int, retard: int) -> Fit:
    """The maps in whole units, and how far they are from the ceilings."""
    import numpy as np

    rows, columns = axes.rows, axes.columns
    shares = _cells(ceilings, rows[None], columns[None])
    cells = [np.floor(share * most + 0.5) for share, most in zip(shares, (reduction, retard), strict=True)]
    scaled = [c / most if most else c for c, most in zip(cells, (reduction, retard), strict=True)]
    corners = _crossings(ceilings, rows)
    grid = _Grid(ceilings, np.unique(np.concatenate([_steps(columns, _FINAL_STEPS), corners])))
    first, second, _ = grid.differences(rows[None], columns[None], scaled[0], scaled[1])
    off = [float(np.abs(d).max()) if most else 0.0 for d, most in ((first, reduction), (second, retard))]
    return Fit(
        rows.astype(np.int64),
        columns.astype(np.int64),
        cells[0][0].astype(np.int64),
        cells[1][0].astype(np.int64),
        off[0] * reduction,
        off[1] * retard,
        max(off),
    )
