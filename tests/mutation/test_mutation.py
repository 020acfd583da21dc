"""Mutants are made, chosen, met and told; a weak test lets one survive; what is kept agrees with itself."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests import ROOT
from tests.mutation.__main__ import (
    FAST,
    LEAST_PERCENT,
    QUICK,
    RESULTS,
    SURVIVORS,
    Known,
    choose,
    files,
    own_tests,
    sources_digest,
)
from tests.mutation.run import (
    FOUND,
    Mutant,
    Project,
    Stage,
    changed,
    describe,
    functions,
    make,
    meet,
    plain,
    statuses,
)

PROGRAM = """
def larger(one, other):
    return one if one > other else other


class Sum:
    def __init__(self):
        self.total = 0

    def add(self, value):
        self.total += value
"""
WEAK = """
from thing.sums import Sum, larger


def test_the_larger():
    assert larger(1, 2) == 2


def test_a_sum():
    made = Sum()
    made.add(3)
    assert made.total == 3
"""
STRONG = (
    WEAK
    + """

def test_the_first_may_be_larger():
    assert larger(5, 2) == 5


def test_a_sum_of_two():
    made = Sum()
    made.add(3)
    made.add(4)
    assert made.total == 7
"""
)


def survivors(folder: Path, test: str) -> list[Mutant]:
    """What survives of a small program that has this test."""
    (folder / "thing").mkdir(parents=True)
    (folder / "tests").mkdir()
    (folder / "thing" / "__init__.py").touch()
    (folder / "thing" / "sums.py").write_text(PROGRAM)
    (folder / "tests" / "test_sums.py").write_text(test)
    (folder / "pyproject.toml").write_text('[project]\nname = "thing"\nversion = "1"\n')
    project = Project(sources=("thing",), mutated=("thing/*.py",), beside=())
    make(folder, project)
    names = list(statuses(folder))
    assert len(names) > 5
    assert set(statuses(folder).values()) == {"not checked"}
    left = meet(folder, project, Stage(("tests/test_sums.py",)), names)
    became = statuses(folder)
    assert {became[name] for name in names if name not in left} == {"killed"}
    return describe(folder, left)


@pytest.mark.slow
def test_a_weak_test_lets_mutants_survive_and_a_strong_one_finds_them(tmp_path: Path) -> None:
    weak = {(m.function, m.was, m.becomes) for m in survivors(tmp_path / "weak", WEAK)}
    assert ("thing.sums.Sum.add", "self.total += value", "self.total = value") in weak
    strong = survivors(tmp_path / "strong", STRONG)
    # What is left is equal: of two equal numbers either one is the larger.
    assert [(m.function, m.becomes) for m in strong] == [
        ("thing.sums.larger", "return one if one >= other else other")
    ]
    assert strong[0].status not in FOUND


def test_a_survivor_that_is_not_listed_is_told(tmp_path: Path) -> None:
    path = tmp_path / "survivors.toml"
    path.write_text('[[survivor]]\nfunction = "a.b"\nwas = "x < 1"\nbecomes = "x <= 1"\nwhy = "equal"\n')
    known = Known.read(path)
    listed = Mutant("n", "a.b", "x < 1", "x <= 1", "survived")
    other = Mutant("m", "a.b", "x < 1", "x > 1", "survived")
    assert known.unlisted([listed]) == []
    assert known.unlisted([other, listed]) == [other]
    assert known.unlisted([listed, listed]) == [listed]  # once is listed, not twice


def test_what_a_mutant_changes_is_told() -> None:
    diff = "--- a\n+++ b\n@@ -1,2 +1,2 @@\n def f(x):\n-    return x < 1\n+    return x <= 1\n"
    assert changed(diff) == ("return x < 1", "return x <= 1")
    assert plain("controller.latch.xǁLatchǁkeep__mutmut_6") == "controller.latch.Latch.keep"
    assert plain("controller.fixed.x_clamp__mutmut_1") == "controller.fixed.clamp"


def test_a_function_is_changed_by_what_it_says_only() -> None:
    before = functions("class A:\n    def f(self):\n        return 1\n\ndef g():\n    return 2\n", "m")
    after = functions("class A:\n    def f(self):  # why\n        return 1\n\ndef g():\n    return 3\n", "m")
    assert set(before) == {"m.A.f", "m.g"}
    assert before["m.A.f"] == after["m.A.f"]
    assert before["m.g"] != after["m.g"]


def test_a_sample_is_drawn_from_its_seed() -> None:
    names = [f"m.x_f__mutmut_{i}" for i in range(50)] + ["m.x_g__mutmut_1"]
    assert choose(names, {"m.g"}, None, 0) == ["m.x_g__mutmut_1"]
    one = choose(names, None, 10, 1)
    assert len(one) == 10
    assert one == choose(names, None, 10, 1) != choose(names, None, 10, 2)


def test_the_tests_that_mutants_meet_are_there() -> None:
    assert {path.parent.as_posix() for path in files()} == {"controller", "bench/link"}
    for test in (*QUICK.tests, *FAST.tests):
        assert (ROOT / test.split("::")[0]).exists()
    names = ["controller.latch.xǁLatchǁkeep__mutmut_6", "bench.link.frames.x_encode__mutmut_1"]
    expected = ["tests/controller/test_latch.py", "tests/bench/link/test_link_frames.py"]
    assert own_tests(names).tests == expected


def test_what_a_whole_run_found_is_explained() -> None:
    result = json.loads(RESULTS.read_text(encoding="utf-8"))
    total = result["modules"]["all"]
    assert total["mutants"] > 2500
    found = total["killed"] + total["timed out"]
    assert total["mutants"] - found == total["survived"] == len(result["survivors"])
    assert 100 * found >= LEAST_PERCENT * total["mutants"]
    listed = Known.read(SURVIVORS).counts
    survived = Counter(tuple(key) for key in result["survivors"])
    assert survived - listed == Counter()
    assert listed - survived == Counter(), "listed, but found by the tests"


@pytest.mark.slow
def test_a_sample_or_what_changed_since_the_last_whole_run_is_found() -> None:
    words = ["git", "-c", "safe.directory=*", "log", "-1", "--format=%H", "--", str(RESULTS)]
    base = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()
    seed = str(int(sources_digest()[:8], 16))
    options = ["--changed", base, "--limit", "20", "--seed", seed]
    done = subprocess.run(
        [sys.executable, "-m", "tests.mutation", *options],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=900,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert " mutants found (" in done.stdout
