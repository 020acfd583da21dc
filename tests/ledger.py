"""The long version of everything: `tests/run --all`, or `python -m tests.ledger [--only NAME]`.

Runs each command that a claim of tests/LEDGER.md rests on, one after the other, and prints one table: claim,
evidence, figure. The figure is what the command itself says last; a command that ends with another exit code
than 0 leaves its claim open, and so does the exit code of this one (1). What each printed stays in
`out/ledger/NAME.log`. Ctrl-C ends the present command and prints what is known by then.

`--write` keeps each figure in tests/ledger.toml as soon as its command has ended, and puts the table of all
that are known into tests/LEDGER.md.
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import sys
import time
import tomllib
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import click
import tomlkit

from bench.console import make_console, make_table, print_table
from bench.files import write_whole
from tests import ROOT

KEPT = ROOT / "tests" / "ledger.toml"
PAGE = ROOT / "tests" / "LEDGER.md"
BEGIN, END = "<!-- ledger -->", "<!-- end of ledger -->"
LOGS = ROOT / "out" / "ledger"


@dataclass(frozen=True)
class Row:
    """A claim and the command it rests on. `figure` finds the figure in what the command prints, else it is
    the last line."""

    name: str
    claim: str
    command: str
    figure: str = ""


ROWS = (
    Row("rules", "every stated behaviour is carried by a test", "python -m tests.rules"),
    Row("tests", "all tests pass, the slow ones too", "tests/run --slow", r"=+ (.*passed.*?) =+$"),
    Row("coverage", "every branch of controller and C core is run", "python -m tests.coverage"),
    Row(
        "proofs",
        "bounds, latch, interpolation and events hold for all inputs",
        "python -m tests.proofs --long",
    ),
    Row("mutation", "tests notice a changed controller or frame decoder", "python -m tests.mutation"),
    Row(
        "twin", "the C core equals the reference bit for bit", "python -m bench.twin 100000000 --first 100000"
    ),
    Row("hazards", "no torque back by a failing sensor where a rule promises it", "python -m tests.hazards"),
    Row(
        "fuzz",
        "no bytes crash decoder, image loader, step, CSV or TOML",
        "python -m tests.fuzz --hour --jobs 6",
    ),
    Row("speed", "what is promised of speed", "python -m bench.benchmarks"),
    Row(
        "faults",
        "files stay whole, a CSV's memory is bounded by its rows, nothing leaks",
        "python -m tests.faults --long",
    ),
)


@dataclass(frozen=True)
class Figure:
    """What a row's command said: its exit code, when, on which commit, how long it took."""

    figure: str
    code: int
    day: str
    commit: str
    seconds: int


def find(printed: str, pattern: str) -> str:
    """The figure in what a command printed: the last match of the pattern's group, or the last line."""
    lines = [line.strip() for line in printed.splitlines() if line.strip()]
    if not pattern:
        return lines[-1] if lines else ""
    found = re.findall(pattern, printed, re.MULTILINE)
    return str(found[-1]).strip() if found else ""


def run_row(row: Row, folder: Path, commit: str) -> Figure:
    """Runs the row's command to its end; its output goes to `folder/NAME.log`."""
    folder.mkdir(parents=True, exist_ok=True)
    words = shlex.split(row.command)
    if words[0] == "python":
        words[0] = sys.executable
    log = folder / f"{row.name}.log"
    started = time.monotonic()
    with (
        log.open("wb") as into,
        subprocess.Popen(
            words,
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=into,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        ) as process,
    ):
        try:
            code = process.wait()
        except BaseException:
            # the command and all that it started
            os.killpg(process.pid, signal.SIGINT)
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
            raise
    printed = log.read_text(encoding="utf-8", errors="replace")
    today = datetime.now(UTC).date().isoformat()
    figure = find(printed, row.figure) or "it printed nothing that reads as a figure"
    return Figure(figure, code, today, commit, round(time.monotonic() - started))


def _commit() -> str:
    words = ["git", "describe", "--always", "--dirty", "--exclude=*"]
    told = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    return told.stdout.strip() or "unknown"


def kept() -> dict[str, Figure]:
    """The figures in tests/ledger.toml by the rows' names."""
    if not KEPT.exists():
        return {}
    tables = tomllib.loads(KEPT.read_text(encoding="utf-8"))
    return {name: Figure(**entries) for name, entries in tables.items()}


def page_table(figures: dict[str, Figure]) -> str:
    """The table of tests/LEDGER.md."""
    lines = ["| claim | evidence | figure | of |", "|---|---|---|---|"]
    for row in ROWS:
        known = figures.get(row.name)
        figure = "not run as a whole yet" if known is None else known.figure.replace("|", "/")
        if known is not None and known.code != 0:
            figure = f"OPEN (exit code {known.code}): {figure}"
        when = "" if known is None else f"{known.day}, {_duration(known.seconds)}, `{known.commit}`"
        lines.append(f"| {row.claim} | `{row.command}` | {figure} | {when} |")
    return "\n".join(lines)


def with_table(page: str, table: str) -> str:
    """The page with the table between its two marks."""
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n{table}\n{END}{rest.split(END)[1]}"


def _duration(seconds: int) -> str:
    if seconds < 120:
        return f"{seconds} s"
    return f"{seconds // 60} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _write(made: dict[str, Figure]) -> None:
    figures = {**kept(), **made}
    document = tomlkit.document()
    document.add(
        tomlkit.comment("What the commands of tests/ledger.py said last; python -m tests.ledger --write")
    )
    for row in ROWS:
        if row.name in figures:
            document[row.name] = asdict(figures[row.name])
    write_whole(KEPT, tomlkit.dumps(document).encode())
    page = with_table(PAGE.read_text(encoding="utf-8"), page_table(figures))
    write_whole(PAGE, page.encode())


@click.command()
@click.option("--only", type=click.Choice([row.name for row in ROWS]), multiple=True, help="Only this one.")
@click.option("--write", is_flag=True, help="Keep the figures, and put the table into tests/LEDGER.md.")
def main(only: tuple[str, ...], write: bool) -> None:
    """Run what the claims of tests/LEDGER.md rest on, and print claim, evidence and figure."""
    console = make_console()
    made: dict[str, Figure] = {}
    commit = _commit()  # once: what is written below changes the work tree
    stopped = False
    try:
        for row in ROWS:
            if not only or row.name in only:
                click.echo(f"{datetime.now():%H:%M} {row.name}: {row.command}", err=True)
                made[row.name] = run_row(row, LOGS, commit)
                if write:
                    _write({row.name: made[row.name]})
    except KeyboardInterrupt:
        stopped = True
    table = make_table(("claim", False), ("evidence", False), ("figure", False), ("took", True))
    for row in ROWS:
        if row.name in made:
            known = made[row.name]
            figure = known.figure if known.code == 0 else f"OPEN, exit code {known.code}: {known.figure}"
            table.add_row(row.claim, row.command, figure, _duration(known.seconds))
    print_table(console, "What was run", table)
    if stopped:
        click.echo("liftlatch: stopped", err=True)
        sys.exit(130)
    held = sum(known.code == 0 for known in made.values())
    console.print(f"{held} of {len(made)} claims hold")
    sys.exit(0 if held == len(made) else 1)


if __name__ == "__main__":
    main()
