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
_PART = 1 << 18
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
    """Round numbers within [low, high] with their texts: as many as there are of a step of 1, 2 or 5 times a
    power of ten, at most `most` (3 or more) of them."""
    size = 10.0 ** math.floor(math.log10((high - low) / most))
    for step in (1 * size, 2 * size, 5 * size, 10 * size, 20 * size):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first < most and (step >= 1 or not whole):
            break
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [(i * step, number_text(i * step, decimals)) for i in range(first, last + 1)]


def number_text(value: float, decimals: int) -> str:
    """With so many decimals, a real minus sign, and none before a zero."""
    return f"{value:z.{decimals}f}".replace("-", _MINUS)


class Axis:
    """The places of the numbers of a series."""

    def __init__(self, series: Series) -> None:
        columns = list(series.columns.values())
        self.first, self.step = series.first, series.step
        self.along: Floats | None = None
        if series.along:
            along = series.columns[series.along]
            self.along = series.first + np.asarray(along.numbers) / along.per
        self.n = len(columns[0].numbers) if columns else 0

    def at(self, places: Places | int) -> Floats:
        """Where numbers lie on the axis."""
        if self.along is not None:
            return np.asarray(self.along[places])
        return np.asarray(self.first + places * self.step, dtype=np.float64)

    @property
    def end(self) -> float:
        """Until where the last number holds."""
        return float(self.at(self.n - 1)) + self.step

    def part(self, start: float, stop: float) -> slice:
        """The numbers seen in [start, stop], and one more on either side."""
        if self.along is not None:
            first = int(np.searchsorted(self.along, start, "left"))
            last = int(np.searchsorted(self.along, stop, "right"))
        else:
            first = math.ceil((start - self.first) / self.step - 1e-6)
            last = math.floor((stop - self.first) / self.step + 1e-6) + 1
        low = min(max(first - 1, 0), self.n)
        return slice(low, max(low, min(last + 1, self.n)))


def values_of(column: Column, part: slice) -> Floats:
    """The values of a part of a column, NaN for its gaps."""
    numbers = np.asarray(column.numbers[part])
    values: Floats = numbers / column.per
    values[numbers == NONE] = np.nan
    return values


def worth_drawing(x: Floats, y: Floats) -> Places:
    """Which points [n] of a line are drawn, `x` rising in pixels: the least and the greatest of each column
    of pixels, so that a peak of one tick is seen, and the first and the last of all; all where they are few.
    Gaps (NaN) are left out."""
    known = np.flatnonzero(np.isfinite(y))
    if len(known) == 0:
        return known
    if len(known) < len(y):
        x, y = x[known], y[known]
    columns = np.arange(math.floor(x[0]), math.floor(x[-1]) + 1)
    starts = np.unique(np.searchsorted(x, columns))
    if len(y) <= 2 * len(starts):
        return known
    found = [np.array([0, len(y) - 1])]
    # Some columns at a time: an hour's line has millions of points.
    for some in np.array_split(starts, min(len(starts), len(y) // _PART + 1)):
        first = int(some[0])
        after = int(np.searchsorted(starts, some[-1], "right"))
        part = y[first : starts[after] if after < len(starts) else None]
        counts = np.diff(some - first, append=len(part))
        for extreme in (np.minimum, np.maximum):
            where = np.flatnonzero(part == np.repeat(extreme.reduceat(part, some - first), counts))
            found.append(first + where[np.searchsorted(where, some - first)])
    drawn: Places = known[np.unique(np.concatenate(found))]
    return drawn


def gaps_after(x: Floats, y: Floats, where: Places) -> Places:
    """Of drawn points those after which the line has a gap, as places in `where`. A gap narrower than a pixel
    is none where points are left out."""
    known = np.isfinite(y)
    if known.all():
        return np.empty(0, np.intp)
    missing = np.diff(where) - 1
    if len(where) < np.count_nonzero(known):
        lost = np.concatenate(([0], np.cumsum(~known)))
        missing = (lost[where[1:]] - lost[where[:-1]]) * (np.diff(x[where]) > 1)
    return np.flatnonzero(missing > 0)


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
