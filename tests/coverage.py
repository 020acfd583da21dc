"""Which branches of `controller/` and of the C core the fast tests run: `python -m tests.coverage`.

In a copy of the project the C core is built without optimizing and with gcc's counters (every condition of
an `&&` counts as a branch of its own); then the controller's fast tests run once under coverage.py. Prints a
table for each side and every line or branch that was not run; the exit code is 1 where there is one. A line
may be left out only by a comment beside it (`# pragma: no cover`, `GCOVR_EXCL_LINE`) that goes on with the
reason.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from bench.console import make_console, make_table, print_list, print_table
from tests.copies import FAST_CONTROLLER_TESTS, copy_project

_EXCLUDES = re.compile(r"(?:pragma: no (?:cover|branch)|GCOVR?_EXCL_\w+)(.*)")


@dataclass(frozen=True)
class Counted:
    """One file: lines and branches, how many were run, and the places of those that were not."""

    name: str
    lines: int
    lines_run: int
    branches: int
    branches_run: int
    missed: tuple[str, ...]


def of_python(report: dict) -> list[Counted]:
    """From what `coverage json` writes."""
    found = []
    for name, file in sorted(report["files"].items()):
        total = file["summary"]
        missed = [f"{name}:{line} was not run" for line in file["missing_lines"]]
        missed += [f"{name}:{a} never went to {_target(b)}" for a, b in file["missing_branches"]]
        branches = (total["num_branches"], total["covered_branches"])
        found.append(Counted(name, total["num_statements"], total["covered_lines"], *branches, tuple(missed)))
    return found


def _target(line: int) -> str:
    return f"line {line}" if line > 0 else "the end"


def of_c(report: dict) -> list[Counted]:
    """From what `gcovr --json` writes."""
    found = []
    for file in sorted(report["files"], key=lambda file: file["file"]):
        name = file["file"]
        lines = _counted(file["lines"])
        missed = [f"{name}:{line['line_number']} was not run" for line in lines if not line["count"]]
        branches = [(at["line_number"], one["count"]) for at in lines for one in _counted(at["branches"])]
        missed += [f"{name}:{at} has a branch that was not taken" for at, count in branches if not count]
        run = sum(1 for line in lines if line["count"])
        taken = sum(1 for _, count in branches if count)
        if lines:
            found.append(Counted(name, len(lines), run, len(branches), taken, tuple(missed)))
    return found


def _counted(parts: list[dict]) -> list[dict]:
    """Lines or branches without those that a comment leaves out."""
    return [part for part in parts if not part.get("gcovr/noncode") and not part.get("gcovr/excluded")]


def unexplained(folder: Path) -> list[str]:
    """Comments in sources below a folder that leave something out and say no reason."""
    found = []
    for path in sorted([*folder.glob("controller/*.py"), *folder.glob("firmware_model/core/*.[ch]")]):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            left_out = _EXCLUDES.search(line)
            if left_out and len(re.findall(r"\w+", left_out[1])) < 3:
                found.append(f"{path.relative_to(folder)}:{number} leaves something out and does not say why")
    return found


def build_counting(folder: Path) -> None:
    """Builds the C core of a copy with counters."""
    program = "from bench import build_backend; build_backend.build_libraries()"
    _run(folder, sys.executable, "-c", program)
    words = ("gcc", "-std=c99", "-O0", "--coverage", "-fprofile-update=atomic", "-shared", "-fPIC")
    sources = ("firmware_model/core_all.c", "build/_core_digest.c")
    _run(folder, *words, "-Ifirmware_model", *sources, "-o", "firmware_model/_core.so")


def measure(folder: Path, tests: tuple[str, ...]) -> tuple[list[Counted], list[Counted]]:
    """Runs tests of a copy; what they ran of the controller and of the C core."""
    build_counting(folder)
    coverage = (sys.executable, "-m", "coverage")
    pytest = ("-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist")
    _run(folder, *coverage, "run", "--branch", "--source=controller", *pytest, *tests)
    _run(folder, *coverage, "json", "-o", "python.json")
    words = ("--root", ".", "--filter", "firmware_model/core/", "--json", "c.json")
    _run(folder, sys.executable, "-m", "gcovr", *words)
    python = json.loads((folder / "python.json").read_text())
    return of_python(python), of_c(json.loads((folder / "c.json").read_text()))


def _run(folder: Path, *words: str) -> None:
    environment = {**os.environ, "CI": "true", "COVERAGE_FILE": str(folder / "python.data")}
    environment.pop("PYTHONPATH", None)
    done = subprocess.run(
        words,
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        click.echo(done.stdout, err=True)
        raise SystemExit(f"failed: {' '.join(words)}")


def total(side: list[Counted]) -> tuple[int, int, int, int]:
    """Lines, lines run, branches, branches run."""
    counts = [(file.lines, file.lines_run, file.branches, file.branches_run) for file in side]
    lines, run, branches, taken = (sum(column) for column in zip(*counts, strict=True))
    return lines, run, branches, taken


@click.command()
def main() -> None:
    """Print what the fast tests run of the controller and of its C twin; exit code 1 if not all."""
    console = make_console()
    with TemporaryDirectory(prefix="liftlatch-coverage-") as place:
        folder = Path(place) / "project"
        copy_project(folder)
        sides = measure(folder, FAST_CONTROLLER_TESTS)
        missed = unexplained(folder)
    figures = []
    for title, side in zip(("controller", "core"), sides, strict=True):
        table = make_table(("file", False), ("lines", True), ("run", True), ("branches", True), ("run", True))
        for file in side:
            cells = (file.lines, file.lines_run, file.branches, file.branches_run)
            table.add_row(file.name, *(str(cell) for cell in cells))
        lines, run, branches, taken = total(side)
        table.add_row("all", str(lines), str(run), str(branches), str(taken))
        print_table(console, title, table)
        missed += [place for file in side for place in file.missed]
        figures.append(f"{title} {taken} of {branches} branches")
    if missed:
        print_list(console, "Not run", missed)
    console.print(", ".join(figures))
    sys.exit(1 if missed else 0)


if __name__ == "__main__":
    main()
