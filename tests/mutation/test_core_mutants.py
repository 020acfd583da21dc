"""Mutants of the C core: all in one program, each on when it is asked for; the conformance set finds them."""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path

import pytest

from bench.conformance.chosen_set import conformance_set
from bench.conformance.images import changed_images
from tests.mutation.conformance import (
    BEGIN,
    EQUAL,
    LEAST_PERCENT,
    PAGE,
    coverage,
    files_table,
    listed,
    measure,
)
from tests.mutation.core_mutants import Mutant, all_mutants
from tests.mutation.core_run import build, meet
from tests.tools import need

NAMED = (
    # function, the line's beginning, before, after: one of each kind, by its meaning
    (
        "lift_command_ask",
        "if (reduction >",
        "reduction > c->asked_reduction",
        "(reduction) >= (c->asked_reduction)",
    ),
    ("watch_stuck", "} else if (car_speed", "car_speed <= c->stuck_speed", "(car_speed) < (c->stuck_speed)"),
    ("lift_lift_learn", "l->learn_sum +=", "l->learn_sum += offset", ""),
    ("follow", "if (l->landing", "l->landing && (demand > 0)", "(l->landing)"),
    (
        "lift_build",
        "",
        "c->engine_retard",
        "c->engine_reduction",
    ),
)


def test_there_are_many_of_every_kind_and_in_every_file() -> None:
    source, mutants = all_mutants()
    assert [mutant.number for mutant in mutants] == list(range(1, len(mutants) + 1))
    assert len(mutants) > 3000
    kinds = Counter(mutant.kind for mutant in mutants)
    assert set(kinds) == {
        "relation", "arithmetic", "logic", "number", "name", "call", "condition", "left out", "order",
    }  # fmt: skip
    assert {mutant.file for mutant in mutants} == {
        "events.c", "fixed.c", "height.c", "image.c", "latch.c", "lift.c", "maps.c", "progress.c",
        "requests.c", "step.c",
    }  # fmt: skip
    assert not any("digest" in mutant.function for mutant in mutants)
    for mutant in mutants[::50]:
        assert f"== {mutant.number} ?" in source or f"{mutant.number})" in source


def found(wanted: tuple[str, str, str, str]) -> Mutant:
    function, begin, was, becomes = wanted
    fitting = [
        m for m in all_mutants()[1]
        if (m.function, m.was, m.becomes) == (function, was, becomes) and m.text.startswith(begin)
    ]  # fmt: skip
    assert fitting, wanted
    return fitting[0]


def test_what_is_listed_as_equal_is_a_mutant_and_says_why() -> None:
    assert listed(all_mutants()[1])[1] == []
    for table in tomllib.loads(EQUAL.read_text(encoding="utf-8"))["equal"]:
        assert len(table["why"].split()) > 3


@pytest.mark.slow
def test_the_set_finds_enough_of_them_and_runs_every_branch(tmp_path: Path) -> None:
    """What the set says of its strength, and what the page says, is what is measured."""
    need("gcc")
    of_set = conformance_set()
    program = build(tmp_path)
    images = changed_images(of_set.cases[0])
    assert meet(program, of_set.cases, images, [0])[0] == []
    strength = measure(of_set, program)
    assert strength.percent >= LEAST_PERCENT
    assert (len(strength.counted) - len(strength.missed), len(strength.counted)) == (
        of_set.found,
        of_set.mutants,
    )
    for wanted in NAMED:
        assert strength.found[found(wanted).number], wanted
    page = PAGE.read_text(encoding="utf-8").split(BEGIN)[1]
    for row in files_table(strength):
        assert f"| {' | '.join(row[:3])} |" in page
    assert f"{of_set.found} of {of_set.mutants} mutants found" in page
    assert [place for file in coverage(of_set) for place in file.missed] == []
