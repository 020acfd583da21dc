"""How strong the conformance set is: mutants of the C core found by it, branches run, rules carried.

Run by `python -m tests.mutation --conformance`. A mutant counts as found where an output, an event or a
verdict on an image is wrong, or where it crashes or does not end; digests are not looked at. One that is
listed in core_equal.toml is equal to the core by the argument that stands there, and does not count; every
other one that is not found counts as missed.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console

from bench.conformance.chosen_set import SET, ConformanceSet, conformance_set
from bench.conformance.cost import seconds
from bench.conformance.images import changed_images
from bench.console import make_table, print_list, print_table
from bench.files import write_whole
from bench.vectors.conformance import write_set
from firmware_model.core_sources import CORE, core_files
from tests import ROOT
from tests.coverage import Counted, of_c
from tests.mutation.core_mutants import Mutant, all_mutants
from tests.mutation.core_run import Finding, build, meet
from tests.rules import CODE

EQUAL = Path(__file__).with_name("core_equal.toml")
LEAST_PERCENT = 95.0
PAGE = ROOT / "tests" / "README.md"
BEGIN, END = "<!-- conformance -->", "<!-- end of conformance -->"
BAUD, LARGEST = 115200, 512


@dataclass(frozen=True)
class Strength:
    """What came of each mutant: `found` by number, `equal` the numbers of those that are no change."""

    mutants: tuple[Mutant, ...]
    found: dict[int, list[Finding]]
    equal: frozenset[int]

    @property
    def counted(self) -> list[Mutant]:
        """Those that count."""
        return [mutant for mutant in self.mutants if mutant.number not in self.equal]

    @property
    def missed(self) -> list[Mutant]:
        """Those of them that are not found."""
        return [mutant for mutant in self.counted if not self.found[mutant.number]]

    @property
    def percent(self) -> float:
        """Share of those that count that are found."""
        return 100 * (1 - len(self.missed) / len(self.counted))


def listed(mutants: Sequence[Mutant]) -> tuple[frozenset[int], list[str]]:
    """(the mutants that core_equal.toml lists, the entries that are none)"""
    known: Counter[tuple[str, ...]] = Counter()
    for table in tomllib.loads(EQUAL.read_text(encoding="utf-8")).get("equal", []):
        known.update(tuple(change) for change in table["changes"])
    found = set()
    for mutant in mutants:
        key = (mutant.function, mutant.text, mutant.was, mutant.becomes)
        if known[key] > 0:
            known[key] -= 1
            found.add(mutant.number)
    return frozenset(found), ["; ".join(key) for key, count in known.items() if count > 0]


def measure(of_set: ConformanceSet, program: Path) -> Strength:
    """Hold every mutant against the set."""
    mutants = all_mutants()[1]
    equal, _ = listed(mutants)
    images = changed_images(of_set.cases[0])
    numbers = [mutant.number for mutant in mutants if mutant.number not in equal]
    return Strength(mutants, meet(program, of_set.cases, images, numbers), equal)


def coverage(of_set: ConformanceSet) -> list[Counted]:
    """What the set runs of the core, compiled with gcc's counters, as a porter would run it."""
    with TemporaryDirectory() as place:
        folder = Path(place)
        write_set(of_set, folder)
        words = ["gcc", "-std=c99", "-O0", "--coverage", f"-I{CORE}", "-I."]
        sources = [*map(str, core_files()), "check.c", "main.c"]
        subprocess.run([*words, *sources, "-o", "run"], cwd=folder, check=True)
        subprocess.run([folder / "run"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
        gcovr = [
            sys.executable,
            "-m",
            "gcovr",
            "--root",
            str(ROOT),
            "--filter",
            str(CORE),
            "--json",
            "c.json",
            ".",
        ]
        subprocess.run(gcovr, cwd=folder, check=True, stdout=subprocess.DEVNULL)
        return of_c(json.loads((folder / "c.json").read_text()))


def files_table(strength: Strength) -> list[tuple[str, ...]]:
    """File, mutants, equal, found, by time or a crash, missed, percent; the last row is of all."""
    names = sorted({mutant.file for mutant in strength.mutants})
    rows = []
    for name in (*names, "all"):
        mine = [mutant for mutant in strength.mutants if name in (mutant.file, "all")]
        equal = sum(mutant.number in strength.equal for mutant in mine)
        where = [strength.found[mutant.number] for mutant in mine if mutant.number not in strength.equal]
        found = [one for one in where if one]
        late = sum(bool(one[0].how) for one in found)
        percent = 100 * len(found) / max(1, len(where))
        cells = (len(mine), equal, len(found), late, len(where) - len(found))
        rows.append((name, *map(str, cells), f"{percent:.1f}"))
    return rows


def rules_table(program: Path, of_set: ConformanceSet, strength: Strength) -> list[tuple[str, ...]]:
    """Rule, mutants of its functions that are found, how many of them there are, the cases that find any, and
    the three that find most."""
    wanted = [mutant.number for mutant in strength.counted if strength.found[mutant.number]]
    everywhere = meet(program, of_set.cases, [], wanted, mode="all")
    rows = []
    for rule, (_, place) in CODE.items():
        functions = place.split()[1:] if place.startswith("core/") else []
        mine = [mutant for mutant in strength.counted if mutant.function in functions]
        if not mine:
            continue
        found = sum(bool(strength.found[mutant.number]) for mutant in mine)
        by_case: Counter[int] = Counter()
        for mutant in mine:
            by_case.update({int(one.where) + 1 for one in everywhere.get(mutant.number, [])})
        best = ", ".join(str(case) for case, _ in by_case.most_common(3))
        carried = f"{len(by_case)} of {len(of_set.cases)}"
        rows.append((rule, str(found), str(len(mine)), carried, best or "images"))
    return rows


def _markdown(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = [f"| {' | '.join(head)} |", f"|---|{'---:|' * (len(head) - 1)}"]
    return "\n".join([*lines, *(f"| {' | '.join(row)} |" for row in rows)])


FILES_HEAD = ("file", "mutants", "equal", "found", "of them by a crash or no end", "missed", "found, %")
RULES_HEAD = ("rule", "mutants found", "of", "cases that find any", "those that find most")


def report(console: Console, write: bool) -> int:
    """Measure and print it all; with `write` also to the page and the set. The exit code."""
    of_set = conformance_set()
    with TemporaryDirectory() as place:
        program = build(Path(place))
        strength = measure(of_set, program)
        rules = rules_table(program, of_set, strength)
    files = files_table(strength)
    for title, head, rows in (("Mutants of the C core", FILES_HEAD, files), ("Rules", RULES_HEAD, rules)):
        table = make_table((head[0], False), *((name, True) for name in head[1:]))
        for row in rows:
            table.add_row(*row)
        print_table(console, title, table)
    if strength.missed:
        print_list(console, "Missed", [str(mutant) for mutant in strength.missed])
    branches = coverage(of_set)
    not_run = [place for file in branches for place in file.missed]
    if not_run:
        print_list(console, "Not run", not_run)
    counted = len(strength.counted)
    found = counted - len(strength.missed)
    taken, all_branches = sum(file.branches_run for file in branches), sum(file.branches for file in branches)
    took = seconds(of_set.cases, [image.bytes for image in changed_images(of_set.cases[0])], BAUD, LARGEST)
    text = (
        f"{found} of {counted} mutants found ({strength.percent:.1f} %), {taken} of {all_branches} branches, "
        f"{took:.1f} s at {BAUD} baud"
    )
    console.print(text)
    stale = listed(strength.mutants)[1]
    if stale:
        print_list(console, "Listed in core_equal.toml, and no mutant", stale)
    if write:
        _write(found, counted, _markdown(FILES_HEAD, files), _markdown(RULES_HEAD, rules), text)
    return 1 if strength.percent < LEAST_PERCENT or not_run or stale else 0


def _write(found: int, counted: int, files: str, rules: str, text: str) -> None:
    before, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    after = rest.split(END)[1]
    write_whole(PAGE, f"{before}{BEGIN}\n{text}.\n\n{files}\n\n{rules}\n{END}{after}".encode())
    lines = SET.read_text(encoding="utf-8").splitlines(keepends=True)
    new = {"mutants": counted, "found": found}
    kept = [
        f"{line.split()[0]} = {new[line.split()[0]]}\n" if line.split()[0] in new else line for line in lines
    ]
    write_whole(SET, "".join(kept).encode())
