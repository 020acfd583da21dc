"""The verdict: the right firmware is never called different, a planted bug is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.blackbox.judge import FIRST, KIND, LASTS, Judge, cuts
from bench.blackbox.played import played
from bench.blackbox.stories import STORIES, story
from bench.blackbox.unit import Edges, Limits, Unit, reference
from bench.device.bugs import BUGS
from tests.blackbox_support import MORE, edges_of_core, image, judge_of_square, square

LIMITS = Limits()
UNITS = st.builds(
    Unit,
    phase=st.floats(0, 1, exclude_max=True),
    gain=st.floats(1 - LIMITS.gain_percent / 100, 1 + LIMITS.gain_percent / 100),
    offset=st.floats(-LIMITS.offset, LIMITS.offset),
    drift=st.floats(-LIMITS.drift_ppm * 1e-6, LIMITS.drift_ppm * 1e-6),
    noise=st.integers(0, LIMITS.noise),
    jitter_us=st.floats(0, LIMITS.jitter_us),
    delay_us=st.floats(0, LIMITS.delay_us),
    carried=st.floats(0, 1),
    seed=st.integers(0, 1 << 30),
)


@settings(max_examples=30, deadline=None)
@given(UNITS)
def test_the_right_firmware_is_never_called_different(unit: Unit) -> None:
    assert not judge_of_square().judge(reference(square(), unit)).found


@pytest.mark.slow
@pytest.mark.parametrize("name", STORIES)
def test_the_right_firmware_is_never_called_different_in_any_made_run(name: str) -> None:
    run = played(story(name, image()), image())
    judge = Judge(run, LIMITS)
    for seed in range(40):
        assert not judge.judge(reference(run, Unit.drawn(LIMITS, 50_000 + seed))).found


@pytest.mark.parametrize("bug", ["peak-lost", pytest.param("table-edge", marks=pytest.mark.slow)])
def test_a_planted_bug_is_called_different(bug: str) -> None:
    name = "square" if bug == "peak-lost" else "out-of-sight"
    run = played(story(name, image()), image())
    judge = Judge(run, LIMITS, more=MORE)
    found = [
        bool(judge.judge(edges_of_core(BUGS[bug](), Unit.drawn(LIMITS, seed), run)).found) for seed in (1, 2)
    ]
    assert all(found)


def test_a_unit_beyond_what_is_declared_is_called_different() -> None:
    unit = Unit(offset=60.0, noise=2)  # 7 mm of the demo sensor: the declared offset is 1 count
    assert judge_of_square().judge(reference(square(), unit)).found


def changed(edges: Edges, **arrays: np.ndarray) -> Edges:
    return replace(edges, **arrays)


def test_the_wrong_kind_and_an_edge_too_many_are_told() -> None:
    right = reference(square(), Unit())
    at = int(np.flatnonzero(~right.fuel)[5])
    fuel = right.fuel.copy()
    fuel[at] = True  # both are to be off, as calibrated
    one = judge_of_square().judge(changed(right, fuel=fuel)).found[0]
    assert (one.channel, one.event) == (KIND, at)
    stray = np.zeros(len(fuel), dtype=bool)
    stray[7] = True
    assert judge_of_square().judge(changed(right, stray=stray)).found[0].event == 7


def test_one_late_spark_and_one_cut_too_long_are_told_where_they_are() -> None:
    right = reference(square(), Unit())
    late = right.spark_us.copy()
    late[100] += 0.1 * 60e6 / 6000  # 36 degrees
    found = judge_of_square().judge(changed(right, spark_us=late)).found
    assert [(one.channel.name, one.event) for one in found] == [("spark", 100)]
    assert found[0].value == pytest.approx(36, abs=1)
    last = int(cuts(square(), right)[0][0][1])
    longer = slice(last + 1, last + 81)
    fuel, spark = right.fuel.copy(), right.spark.copy()
    fuel[longer] = spark[longer] = False
    found = judge_of_square().judge(changed(right, fuel=fuel, spark=spark)).found
    assert LASTS in [one.channel for one in found]


def test_an_ensemble_grows_before_anything_is_called_different() -> None:
    run = square()
    judge = Judge(run, LIMITS, seed=3, more=20)
    assert not judge.judge(reference(run, Unit())).found
    assert judge.envelope.members == FIRST
    nothing = np.ones(len(run.crank), dtype=bool)
    assert judge.judge(changed(reference(run, Unit()), fuel=nothing, spark=nothing)).found
    assert judge.envelope.members == FIRST + 20
