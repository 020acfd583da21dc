"""The readings of a height sensor from a recording, and the plateaus in it: where the height stands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from bench.errors import UserError
from bench.trace.spans import spans

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.model import Trace

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_BLOCK_S = 0.02  # readings closer together than this are taken as one to find plateaus
_WINDOW_S = 0.25
_STANDS_S = 0.5  # a shorter stand is none
STANDS_KMH = 0.5
_STANDS_MM = 2.0  # so much may the height wander from one window to the next and still stand
_STANDS_MOST_MM = 10.0  # what wanders further moves, however noisy it is
_LEAST_ROWS = 20
_SPREAD = 5.0  # spreads beyond which a reading is no noise
_LOST_MM = 10.0  # a sensor that sees nothing jumps there; one that comes to its end gets there step by step
_LOST_TIMES = 3  # once may be a spike
_LOST_S = 0.1  # that long it is none


@dataclass(frozen=True)
class Plateau:
    """A stretch, rows [start, stop), in which the height stands: its median reading and height (mm)."""

    start: int
    stop: int
    reading: float
    height_mm: float


@dataclass(frozen=True)
class Recording:
    """A recording's readings, float64[n] in `unit` ("count" or "mm"), and what they are in mm by the curve of
    the calibration; at times `time_s` that lie `row_s` apart. `speed_kmh` is NaN where not known.

    `nothing` is what the sensor reads when it sees nothing (None: never seen), `good` (bool[n]) tells where
    it reads something else.
    """

    path: Path
    digest: str
    unit: str
    time_s: Floats
    reading: Floats
    height_mm: Floats
    speed_kmh: Floats
    row_s: float
    nothing: float | None
    good: Bools
    plateaus: list[Plateau]

    @property
    def stands(self) -> bool:
        """True where nothing but one plateau was recorded."""
        stood = sum(one.stop - one.start for one in self.plateaus)
        return len(self.plateaus) == 1 and stood >= 0.8 * len(self.time_s)


def take(trace: Trace, calibration: CalibrationFile) -> Recording:
    """The readings of a trace's height. UserError where there are too few."""
    channel = trace.channels["height"]
    rows = channel.valid
    if np.count_nonzero(rows) < _LEAST_ROWS:
        what = f"has {np.count_nonzero(rows)} readings of the height"
        raise UserError(what, trace.path, f"{_LEAST_ROWS} or more")
    time, reading = trace.time_s[rows], channel.values[rows]
    unit = channel.unit
    if unit == "V":
        reading, unit = calibration.volts_to_counts(reading), "count"
    height = calibration.counts_to_height(reading) if unit == "count" else reading
    speed = trace.channels.get("speed")
    known = speed.values[rows] if speed is not None else np.full(len(time), np.nan)
    nothing = find_nothing(time, reading, height)
    good = reading != nothing if nothing is not None else np.ones(len(reading), np.bool_)
    row_s = float(np.median(np.diff(time)))
    plateaus = []
    for one in find_plateaus(time, reading, height, good):
        # On a car that drives the road moves the height, and not the sensor's noise.
        drives = known[one.start : one.stop] > STANDS_KMH
        stop = one.start + int(drives.argmax()) if drives.any() else one.stop
        if time[stop - 1] - time[one.start] >= _STANDS_S and stop > one.start:
            plateaus.append(_plateau(one.start, stop, reading, height, good))
    return Recording(
        trace.path, trace.digest, unit, time, reading, height, known, row_s, nothing, good, plateaus
    )  # fmt: skip


def spread(values: npt.ArrayLike, least: float = 0.0) -> tuple[float, Bools]:
    """(standard deviation without outliers, which of the values are none). Outliers lie further than five
    times 1.4826 medians of the absolute deviation (that of a normal distribution) from the median, and
    further than `least`."""
    given = np.asarray(values, dtype=np.float64)
    if len(given) < 2:
        return 0.0, np.ones(len(given), np.bool_)
    off = np.abs(given - np.median(given))
    kept = off <= max(_SPREAD * 1.4826 * float(np.median(off)), least)
    return float(np.std(given[kept])), kept


def find_nothing(time: Floats, reading: Floats, height: Floats) -> float | None:
    """What the sensor reads when it sees nothing: its greatest or least reading (one in a hundred may lie
    beyond), again and again or for 0.1 s the very same, into which and out of which it jumps. None where that
    was not seen."""
    steps = np.abs(np.diff(height))
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    found: list[tuple[int, float]] = []
    values, counts = np.unique(reading, return_counts=True)
    few = np.searchsorted(np.cumsum(counts), [0.01 * len(reading), 0.99 * len(reading)], side="left")
    ends = (slice(0, int(few[0]) + 1), slice(int(few[1]), None))
    for end in (float(values[part][counts[part].argmax()]) for part in ends):
        there = reading == end
        edges = np.flatnonzero(there[1:] != there[:-1])
        times = spans(there)
        longest = max(float(time[stop - 1] - time[start]) for start, stop in times)
        if not len(edges) or (len(times) < _LOST_TIMES and longest < _LOST_S):
            continue
        if np.median(steps[edges]) > max(_LOST_MM, 10 * usual):
            found.append((int(np.count_nonzero(there)), end))
    return max(found)[1] if found else None


def find_plateaus(time: Floats, reading: Floats, height: Floats, good: Bools) -> list[Plateau]:
    """Where the height (mm) stands for half a second or more, in order: medians of a quarter of a second
    before and after each moment differ by no more than 2 mm, or by what the noise alone makes of them, up to
    10 mm."""
    rows = np.flatnonzero(good)
    if len(rows) < _LEAST_ROWS:
        return []
    row_s = float(np.median(np.diff(time[rows])))
    size = max(1, round(_BLOCK_S / row_s))
    blocks = len(rows) // size
    at = rows[: blocks * size].reshape(blocks, size)
    level = np.median(height[at], axis=1)
    wide = max(3, round(_WINDOW_S / (size * row_s)))
    if blocks < 2 * wide:
        return []
    medians = np.median(sliding_window_view(level, wide), axis=1)
    step = np.abs(medians[wide:] - medians[:-wide])  # of the blocks around block i + wide
    noise = 1.4826 * float(np.median(np.abs(np.diff(level)))) / np.sqrt(2)
    limit = min(max(_STANDS_MM, _SPREAD * noise / np.sqrt(wide)), _STANDS_MOST_MM)
    # At either end of the recording the windows do not fit; what holds beside it holds there.
    still = np.concatenate((np.repeat(step[:1], wide), step, np.repeat(step[-1:], wide - 1))) <= limit
    found: list[Plateau] = []
    for begin, end in spans(still):
        start, stop = int(at[begin, 0]), int(at[end - 1, -1]) + 1
        if time[stop - 1] - time[start] < _STANDS_S:
            continue
        found.append(_plateau(start, stop, reading, height, good))
        if len(found) > 1 and abs(found[-1].height_mm - found[-2].height_mm) <= limit:
            found[-2:] = [_plateau(found[-2].start, stop, reading, height, good)]
    return found


def _plateau(start: int, stop: int, reading: Floats, height: Floats, good: Bools) -> Plateau:
    part = slice(start, stop)
    kept = good[part]
    return Plateau(
        start, stop, float(np.median(reading[part][kept])), float(np.median(height[part][kept]))
    )  # fmt: skip
