"""The measure of the black box itself: few runs, few mutants, a small ensemble."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.blackbox.unit import Limits
from tests.mutation import black_box as box
from tests.tools import need

pytestmark = pytest.mark.slow


def test_mutants_and_named_bugs_are_found_by_edges(tmp_path: Path) -> None:
    need("gcc")
    wanted = ("clean_launch", "sensor_dropouts", "engine_curve")
    trials = [
        box.Trial(name, run, number, Limits(), more=60)
        for number, (name, run) in enumerate(box.traces())
        if name in wanted
    ]
    assert box.wrongly_called(trials, 3) == []
    numbers, _ = box.sample(40, 3)
    program = box.build(tmp_path)
    change, found = box.find_mutants(program, trials, numbers, lambda text: None)
    assert 10 < len(change) <= len(numbers)
    assert len(found) >= 0.4 * len(change)  # of all runs it is more: the page has the figures
    # A mutant of nothing is nothing: number 0 is the core as it is.
    assert box.find_mutants(program, trials, [0], lambda text: None) == ([], {})


def test_the_named_bugs_are_those_of_the_device_and_the_hazard_suite() -> None:
    names = set(box.named())
    assert {"hold-short", "peak-lost", "UsesAll", "NeverHidden", "DisarmsAtOnce"} <= names
    assert len(names) >= 24
