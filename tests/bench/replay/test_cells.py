"""How long a run was in each cell of the maps, and what that took."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.calibration import compile_text, load
from bench.desk.convert import convert
from bench.replay.cells import cells, nearest
from tests.desk_support import TRACES, recorded


def test_every_tick_is_in_one_cell_and_all_that_was_taken_is_there() -> None:
    cal = compile_text(convert(load(TRACES / "demo.toml")).text, Path("x.toml"))
    s = recorded("second_lift").replay(cal)
    first, stop = 1000, 4000
    found = cells(s, first, stop)
    assert np.sum(found["ms"]) == pytest.approx((stop - first) * cal.tick_us / 1000, abs=5)
    taken = s.ticks["reduction"][first:stop].sum() / 1000 * cal.tick_us / 1000
    assert np.sum(found["taken_ms"]) == pytest.approx(taken, abs=5)
    assert taken > 50
    # one by one, slowly
    rows, columns = cal.row("lift_axis"), cal.row("progress_axis")
    slow = np.zeros((len(rows), len(columns)))
    for tick in range(first, stop):
        lift, progress = int(s.ticks["entry"][tick]), int(s.ticks["progress"][tick])
        r = min(range(len(rows)), key=lambda i: (abs(rows[i] - lift), -i))
        c = min(range(len(columns)), key=lambda i: (abs(columns[i] - progress), -i))
        slow[r, c] += cal.tick_us / 1000
    assert np.abs(slow - np.array(found["ms"])).max() < 0.06


def test_the_nearest_point_of_an_axis() -> None:
    assert nearest([0, 10, 40], np.array([-5, 4, 5, 24, 25, 99])).tolist() == [0, 0, 1, 1, 2, 2]
    assert nearest([7], np.array([1, 9])).tolist() == [0, 0]
