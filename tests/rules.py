"""Who carries what: the behaviours that DEVELOPERS.md states with a number, and the tests that carry them.

`python -m tests.rules` prints the table; its exit code is 1 when a behaviour has no test, or a test names
one that is not stated. `python -m tests.rules H5` prints a statement and its tests. Sources
are read, nothing is run.
"""

from __future__ import annotations

import ast
import re
import sys
from dataclasses import dataclass
from pathlib import Path

from bench.console import make_console, make_table, print_list, print_table
from tests import ROOT

_STATED = re.compile(r"^- \*\*([A-Z]\d+)\*\* (.+(?:\n  .+)*)", re.MULTILINE)


@dataclass(frozen=True)
class Carrier:
    """A test function and the numbers it carries; whether hypothesis draws its inputs."""

    path: Path
    name: str
    numbers: tuple[str, ...]
    drawn: bool


def stated(text: str) -> dict[str, str]:
    """The behaviours of DEVELOPERS.md's text in their order: number to statement, in one line."""
    return {number: " ".join(words.split()) for number, words in _STATED.findall(text)}


def carriers(folder: Path) -> list[Carrier]:
    """The tests below a folder that carry a number, by their own mark or by that of their module."""
    found = []
    for path in sorted(folder.glob("**/test_*.py")):
        module = ast.parse(path.read_text(encoding="utf-8"))
        common = _of_module(module)
        for node in ast.walk(module):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                numbers = (*common, *(n for mark in node.decorator_list for n in _numbers(mark)))
                by_hypothesis = any(ast.unparse(mark).startswith("given(") for mark in node.decorator_list)
                if numbers:
                    found.append(Carrier(path, node.name, tuple(dict.fromkeys(numbers)), by_hypothesis))
    return found


def faults(rules: dict[str, str], tests: list[Carrier]) -> list[str]:
    """What is wrong: behaviours that nobody carries, numbers that nobody states."""
    carried = {number for test in tests for number in test.numbers}
    wrong = [f"{number} is carried by no test" for number in rules if number not in carried]
    for test in tests:
        unknown = [number for number in test.numbers if number not in rules]
        wrong += [
            f"{test.path.name}::{test.name} carries {number}, which is not stated" for number in unknown
        ]
    return wrong


def _of_module(module: ast.Module) -> list[str]:
    """The numbers in `pytestmark = pytest.mark.rule(...)`, alone or in a list."""
    for node in module.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark":
            marks = node.value.elts if isinstance(node.value, ast.List) else [node.value]
            return [number for mark in marks for number in _numbers(mark)]
    return []


def _numbers(mark: ast.expr) -> list[str]:
    if isinstance(mark, ast.Call) and ast.unparse(mark.func) == "pytest.mark.rule":
        return [str(ast.literal_eval(argument)) for argument in mark.args]
    return []


def main(asked: list[str]) -> int:
    """Prints the table and what is wrong; for each number asked for its statement and its tests."""
    rules = stated((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    tests = carriers(ROOT / "tests")
    console = make_console()
    for number in asked:
        console.print(f"{number}: {rules.get(number, 'not stated in DEVELOPERS.md')}", markup=False)
        for test in tests:
            if number in test.numbers:
                console.print(f"  {test.path.relative_to(ROOT)}::{test.name}", markup=False, soft_wrap=True)
    if not asked:
        table = make_table(("rule", False), ("tests", True), ("drawn", True), ("in", False))
        for number in rules:
            mine = [test for test in tests if number in test.numbers]
            files = sorted({test.path.stem.removeprefix("test_") for test in mine})
            table.add_row(number, str(len(mine)), str(sum(test.drawn for test in mine)), ", ".join(files))
        print_table(console, "Tests of each rule (drawn: hypothesis draws their inputs)", table)
    wrong = faults(rules, tests)
    print_list(console, "Wrong", wrong)
    carrying = {(test.path, test.name) for test in tests}
    console.print(f"{len(rules)} rules, {len(carrying)} tests carry them, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
