"""The C core's translation: equal to the compiled core, and unequal where one of them has a fault."""

from __future__ import annotations

import subprocess

import pytest

from controller.image import FIELDS
from tests.proofs import faults
from tests.proofs.core import CORE, FILES, Core, Translation
from tests.proofs.symbolic import NotProved
from tests.proofs.translated import TICKS, differences, seeds
from tests.tools import need, need_core


@pytest.mark.slow
def test_the_translation_does_what_the_compiled_core_does() -> None:
    need_core()
    need("gcc")
    assert differences(seeds(1)[0], ticks=60) == 60


@pytest.mark.slow
def test_the_translation_does_what_the_compiled_core_does_in_many_cases() -> None:
    need_core()
    need("gcc")
    core = Core()
    assert sum(differences(seed, core=core) for seed in seeds(6)) == 6 * TICKS


@pytest.mark.slow
@pytest.mark.parametrize(
    "text", ["l->hold_left -= 1;", "-(-rest >> 12)", "int32_t change = height - h->good;"]
)
def test_a_core_with_a_fault_is_not_equal(text: str) -> None:
    need_core()
    need("gcc")
    module = {"l-": "latch", "-(": "lift", "in": "height"}[text[:2]]
    other = text.replace("-= 1", "-= 2").replace("-(-rest", "(rest").replace("height -", "height +")
    core = Core((module, text, other))
    with pytest.raises(NotProved):
        for seed in seeds(6):
            differences(seed, core=core)


@pytest.mark.rule("I1")
def test_the_cores_ranges_are_the_references() -> None:
    """The proofs take the ranges of fields from the reference, for the core too."""
    need("gcc")
    image = Translation("image")
    kinds = {"I": "CODE_uint32_t", "H": "CODE_uint16_t", "h": "CODE_int16_t"}
    expected = [
        [image.constants[kinds[code]], count, least, greatest] for _, code, count, least, greatest in FIELDS
    ]
    assert image.tables["FIELDS"] == expected


def test_a_fault_must_stand_in_the_source() -> None:
    need("gcc")
    fault = faults.IN_CORE[0]
    with pytest.raises(ValueError, match=r"times in fixed\.c"):
        Core((fault.module, fault.text + "?", fault.other))


# Taken as not there by the translation: a conversion without a cast, signed and unsigned compared.
UNSEEN = ["-Wconversion", "-Wsign-conversion", "-Wsign-compare"]


def _compiles(text: str) -> bool:
    command = ["gcc", "-std=c99", "-O2", *UNSEEN, "-Werror", "-I", str(CORE), "-x", "c", "-S"]
    return (
        subprocess.run(
            [*command, "-o", "-", "-"], input=text.encode(), capture_output=True, check=False
        ).returncode
        == 0
    )


@pytest.mark.slow
def test_the_core_converts_nothing_that_the_translation_does_not_see() -> None:
    need("gcc")
    assert [name for name in FILES if not _compiles((CORE / f"{name}.c").read_text(encoding="utf-8"))] == []


@pytest.mark.parametrize(
    ("module", "text", "other"),
    [
        ("events", "e->mark[place] = (int8_t)mark;", "e->mark[place] = mark;"),
        ("lift", "int32_t window = (int32_t)c->learn_window;", "int32_t window = c->learn_window;"),
    ],
)
def test_such_a_conversion_is_found(module: str, text: str, other: str) -> None:
    need("gcc")
    source = (CORE / f"{module}.c").read_text(encoding="utf-8")
    assert source.count(text) == 1
    assert not _compiles(source.replace(text, other))


@pytest.mark.slow
def test_a_variable_read_before_it_is_written_is_found() -> None:
    need_core()
    need("gcc")
    core = Core(("latch", "int32_t goal = target << 16;", "int32_t goal;"))
    with pytest.raises(NameError):
        differences(seeds(1)[0], ticks=60, core=core)
