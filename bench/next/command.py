"""liftlatch next: one command between two runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.book.command import book_option, said_options
from bench.facts import command_line, json_option, print_json
from bench.options import (
    SEED,
    TRACE_FILE,
    calibration_option,
    completes,
    distance_option,
    vehicle_option,
)
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.book.store import Book, Row
    from bench.calibration import CalibrationFile
    from bench.document.blocks import Document
    from bench.next.refit import Refit
    from bench.next.steps import Step
    from bench.search.limits import Limit
    from bench.trace.choice import ColumnChoice

_STEPS = ("safer", "same", "faster")


@click.command("next")
@click.argument("log", type=TRACE_FILE, required=False, metavar="[LOG]")
@book_option
@calibration_option("The calibration that drove the run of LOG.", required=False)
@click.option(
    "--step", type=click.Choice(_STEPS),
    help="Instead of --calibration: the run was driven with this step of the last proposal.",
)  # fmt: skip
@vehicle_option("The car's file, which the fit begins with.")
@click.option(
    "--limit", "limit_texts", multiple=True, metavar="NAME_UNIT=MOST",
    shell_complete=completes("bench.search.words:limits"),
    help="What a step must keep, as in search.  [default: lift_mm= where the sensor ends]",
)  # fmt: skip
@distance_option("The time that counts is that to", "660")
@click.option("--no-copy", is_flag=True, help="Keep only where LOG lies and its digest, not a copy of it.")
@click.option(
    "--seed", type=SEED, default=1, show_default=True, metavar="N",
    help="Chooses cars and what is tried; the same seed gives the same steps.",
)  # fmt: skip
@said_options
@json_option
@trace_options
def next_(
    log: Path | None,
    book_path: Path,
    calibration_path: Path | None,
    step: str | None,
    vehicle_path: Path,
    limit_texts: tuple[str, ...],
    feet: int,
    no_copy: bool,
    seed: int,
    as_json: bool,
    choice: ColumnChoice,
    **told: Any,
) -> int:
    """After a run: keep LOG in the book, say why it cut and whether all was well, and propose what to change.

    Fits the car to the newest runs of the book that it drove, and seeks three small steps near the setting of
    the last run: safer, the same, faster, each with what is expected of it in 80 of 100 runs. How wide those
    ranges are follows from how far off earlier predictions for this car were. Where the model does not
    describe the car there is no prediction, and the exit code is 1. Without LOG: for the book's last run.

    The calibrations and a page are written into the run's folder of the book. A model's guess, and an
    engineering aid, not a safety device: start mild, with bars where the class allows, on a prepared track,
    under the rules and the people responsible there.
    """
    from bench.book.add import add, calibration_of, choice_of, replayed
    from bench.book.predictions import scores
    from bench.book.store import Book
    from bench.document.terminal import show
    from bench.errors import UserError
    from bench.fit.command import progress_line as fitting
    from bench.next.document import make_document
    from bench.next.facts import make_facts
    from bench.next.refit import refit
    from bench.next.steps import propose
    from bench.search.progress import progress_line as seeking
    from bench.vehicle.vehicle_file import load

    book = Book(book_path)
    vehicle = load(vehicle_path)
    if log is not None and not _kept_last(book, log):
        drove = calibration_path if step is None else _proposed(book, step)
        if drove is None:
            raise UserError("is missing", "--calibration", "name what drove the run, or give --step")
        add(book, log, drove, vehicle_path, choice, told, not no_copy, command_line())
    rows = [row for row in book.rows() if not row.damage]
    if not rows:
        raise UserError("has no run yet", book_path, "give LOG")
    last = rows[-1]
    present = calibration_of(last)
    limits = _limits(limit_texts, present)
    done = replayed(last.log(), present, choice_of(last), command_line())
    unfit = {row.number for row in rows if row.figures.get("loud")}
    with fitting() as progress:
        found = refit(rows, vehicle, unfit, progress)
    steps = []
    if found.vehicle is not None:
        with seeking() as watch:
            steps = propose(found.vehicle, present, limits, feet, seed, scores(rows), len(found.used), watch)
    facts = make_facts(rows, done.facts, found, steps, limits, feet, command_line())
    document = make_document(facts, done.stepped, steps, found.vehicle, limits)
    folder = _keep(book, last, facts, document, found, steps)
    if as_json:
        print_json(facts)
    else:
        show(document, folder)
    return 0 if found.vehicle is not None else 1


def _kept_last(book: Book, log: Path) -> bool:
    """Whether the last run of the book is that of LOG: `next` was stopped, or is asked once more."""
    from bench.book.add import kept_as
    from bench.files import digest_of

    numbers = book.numbers()
    if not numbers or not log.is_file():
        return False
    return kept_as(book, digest_of(log)) == numbers[-1]


def _limits(texts: tuple[str, ...], present: CalibrationFile) -> tuple[Limit, ...]:
    """Those that are given; the lift where the sensor ends where none is."""
    from bench.search.limits import read_limits, with_defaults

    return with_defaults(read_limits(texts or (f"lift_mm={present.far_lift_mm:.0f}",)))


def _proposed(book: Book, step: str) -> Path:
    """The calibration of a step of the last proposal."""
    from bench.errors import UserError

    numbers = book.numbers()
    if numbers:
        folders = book.row(numbers[-1]).folder.glob("next*")
        for folder in sorted(folders, key=lambda path: (len(path.name), path.name), reverse=True):
            if (folder / f"{step}.toml").is_file():
                return folder / f"{step}.toml"
    raise UserError(f"the last run has no step {step}", "--step", "give --calibration FILE")


def _keep(
    book: Book, last: Row, facts: dict[str, Any], document: Document, found: Refit, steps: list[Step]
) -> Path:
    """Write the proposal into a new folder of the run, and what was predicted beside the run."""
    from bench.book.store import PREDICTIONS
    from bench.document.write import write
    from bench.facts import as_json
    from bench.files import whole_folder
    from bench.next.facts import said

    names = ["next", *(f"next-{n}" for n in range(2, 1000))]
    target = next(last.folder / name for name in names if not (last.folder / name).exists())
    with whole_folder(target) as folder:
        write(folder, facts, document)
        for step in steps:
            (folder / f"{step.name}.toml").write_text(_HEAD + step.calibration.text, encoding="utf-8")
        if found.text:
            (folder / "fitted.toml").write_text(found.text, encoding="utf-8")
    if steps:
        book.keep(last.number, PREDICTIONS, as_json(said(facts, last.predictions)))
    return target


_HEAD = (
    "# Proposed by liftlatch next. A model's guess: try it on stands, engine off, before the strip; start\n"
    "# mild, with bars where the class allows, on a prepared track, under the rules and the people\n"
    "# responsible there.\n#\n"
)
