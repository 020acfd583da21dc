"""The chapters go where something is decided: out of sight, faults, learning, return."""

from __future__ import annotations

import numpy as np

from bench.conformance.cases import Case
from bench.conformance.inputs import make_inputs
from bench.random import Random
from bench.replay.run import INPUT_TYPES


def test_inputs_have_the_types_of_a_replay_and_are_the_same_for_the_same_seed() -> None:
    case = Case(21, 300)
    first, second = (make_inputs(Random(4), case.values, 300) for _ in range(2))
    for name, kind in {"tick": np.uint16, **INPUT_TYPES}.items():
        assert first[name].dtype == kind
        assert first[name].shape == (300,)
        assert (first[name] == second[name]).all()


def test_longer_inputs_begin_as_shorter_ones() -> None:
    case, shorter = Case(21, 300), Case(21, 120)
    assert (case.run[1]["counts"][:120] == shorter.run[1]["counts"]).all()


def test_most_cases_reach_what_takes_long_to_reach() -> None:
    """Shares of 40 cases; each was reached by a few of a hundred made-up runs of the twin."""
    cases = [Case(seed, 400) for seed in range(1, 41)]
    outputs = [case.right.outputs for case in cases]
    assert sum(case.rests for case in cases) >= 36
    assert sum((o["faults"] & 16).any() for o in outputs) >= 12  # out of sight
    assert sum((o["faults"] & 8).any() for o in outputs) >= 12  # stuck
    assert sum((o["rest"] != o["rest"][0]).any() for o in outputs) >= 3  # a rest height that was learned
    assert sum((o["reason"] == 3).any() for o in outputs) >= 12  # kept
