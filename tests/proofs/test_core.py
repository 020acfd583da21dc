"""The C core's translation: equal to the compiled core, and unequal where one of them has a fault."""

from __future__ import annotations

import pytest

from tests.proofs import faults
from tests.proofs.core import Core
from tests.proofs.symbolic import NotProved
from tests.proofs.translated import differences
from tests.tools import need_core


def test_the_translation_does_what_the_compiled_core_does() -> None:
    need_core()
    assert differences(1, ticks=40) == 40


@pytest.mark.slow
def test_the_translation_does_what_the_compiled_core_does_in_many_cases() -> None:
    need_core()
    core = Core()
    assert sum(differences(seed, core=core) for seed in range(25)) == 25 * 150


@pytest.mark.slow
@pytest.mark.parametrize(
    "text", ["if (l->hold_left > 0) {", "-(-rest >> 12)", "int32_t change = height - h->good;"]
)
def test_a_core_with_a_fault_is_not_equal(text: str) -> None:
    need_core()
    module = {"if": "latch", "-(": "lift", "in": "height"}[text[:2]]
    other = text.replace("> 0", "> 1").replace("-(-rest", "(rest").replace("h->good", "h->good + 1")
    core = Core((module, text, other))
    with pytest.raises(NotProved):
        for seed in range(25):
            differences(seed, core=core)


def test_a_fault_must_stand_in_the_source() -> None:
    fault = faults.IN_CORE[0]
    with pytest.raises(ValueError, match=r"times in fixed\.c"):
        Core((fault.module, fault.text + "?", fault.other))
