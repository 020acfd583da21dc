"""From numbers to pixels: scales and their ticks, and the points of a line that are worth drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.document.blocks import Series
from bench.document.columns import NONE, Column

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

_FINE = 10  # parts of a pixel to which a line is drawn
_MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True)
class Scale:
    """`low` lies at pixel `start`, `high` at pixel `stop`."""

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: Any) -> Any:
        """The pixel of one value or many."""
        return self.start + (value - self.low) * ((self.stop - self.start) / (self.high - self.low))

    def inside(self, value: float) -> bool:
        return self.low <= value <= self.high


def padded(low: float, high: float) -> tuple[float, float]:
    """A range that is none: (0, 1) where nothing is known, some room about a single value."""
    if not (math.isfinite(low) and math.isfinite(high) and low <= high):
        return 0.0, 1.0
    if high > low:
        return low, high
    room = abs(high) or 1.0
    return low - room / 2, high + room / 2


def ticks(low: float, high: float, most: int, whole: bool = False) -> list[tuple[float, str]]:
    """Round numbers within [low, high], about `most` of them at the utmost, with their texts."""
    rough = (high - low) / max(most, 1)
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * size for factor in (1, 2, 5, 10) if factor * size >= rough * (1 - 1e-9))
    if whole:
        step = max(step, 1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(i * step, number_text(i * step, decimals)) for i in range(first, last + 1)]


def number_text(value: float, decimals: int) -> str:
    """With so many decimals, a real minus sign, and none before a zero."""
    return f"{value:z.{decimals}f}".replace("-", _MINUS)


def axis_of(series: Series) -> Floats | None:
    """The places of a series on its axis; None where it has none."""
    columns = list(series.columns.values())
    if not columns:
        return None
    if series.along:
        along = series.columns[series.along]
        return np.asarray(series.first + along.numbers / along.per, dtype=np.float64)
    n = len(columns[0].numbers)
    return np.asarray(series.first + np.arange(n) * series.step, dtype=np.float64)


def part_of(axis: Floats, start: float, stop: float) -> slice:
    """What of an axis is seen in [start, stop], with one place more on either side."""
    first = int(np.searchsorted(axis, start, "left")) - 1
    last = int(np.searchsorted(axis, stop, "right")) + 1
    return slice(max(first, 0), min(last, len(axis)))


def values_of(column: Column, part: slice) -> Floats:
    """The values of a part of a column, NaN for its gaps."""
    numbers = np.asarray(column.numbers[part])
    return np.where(numbers == NONE, np.nan, numbers / column.per)


def worth_drawing(x: Floats, y: Floats) -> Places:
    """Which points [n] of a line are drawn: the first, the least, the greatest and the last of each column of
    pixels, so that a peak of one tick is seen; all where they are few. Gaps (NaN) are left out."""
    known = np.flatnonzero(np.isfinite(y))
    if len(known) == 0:
        return known
    column, values = np.floor(x[known]), y[known]
    starts = np.flatnonzero(np.diff(column, prepend=-np.inf))
    if len(known) <= 4 * len(starts):
        return known
    counts = np.diff(starts, append=len(known))
    found = [starts, starts + counts - 1]
    for extreme in (np.minimum, np.maximum):
        where = np.flatnonzero(values == np.repeat(extreme.reduceat(values, starts), counts))
        found.append(where[np.searchsorted(where, starts)])
    drawn: Places = known[np.unique(np.concatenate(found))]
    return drawn


def strokes(x: Floats, y: Floats, where: Places) -> list[Places]:
    """The drawn points in strokes without a gap between them. A gap narrower than a pixel is no gap where
    points are left out."""
    if len(where) == 0:
        return []
    gaps = np.concatenate(([0], np.cumsum(~np.isfinite(y))))
    missing = gaps[where[1:]] - gaps[where[:-1]]
    apart = missing > 0
    if len(where) < np.isfinite(y).sum():
        apart &= np.diff(x[where]) > 1
    return np.split(where, np.flatnonzero(apart) + 1)


def path_of(x: Floats, y: Floats, *, stepped: bool = False) -> str:
    """Path data of one stroke, relative, to a tenth of a pixel; points on the way between others are left
    out. A single point becomes a dash of one pixel."""
    if stepped:
        x, y = np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1]
    points = np.round(np.stack((x, y), axis=1) * _FINE).astype(np.int64)
    fewer = _thinner(points.tolist())
    if len(fewer) == 1:
        px, py = fewer[0]
        return f"M{_fine(px - 5)} {_fine(py)}h1"
    text = [f"M{_fine(fewer[0][0])} {_fine(fewer[0][1])}"]
    before = ""
    for (x0, y0), (x1, y1) in pairwise(fewer):
        dx, dy = x1 - x0, y1 - y0
        if dy == 0:
            before, now = "h", "h" + _fine(dx)
        elif dx == 0:
            before, now = "v", "v" + _fine(dy)
        else:
            second = _fine(dy)
            now = ("l" if before != "l" else "" if dx < 0 else " ") + _fine(dx)
            now += second if dy < 0 else " " + second
            before = "l"
        text.append(now)
    return "".join(text)


def _thinner(points: list[list[int]]) -> list[list[int]]:
    """The points of a line without those that lie within a step of the straight line between others."""
    found = [points[0]]
    steepest, flattest = math.inf, -math.inf
    last = points[0]
    for point in points[1:]:
        if point == last:
            continue
        dx, dy = point[0] - found[-1][0], point[1] - found[-1][1]
        slope = dy / dx if dx > 0 else math.nan
        if last is not found[-1] and not flattest <= slope <= steepest:
            found.append(last)
            steepest, flattest = math.inf, -math.inf
            dx, dy = point[0] - last[0], point[1] - last[1]
        if dx > 0:
            steepest, flattest = min(steepest, (dy + 1) / dx), max(flattest, (dy - 1) / dx)
        else:
            steepest, flattest = -math.inf, math.inf
        last = point
    if last is not found[-1]:
        found.append(last)
    return found


def _fine(value: int) -> str:
    """A number of parts of a pixel in pixels."""
    whole, part = divmod(abs(value), _FINE)
    text = f"{whole or ''}.{part}" if part else str(whole)
    return f"-{text}" if value < 0 else text
