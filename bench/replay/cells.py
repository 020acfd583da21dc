"""When was the run in a cell of the maps, and what did it take there? Each tick is of the cell whose lift and
progress are nearest to what the maps were entered with: the lift with look-ahead.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.document.message import thinned
from controller.constants import FULL

if TYPE_CHECKING:
    from bench.replay.findings import Replay

Ints = npt.NDArray[np.int64]


def cells(s: Replay, first: int, stop: int) -> dict[str, Any]:
    """Of the ticks [first, stop): ms in each cell and ms of full torque taken there, both [lifts][progress
    points], and the run's path over the maps in the file's units."""
    cal, built = s.calibration, s.calibration.built
    part = slice(first, stop)
    entry, progress = s.ticks["entry"][part], s.ticks["progress"][part]
    rows, columns = cal.row("lift_axis"), cal.row("progress_axis")
    row, column = nearest(rows, entry), nearest(columns, progress)
    place, size = row * len(columns) + column, len(rows) * len(columns)
    ms = 1000 * s.tick_s
    there = ms * np.bincount(place, minlength=size)
    taken = ms * np.bincount(place, s.ticks["reduction"][part] / FULL, minlength=size)
    kept = thinned(entry)
    shape = (len(rows), len(columns))
    return {
        "ms": np.round(there, 1).reshape(shape).tolist(),
        "taken_ms": np.round(taken, 1).reshape(shape).tolist(),
        "p": np.round(progress[kept] * cal.progress_step, 2).tolist(),
        "v": np.round(entry[kept] / 16 / built.lift_size, 2).tolist(),
    }


def cells_of_runs(s: Replay) -> dict[str, Any] | None:
    """The same of all runs together, with the path of the first; None where there was none."""
    if not s.runs:
        return None
    first, *others = (cells(s, start, stop) for start, stop in s.runs)
    for key in ("ms", "taken_ms"):
        first[key] = np.round(sum(np.array(one[key]) for one in (first, *others)), 1).tolist()
    return first


def nearest(axis: list[int], at: npt.NDArray[Any]) -> Ints:
    """The index of the point of a rising axis that is nearest to each place; of two the higher."""
    points = np.asarray(axis, float)
    middles = (points[:-1] + points[1:]) / 2
    return np.searchsorted(middles, at, side="right").astype(np.int64)
