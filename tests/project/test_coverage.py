"""Every branch of both sides of the controller is run by the fast tests, and what is not run is told."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests import ROOT
from tests.copies import FAST_CONTROLLER_TESTS
from tests.coverage import of_c, of_python, total, unexplained
from tests.tools import need


@pytest.mark.slow
def test_every_branch_is_run_by_the_fast_tests() -> None:
    need("gcc")
    words = [sys.executable, "-m", "tests.coverage"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False, timeout=1200)
    assert done.returncode == 0, done.stdout + done.stderr
    figures = done.stdout.splitlines()[-1]
    assert figures.startswith("controller ")
    assert " branches, core " in figures


def test_the_fast_tests_are_there() -> None:
    for test in FAST_CONTROLLER_TESTS:
        assert (ROOT / test).exists()


def test_a_line_and_a_branch_of_python_that_were_not_run_are_told() -> None:
    summary = {"num_statements": 9, "covered_lines": 8, "num_branches": 4, "covered_branches": 2}
    file = {"summary": summary, "missing_lines": [7], "missing_branches": [[3, 7], [5, -1]]}
    side = of_python({"files": {"controller/latch.py": file}})
    assert total(side) == (9, 8, 4, 2)
    assert side[0].missed == (
        "controller/latch.py:7 was not run",
        "controller/latch.py:3 never went to line 7",
        "controller/latch.py:5 never went to the end",
    )


def test_a_line_and_a_branch_of_c_that_were_not_run_are_told() -> None:
    lines = [
        {"line_number": 3, "count": 4, "branches": [{"count": 4}, {"count": 0}]},
        {"line_number": 4, "count": 0, "branches": []},
        {"line_number": 5, "count": 1, "branches": [], "gcovr/noncode": True},
        {"line_number": 6, "count": 0, "branches": [], "gcovr/excluded": True},
        {"line_number": 7, "count": 1, "branches": [{"count": 0, "gcovr/excluded": True}]},
    ]
    side = of_c({"files": [{"file": "core/latch.c", "lines": lines}]})
    assert total(side) == (3, 2, 2, 1)
    assert side[0].missed == ("core/latch.c:4 was not run", "core/latch.c:3 has a branch that was not taken")


def test_a_line_left_out_must_say_why(tmp_path: Path) -> None:
    assert unexplained(ROOT) == []
    (tmp_path / "controller").mkdir()
    (tmp_path / "firmware_model" / "core").mkdir(parents=True)
    (tmp_path / "controller" / "a.py").write_text("x = 1  # pragma: no cover\n")
    (tmp_path / "firmware_model" / "core" / "a.c").write_text(
        "x(); /* GCOVR_EXCL_LINE: never on a machine of ours */\ny(); /* GCOVR_EXCL_BR_LINE */\n"
    )
    assert [line.split(" ")[0] for line in unexplained(tmp_path)] == [
        "controller/a.py:1",
        "firmware_model/core/a.c:2",
    ]
