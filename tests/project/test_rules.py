"""Every rule of controller/RULES.md has code and tests, its links are true, and the count itself can fail."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import ROOT
from tests.rules import CODE, PAGE, carriers, faults, links, lost, places, stated, with_links

TEXT = PAGE.read_text(encoding="utf-8")


def test_every_stated_behaviour_has_a_test_and_no_test_carries_an_unknown_one() -> None:
    assert faults(stated(TEXT), carriers(ROOT / "tests")) == []


def test_the_page_states_the_behaviours_one_after_the_other() -> None:
    numbers = list(stated(TEXT))
    assert len(numbers) == len(set(numbers)) == TEXT.count("\n- **") - _bold_lists(TEXT)
    for letter, count in {"H": 11, "P": 3, "M": 3, "L": 9, "R": 4, "C": 3}.items():
        assert [n for n in numbers if n[0] == letter] == [f"{letter}{i}" for i in range(1, count + 1)]


def _bold_lists(text: str) -> int:
    """Lines that begin with a bold word, not with a number."""
    return sum(line.startswith("- **") and not line[5:6].isdigit() for line in text.splitlines())


def test_every_rule_has_code_in_its_places_and_the_links_are_those() -> None:
    rules = stated(TEXT)
    assert lost(rules) == []
    assert with_links(TEXT, links(rules, carriers(ROOT / "tests"))) == TEXT, "python -m tests.rules --write"


def test_the_reference_and_the_core_state_a_rule_in_files_of_the_same_name() -> None:
    for number in stated(TEXT):
        files = [path.relative_to(ROOT) for path, _ in places(number)]
        if files[0].parts[0] == "controller":
            assert [*map(str, files[1:])] == [f"firmware_model/core/{files[0].stem}.c"], number


@pytest.mark.parametrize(
    ("place", "wrong"),
    [
        (("controller/nowhere.py step", ""), "L1: there is no controller/nowhere.py"),
        (("controller/latch.py _fly", ""), "L1: controller/latch.py defines no _fly"),
        (("", "core/latch.c lift_fly"), "L1: firmware_model/core/latch.c defines no lift_fly"),
        # called there, but not defined
        (("", "core/step.c lift_latch_step"), "L1: firmware_model/core/step.c defines no lift_latch_step"),
    ],
)
def test_a_wrong_place_is_found(monkeypatch: pytest.MonkeyPatch, place: tuple[str, str], wrong: str) -> None:
    monkeypatch.setitem(CODE, "L1", place)
    assert lost(stated(TEXT)) == [wrong]
    monkeypatch.delitem(CODE, "L1")
    assert lost(stated(TEXT)) == ["L1 has no code in tests/rules.py"]


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ("import pytest\n\n@pytest.mark.rule('A1')\ndef test_a(): ...\n", ["B2 is carried by no test"]),
        ("import pytest\npytestmark = pytest.mark.rule('A1', 'B2')\n\ndef test_a(): ...\n", []),
        (
            "import pytest\npytestmark = [pytest.mark.slow, pytest.mark.rule('A1', 'B2')]\n"
            "def test_a(): ...\n",
            [],
        ),
        (
            "import pytest\n\n@pytest.mark.rule('A1', 'B2', 'B3')\ndef test_a(): ...\n",
            ["test_x.py::test_a carries B3, which is not stated"],
        ),
        ("def test_a(): ...\n", ["A1 is carried by no test", "B2 is carried by no test"]),
        # a number in a helper's or a comment's text carries nothing
        (
            "# pytest.mark.rule('A1')\ndef help_a(): ...\n",
            ["A1 is carried by no test", "B2 is carried by no test"],
        ),
    ],
)
def test_a_behaviour_without_a_test_is_found(tmp_path: Path, source: str, wrong: list[str]) -> None:
    (tmp_path / "deeper").mkdir()
    (tmp_path / "deeper" / "test_x.py").write_text(source)
    rules = stated("- **A1** The first,\n  of two lines.\n- **B2** The second.\n\n- **Bold** is none.\n")
    assert rules == {"A1": "The first, of two lines.", "B2": "The second."}
    assert faults(rules, carriers(tmp_path)) == wrong
