"""liftlatch book: the runs of a car, kept, corrected, shown and laid over each other."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.facts import command_line, head, json_option, print_json
from bench.options import (
    FOLDER,
    TRACE_FILE,
    FilePath,
    Number,
    calibration_option,
    replace_option,
    vehicle_option,
)
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.book.store import Book
    from bench.trace.choice import ColumnChoice

_RUN = click.argument("number", type=click.IntRange(1), metavar="RUN")


def book_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--book DIR, as `book_path`."""
    return click.option(
        "--book", "book_path", type=FOLDER, required=True, metavar="DIR",
        help="The book's folder; in a car's folder its own.",
    )(command)  # fmt: skip


def said_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What a person says of a run: --when to --changed, as bench.book.entry.changed takes them."""
    for option in reversed((
        click.option("--when", metavar="TIME", help="Of the run, such as 2026-05-02T14:30."),
        click.option("--lane", metavar="TEXT", help="Left, right, a track's name: any words."),
        click.option("--note", metavar="TEXT", help="Anything worth keeping."),
        click.option("--changed", metavar="TEXT", help="What was changed on the car before this run."),
        click.option(
            "--slip", "slips", multiple=True, metavar="FT=S[@SPEED]",
            help="A line of the time slip, such as 60=1.021 or 660=4.912@241km/h (or mph); again for each.",
        ),
        click.option("--reaction", "reaction_s", type=Number(-10, 60), metavar="S",
                     help="Reaction time of the slip; it is in no other time."),
        click.option("--temperature", "temperature_c", type=Number(), metavar="C", help="Of the air."),
        click.option("--pressure", "pressure_hpa", type=Number(), metavar="HPA",
                     help="Of the air at the track as a barometer reads it, not reduced to sea level."),
        click.option("--humidity", "humidity_percent", type=Number(), metavar="%", help="Relative humidity."),
        click.option("--altitude", "altitude_m", type=Number(), metavar="M",
                     help="Of the track: stands in for the pressure where there is none."),
    )):  # fmt: skip
        command = option(command)
    return command


@click.group()
def book() -> None:
    """Keep every run: its log, its calibration, its air, its time slip, and what came of it.

    One folder a run, of plain text files that may be put under version control. Everything can be added or
    corrected later.
    """


@book.command()
@click.argument("log", type=TRACE_FILE)
@book_option
@calibration_option("The calibration that drove the run.")
@vehicle_option("The car's file as it was, to be kept beside it.", required=False)
@click.option("--no-copy", is_flag=True, help="Keep only where LOG lies and its digest, not a copy of it.")
@said_options
@json_option
@trace_options
def add(
    log: Path,
    book_path: Path,
    calibration_path: Path,
    vehicle_path: Path | None,
    no_copy: bool,
    as_json: bool,
    choice: ColumnChoice,
    **told: Any,
) -> None:
    """Keep the run of LOG: replays it with its calibration, and keeps all of that under the next number."""
    from bench.book.add import add as keep
    from bench.book.store import Book

    book = Book(book_path)
    number, _ = keep(
        book, log, calibration_path, vehicle_path, choice, told, not no_copy, command_line()
    )  # fmt: skip
    _tell_one(book, number, as_json)


@book.command("set")
@_RUN
@book_option
@said_options
@json_option
def set_(number: int, book_path: Path, as_json: bool, **told: Any) -> None:
    """Add or correct what is said of RUN. An empty word, or nothing behind FT=, takes a value out."""
    from bench.book.store import Book

    book = Book(book_path)
    book.correct(number, told)
    _tell_one(book, number, as_json)


@book.command()
@click.argument("number", type=click.IntRange(1), required=False, metavar="[RUN]")
@book_option
@json_option
def show(number: int | None, book_path: Path, as_json: bool) -> None:
    """Show the book as a table, or all of RUN."""
    from bench.book.document import make_document
    from bench.book.facts import make_facts
    from bench.book.store import Book
    from bench.document.terminal import show as show_document

    book = Book(book_path)
    if number is not None:
        _tell_one(book, number, as_json)
        return
    facts = make_facts(book.rows(), command_line(), str(book_path))
    if as_json:
        print_json(facts)
    else:
        show_document(make_document(facts), None)


@book.command()
@book_option
@click.option(
    "--out", type=FilePath("html"), metavar="FILE",
    help="Write the page there.  [default: book.html in the book, whose runs open on a click]",
)  # fmt: skip
@replace_option
@json_option
def page(book_path: Path, out: Path | None, as_json: bool) -> None:
    """Write the book as one page that needs nothing else."""
    import os

    from bench.book.document import make_document
    from bench.book.facts import make_facts
    from bench.book.store import Book
    from bench.document.html import render
    from bench.errors import UserError
    from bench.files import write_whole
    from bench.result import write_result

    rows = Book(book_path).rows()
    if not rows:
        raise UserError("has no run yet", book_path, "add one with `liftlatch book add LOG`")
    facts = make_facts(rows, command_line(), str(book_path))
    target = out or book_path / "book.html"
    base = os.path.relpath(book_path, target.parent)
    for run, row in zip(facts["runs"], rows, strict=True):
        there = (row.folder / "report.html").is_file()
        run["report"] = "/".join((*Path(base).parts, *Path(run["report"]).parts)) if there else ""
    text = render(make_document(facts))
    if out is None:
        write_whole(target, text)
    else:
        write_result(target, text)
    if as_json:
        print_json({**facts, "page": str(target)})
        return
    click.echo(f"Written: {target}")


@book.command()
@click.argument("first", type=click.IntRange(1), metavar="RUN")
@click.argument("second", type=click.IntRange(1), metavar="RUN")
@book_option
@json_option
def diff(first: int, second: int, book_path: Path, as_json: bool) -> None:
    """Lay two runs over each other: what was changed, what came of it, and where their commands differ."""
    from bench.book.diff import compared
    from bench.book.store import Book
    from bench.document.terminal import show as show_document

    facts, document = compared(Book(book_path), first, second, command_line())
    if as_json:
        print_json(facts)
    else:
        show_document(document, None)


@book.command()
@_RUN
@book_option
@click.option("--yes", is_flag=True, help="Do it.")
@json_option
def remove(number: int, book_path: Path, yes: bool, as_json: bool) -> None:
    """Put RUN away, into the folder `removed` of the book; empty that by hand where you are sure."""
    from bench.book.store import Book
    from bench.errors import UserError

    if not yes:
        raise UserError(f"run {number} stays unless you mean it", "book remove", "give --yes too")
    to = Book(book_path).remove(number)
    if as_json:
        print_json({**head(1), "removed": number, "to": str(to)})
        return
    click.echo(f"Run {number} lies in {to} now")


def _tell_one(book: Book, number: int, as_json: bool) -> None:
    """All of one run."""
    from bench.book.document import run_document
    from bench.book.facts import make_facts
    from bench.document.terminal import show as show_document

    facts = make_facts([book.row(number)], command_line(), str(book.folder))
    if as_json:
        print_json(facts)
    else:
        show_document(run_document(facts), None)
