"""The statistics of real range sensors' recordings that the suite's failures are shaped after.

Outside truth: the recordings themselves (sources in tests/hazards/README.md); the run lengths are checked
against itertools.groupby.
"""

from __future__ import annotations

import itertools
import tomllib
from pathlib import Path

import numpy as np
import pytest
from numpy.random import RandomState

from tests.hazards import recordings
from tests.hazards.recordings import FOLDER, run_lengths

with Path(__file__).with_name("recorded.toml").open("rb") as file:
    RECORDED: dict[str, dict[str, float]] = tomllib.load(file)


@pytest.mark.slow
@pytest.mark.parametrize("sensor", RECORDED)
@pytest.mark.skipif(not FOLDER.is_dir(), reason="the recordings of range sensors are not here")
def test_the_figures_are_those_of_the_recordings(sensor: str) -> None:
    found = getattr(recordings, sensor)()
    assert found == pytest.approx(RECORDED[sensor], abs=0.05)


def test_run_lengths_are_those_of_groupby() -> None:
    marked = RandomState(1).random_sample((200, 3)) < 0.6
    expected = [
        len(list(group)) for column in marked.T for is_marked, group in itertools.groupby(column) if is_marked
    ]
    assert run_lengths(marked).tolist() == expected
    assert run_lengths(np.zeros((5, 2), dtype=bool)).tolist() == []
