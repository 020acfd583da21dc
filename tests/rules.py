"""Where each rule of controller/RULES.md stands: its code in both languages, and the tests that carry it.

`python -m tests.rules` counts the tests of each rule; its exit code is 1 when a rule has no test or no code,
or a test names one that is not stated. `python -m tests.rules H5` prints a rule, its code and its tests.
`--write` renews the table of links in RULES.md. Sources are read, nothing is run.
"""

from __future__ import annotations

import ast
import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from bench.console import make_console, make_table, print_list, print_table
from bench.files import write_whole
from tests import ROOT

PAGE = ROOT / "controller" / "RULES.md"
BEGIN, END = "<!-- links -->", "<!-- end of links -->"

# Number -> file of the reference (or of the host) and of the C side, each with the functions to read first.
CODE = {
    "T1": ("controller/step.py step reset digest", "core/step.c lift_step lift_reset lift_digest"),
    "T2": ("controller/step.py step", "core/step.c legal lift_step"),
    "I1": ("controller/image.py read _in_order", "core/image.c lift_image_read in_range in_order"),
    "H1": ("controller/height.py _judge far_end", "core/height.c judge lift_height_far_end"),
    "H2": ("controller/lift.py of_height learn forget", "core/lift.c lift_lift_of_height lift_lift_learn"),
    "H3": ("controller/height.py _believe _compare", "core/height.c believe compare"),
    "H4": ("controller/height.py _use _refuse failures", "core/height.c use_sample refuse_sample"),
    "H5": ("controller/height.py _nears_end _refuse", "core/height.c nears_end refuse_sample"),
    "H6": ("controller/step.py _watch_faults _take_torque", "core/step.c watch_faults take_torque"),
    "H7": ("controller/lift.py sample _median", "core/lift.c lift_lift_sample median lift_lowpass_step"),
    "H8": ("controller/height.py _watch_stuck failures", "core/height.c watch_stuck lift_height_failures"),
    "H9": ("controller/lift.py sample miss _look", "core/lift.c lift_lift_sample lift_lift_miss look"),
    "H10": ("controller/height.py _follow_chain _nose_fall", "core/height.c follow_chain nose_fall"),
    "H11": ("controller/height.py _follow_jump _believe", "core/height.c follow_jump believe"),
    "P1": ("controller/progress.py step", "core/progress.c lift_progress_step"),
    "P2": ("controller/progress.py _watch_air _remember", "core/progress.c watch_air remember"),
    "P3": ("controller/progress.py step _run_speed", "core/progress.c lift_progress_step run_speed"),
    "M1": ("controller/maps.py look _bilinear", "core/maps.c lift_maps_look bilinear"),
    "M2": ("bench/calibration/ceilings.py fit", ""),
    "M3": ("bench/calibration/advice.py advise", ""),
    "L1": ("controller/latch.py step _follow", "core/latch.c lift_latch_step follow"),
    "L2": ("controller/latch.py _follow", "core/latch.c follow"),
    "L3": ("controller/latch.py _follow", "core/latch.c follow"),
    "L4": ("controller/latch.py _follow _lower", "core/latch.c follow lower"),
    "L5": ("controller/latch.py _follow", "core/latch.c follow"),
    "L6": ("controller/latch.py _follow", "core/latch.c follow"),
    "L7": ("controller/step.py _take_torque", "core/step.c take_torque"),
    "L8": ("controller/step.py _watch_run _end_run reset", "core/step.c watch_run end_run lift_reset"),
    "L9": ("controller/latch.py _follow", "core/latch.c follow"),
    "R1": ("controller/requests.py step calibrate_curve", "core/requests.c lift_curve_request_step"),
    "R2": ("controller/step.py step _command", "core/step.c lift_step"),
    "R3": ("controller/requests.py begin ask", "core/requests.c lift_command_begin lift_command_ask"),
    "R4": ("controller/requests.py finish", "core/requests.c lift_command_finish"),
    "C1": ("controller/events.py event spark", "core/events.c lift_events_event lift_events_spark"),
    "C2": ("controller/events.py event", "core/events.c lift_events_event"),
    "C3": ("controller/events.py event spark", "core/events.c lift_events_event lift_events_spark"),
    "W1": ("bench/link/frames.py feed encode", "link/frame.c lift_decoder_feed lift_frame_send"),
    "W2": ("bench/link/host.py post next_answer _give_up_or_repeat", "link/link.c request hello"),
    "W3": ("bench/device/simulated.py tell_time", "link/link.c lift_link_time lift_link_reduction"),
    "W4": ("", "store/store.c lift_store_read lift_store_write"),
}

_STATED = re.compile(r"^- \*\*([A-Z]\d+)\*\* (.+(?:\n  .+)*)", re.MULTILINE)


@dataclass(frozen=True)
class Carrier:
    """A test function and the numbers it carries; whether hypothesis draws its inputs."""

    path: Path
    name: str
    numbers: tuple[str, ...]
    drawn: bool


def stated(text: str) -> dict[str, str]:
    """The rules of a page's text in their order: number to statement, in one line."""
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


def places(number: str) -> list[tuple[Path, tuple[str, ...]]]:
    """The files where a rule stands, each with the functions to read first."""
    found = []
    for words, folder in zip(CODE.get(number, ()), (ROOT, ROOT / "firmware_model"), strict=False):
        if words:
            name, *functions = words.split()
            found.append((folder / name, tuple(functions)))
    return found


def lost(rules: dict[str, str]) -> list[str]:
    """What is wrong with CODE: rules without a place, places that are not there."""
    wrong = [f"{number} has no code in tests/rules.py" for number in rules if number not in CODE]
    wrong += [f"{number} of tests/rules.py is not stated" for number in CODE if number not in rules]
    for number in CODE:
        for path, functions in places(number):
            name = path.relative_to(ROOT)
            if not path.exists():
                wrong.append(f"{number}: there is no {name}")
                continue
            text = path.read_text(encoding="utf-8")
            form = r"^ *def {}\(" if path.suffix == ".py" else r"^[a-z].*\b{}\([^;]*$"
            wrong += [
                f"{number}: {name} defines no {function}"
                for function in functions
                if not re.search(form.format(function), text, re.MULTILINE)
            ]
    return wrong


def links(rules: dict[str, str], tests: list[Carrier]) -> str:
    """The table of RULES.md: each rule, its code in both languages, the files of its tests."""
    lines = ["| rule | reference or host | C | tests |", "|---|---|---|---|"]
    for number in rules:
        code = ["", ""]
        for path, functions in places(number):
            named = f" ({', '.join(functions)})" if functions else ""
            code[path.suffix == ".c"] = f"{_link(path)}{named}"
        files = sorted({test.path for test in tests if number in test.numbers})
        lines.append(f"| {number} | {code[0]} | {code[1]} | {', '.join(map(_link, files))} |")
    return "\n".join(lines)


def with_links(page: str, table: str) -> str:
    """The page with the table between its two marks."""
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n{table}\n{END}{rest.split(END)[1]}"


def _link(path: Path) -> str:
    name = path.stem.removeprefix("test_") if path.name.startswith("test_") else path.name
    return f"[{name}]({os.path.relpath(path, PAGE.parent)})"


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


def _print_rules(console: Console, asked: list[str], rules: dict[str, str], tests: list[Carrier]) -> None:
    for number in asked:
        console.print(f"{number}: {rules.get(number, f'not stated in {PAGE.name}')}", markup=False)
        for path, functions in places(number):
            line = f"  {path.relative_to(ROOT)}: {', '.join(functions)}".removesuffix(": ")
            console.print(line, markup=False, soft_wrap=True)
        for test in tests:
            if number in test.numbers:
                console.print(f"  {test.path.relative_to(ROOT)}::{test.name}", markup=False, soft_wrap=True)


def _print_counts(console: Console, rules: dict[str, str], tests: list[Carrier]) -> None:
    table = make_table(("rule", False), ("tests", True), ("drawn", True), ("in", False))
    for number in rules:
        mine = [test for test in tests if number in test.numbers]
        files = sorted({test.path.stem.removeprefix("test_") for test in mine})
        table.add_row(number, str(len(mine)), str(sum(test.drawn for test in mine)), ", ".join(files))
    print_table(console, "Tests of each rule (drawn: hypothesis draws their inputs)", table)


def main(asked: list[str]) -> int:
    """Prints the table and what is wrong; for each number asked for its statement, its code and its tests."""
    text = PAGE.read_text(encoding="utf-8")
    rules = stated(text)
    tests = carriers(ROOT / "tests")
    console = make_console()
    wrong = faults(rules, tests) + lost(rules)
    if asked == ["--write"] and not wrong:
        write_whole(PAGE, with_links(text, links(rules, tests)).encode())
    elif asked:
        _print_rules(console, asked, rules, tests)
    else:
        _print_counts(console, rules, tests)
    print_list(console, "Wrong", wrong)
    carrying = {(test.path, test.name) for test in tests}
    console.print(f"{len(rules)} rules, {len(carrying)} tests carry them, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
