"""Two runs of the book laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from bench.book.add import calibration_of, choice_of
from bench.book.document import said
from bench.book.facts import make_facts as book_facts
from bench.book.store import Book
from bench.compare.document import make_document
from bench.compare.facts import make_facts
from bench.compare.study import Study, read_and_run
from bench.document.blocks import Document, Section, Table
from bench.errors import UserError
from bench.replay.inputs import Options
from bench.replay.run import core_to_use


def compared(book: Book, first: int, second: int, words: Sequence[str]) -> tuple[dict[str, Any], Document]:
    """Both runs with both calibrations, as bench.compare has it, and before that what came of them.

    Raises UserError where a run or its log is missing."""
    if first == second:
        raise UserError(f"run {first} twice", "book diff", "name two runs")
    rows = [book.row(first), book.row(second)]
    calibrations = [calibration_of(row) for row in rows]
    core, _ = core_to_use(None)
    parts = [
        read_and_run([row.log()], calibrations, choice_of(row), Options(), core) for row in rows
    ]  # each read in its own way
    recordings = [
        replace(part.recordings[0], label=f"run {row.number}") for row, part in zip(rows, parts, strict=True)
    ]
    study = Study(calibrations, recordings, core)
    facts = make_facts(study, words) | {"results": book_facts(rows, words, str(book.folder))["runs"]}
    document = make_document(facts, study)
    results = Section("What came of them", [_results(facts["results"])])
    return facts, replace(
        document, what="book", title=f"Runs {first} and {second}", files=[],
        sections=[results, *document.sections],
    )  # fmt: skip


def _results(runs: Sequence[dict[str, Any]]) -> Table:
    a, b = (dict(said(run)) for run in runs)
    rows = [(name, a.get(name, "-"), b.get(name, "-")) for name in dict.fromkeys([*a, *b])]
    columns = (("", False), *((f"run {run['run']}", False) for run in runs))
    return Table(columns, rows, "What came of them")
