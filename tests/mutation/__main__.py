"""The command; `python -m tests.mutation --help`."""

from __future__ import annotations

import hashlib
import json
import random
import subprocess
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from bench.console import make_console, make_table, print_list, print_table
from bench.files import write_whole
from tests import ROOT
from tests.copies import FAST_CONTROLLER_TESTS, copy_project
from tests.mutation.run import (
    FOUND,
    MUTATED,
    Mutant,
    Project,
    Stage,
    by_module,
    describe,
    functions,
    make,
    meet,
    module_of,
    plain,
    statuses,
)

HERE = Path(__file__).parent
SURVIVORS = HERE / "survivors.toml"
RESULTS = HERE / "results.json"
LEAST_PERCENT = 95

LINK_TESTS = ("tests/bench/link/test_link_frames.py", "tests/bench/link/test_link_protocol.py")
QUICK = Stage(
    (
        "tests/bench/twin/test_twin.py::test_equal_where_everything_happens_in_a_short_time",
        "tests/bench/twin/test_twin_corners.py",
        "tests/controller/test_step.py::test_parts_are_at_rest_before_anybody_calibrates_them",
        "tests/controller/test_fixed.py",
        "tests/controller/test_image.py",
        *LINK_TESTS,
    )
)
FAST = Stage(
    (*(test for test in FAST_CONTROLLER_TESTS if "twin" not in test), *LINK_TESTS),
    # They look at the size of intermediates only, and take long.
    without=(
        "tests/controller/test_step.py::test_every_intermediate_stays_below_2_to_the_30",
        "tests/controller/test_step.py::test_every_intermediate_of_a_likely_run_stays_below_2_to_the_30",
    ),
)
THIS = Project(
    sources=("controller", "bench"),
    mutated=MUTATED,
    beside=("firmware_model", "traces", "README.md"),
    # no search for a smaller example where one was found
    more=("-p", "no:cacheprovider", "--hypothesis-profile=mutation"),
)


@dataclass(frozen=True)
class Known:
    """Survivors that are listed, by function, lines before and lines after, and how many of each."""

    counts: Counter[tuple[str, str, str]]

    @classmethod
    def read(cls, path: Path) -> Known:
        tables = tomllib.loads(path.read_text(encoding="utf-8")).get("survivor", [])
        return cls(Counter({(t["function"], t["was"], t["becomes"]): t.get("times", 1) for t in tables}))

    def unlisted(self, survivors: Iterable[Mutant]) -> list[Mutant]:
        """Those of some survivors that are not listed, or more often than listed."""
        left = self.counts.copy()
        found = []
        for mutant in survivors:
            key = (mutant.function, mutant.was, mutant.becomes)
            if left[key] > 0:
                left[key] -= 1
            else:
                found.append(mutant)
        return found


def own_tests(names: Sequence[str]) -> Stage:
    """The fast tests of the modules that some mutants are in."""
    stems = {plain(name).split(".")[1 if name.startswith("controller.") else 2] for name in names}
    wanted = {f"test_{prefix}{stem}.py" for stem in stems for prefix in ("", "link_")}
    return Stage([test for test in FAST.tests if Path(test).name in wanted], FAST.without)


def files() -> list[Path]:
    """What is mutated, relative to the root."""
    return sorted(path.relative_to(ROOT) for pattern in MUTATED for path in ROOT.glob(pattern))


def sources_digest() -> str:
    """SHA-256 over the names and contents of what is mutated."""
    digest = hashlib.sha256()
    for path in files():
        digest.update(path.as_posix().encode() + b"\0" + (ROOT / path).read_bytes() + b"\0")
    return digest.hexdigest()


def changed_functions(base: str) -> set[str]:
    """The functions, named as by `plain`, that say something else than in a commit."""
    found = set()
    for path in files():
        words = ["git", "-c", "safe.directory=*", "show", f"{base}:{path.as_posix()}"]
        then = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
        old = functions(then.stdout if then.returncode == 0 else "", module_of(path))
        new = functions((ROOT / path).read_text(encoding="utf-8"), module_of(path))
        found |= {name for name, digest in new.items() if old.get(name) != digest}
    return found


def known_commit(base: str) -> bool:
    """Whether git knows a commit."""
    words = ["git", "-c", "safe.directory=*", "rev-parse", "--verify", "--quiet", f"{base}^{{commit}}"]
    return subprocess.run(words, cwd=ROOT, capture_output=True, check=False).returncode == 0


def choose(names: Sequence[str], only: set[str] | None, limit: int | None, seed: int) -> list[str]:
    """The mutants of some functions (or of all), no more than a limit, drawn from a seed."""
    chosen = [name for name in sorted(names) if only is None or plain(name) in only]
    if limit is not None and len(chosen) > limit:
        chosen = sorted(random.Random(seed).sample(chosen, limit))
    return chosen


def table_of(became: dict[str, str]) -> list[tuple[str, int, int, int, int]]:
    """Module, mutants, found by a failing test, found by their time, not found; the last row is of all."""
    rows = []
    for module, counts in sorted(by_module(became).items()):
        total = sum(counts.values())
        killed, late = counts["killed"], counts["timeout"]
        rows.append((module, total, killed, late, total - killed - late))
    columns = list(zip(*rows, strict=True))[1:]
    total, killed, late, left = (sum(column) for column in columns) if rows else (0, 0, 0, 0)
    return [*rows, ("all", total, killed, late, left)]


def save(rows: Sequence[tuple[str, int, int, int, int]], survivors: Sequence[Mutant], seconds: int) -> None:
    """Keeps what a whole run found in results.json."""
    names = ("mutants", "killed", "timed out", "survived")
    result = {
        "command": "python -m tests.mutation",
        "day": datetime.now(UTC).date().isoformat(),
        "seconds": seconds,
        "mutmut": metadata.version("mutmut"),
        "sources sha256": sources_digest(),
        "modules": {row[0]: dict(zip(names, row[1:], strict=True)) for row in rows},
        "survivors": [[m.function, m.was, m.becomes] for m in survivors],
    }
    write_whole(RESULTS, (json.dumps(result, indent=1, ensure_ascii=False) + "\n").encode())


@click.command()
@click.option("--changed", "base", metavar="COMMIT", help="Only functions that differ from this commit.")
@click.option("--limit", type=click.IntRange(1), help="No more mutants than this, drawn from the seed.")
@click.option("--seed", type=int, default=0, show_default=True, help="What a sample is drawn from.")
@click.option("--keep", type=click.Path(path_type=Path), help="Work in this folder and leave it.")
@click.option("--conformance", is_flag=True, help="Instead: mutants of the C core, held against the set.")
@click.option("--black-box", is_flag=True, help="Instead: named bugs and core mutants, by edges alone.")
@click.option("--write", is_flag=True, help="With --conformance or --black-box: renew the page's tables.")
def main(
    base: str | None,
    limit: int | None,
    seed: int,
    keep: Path | None,
    conformance: bool,
    black_box: bool,
    write: bool,
) -> None:
    """Let mutants of the controller and of the frame decoder meet the fast tests.

    The exit code is 1 where a mutant survived that survivors.toml does not list, or, of a whole run, where
    less than 95 % were found. Where nothing differs from the commit, or git does not know it, a sample of all
    mutants is taken. With --keep, a run in a folder that is there already goes on: mutants that were found
    stay found where their function is the same.
    """
    console = make_console()
    if conformance:
        from tests.mutation.conformance import report

        sys.exit(report(console, write))
    if black_box:
        from tests.mutation import black_box as box

        sys.exit(box.report(console, limit or 300, seed, write))
    known = Known.read(SURVIVORS)
    started = time.monotonic()

    def tell(line: str) -> None:
        click.echo(f"{datetime.now():%H:%M:%S} {line}", err=True)

    only = None
    if base is not None:
        if not known_commit(base):
            tell(f"git does not know {base}: a sample of all mutants")
        else:
            only = changed_functions(base) or None
            differ = "nothing differs" if only is None else f"{len(only)} functions differ"
            tell(f"{differ} from {base}")
    whole = base is None and limit is None
    with TemporaryDirectory(prefix="liftlatch-mutation-") as place:
        folder = keep or Path(place) / "project"
        copy_project(folder)
        make(folder, THIS)
        names = choose(list(statuses(folder)), only, limit, seed)
        before = statuses(folder)
        left = [name for name in names if before[name] != "killed"]
        tell(f"{len(left)} mutants meet the quick tests")
        left = meet(folder, THIS, QUICK, left)
        if not whole:  # the listed ones are known, and the others' own modules have the tests that matter
            left = [mutant.name for mutant in known.unlisted(describe(folder, left))]
        tell(f"{len(left)} mutants meet the other fast tests")
        meet(folder, THIS, FAST if whole else own_tests(left), left)
        became = {name: status for name, status in statuses(folder).items() if name in set(names)}
        survivors = describe(folder, [name for name in names if became[name] not in FOUND])
    rows = table_of(became)
    title = ("module", False), ("mutants", True), ("killed", True), ("timed out", True), ("survived", True)
    table = make_table(*title)
    for row in rows:
        table.add_row(row[0], *(str(cell) for cell in row[1:]))
    print_table(console, "Mutants", table)
    unlisted = known.unlisted(survivors)
    if unlisted:
        lines = [f"{m.function} ({m.status}): {m.was}  ->  {m.becomes}" for m in unlisted]
        print_list(console, "Survivors that survivors.toml does not list", lines)
    if whole:
        save(rows, survivors, round(time.monotonic() - started))
    total, left = rows[-1][1], rows[-1][4]
    percent = 100 * (total - left) / total if total else 100.0
    console.print(f"{total - left} of {total} mutants found ({percent:.1f} %), {len(unlisted)} not explained")
    sys.exit(1 if unlisted or (whole and percent < LEAST_PERCENT) else 0)


if __name__ == "__main__":
    main()
