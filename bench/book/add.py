"""A run into the book: its log replayed with the calibration that drove it, and all of that kept."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from bench.book import entry as entries
from bench.book import measure
from bench.book.store import CALIBRATION, CAR, LAYOUT, REPORT, Book, Row
from bench.calibration import CalibrationFile, load
from bench.document.blocks import Document
from bench.document.html import render
from bench.errors import UserError
from bench.facts import as_json
from bench.replay.account import account
from bench.replay.findings import Replay
from bench.replay.inputs import Options, from_trace
from bench.replay.logged import lay_log
from bench.replay.logged_agreement import disagreement
from bench.replay.readiness import LOUD
from bench.replay.run import core_to_use, run
from bench.trace.choice import ColumnChoice
from bench.trace.layout import given_layout, layouts_beside
from bench.trace.read import read_trace


@dataclass(frozen=True)
class Replayed:
    """A log with a calibration: the facts of its replay (bench.replay.facts) and its figures."""

    stepped: Replay
    facts: dict[str, Any]
    figures: dict[str, Any]
    document: Document


def replayed(log: Path, calibration: CalibrationFile, choice: ColumnChoice, words: Sequence[str]) -> Replayed:
    """Replay a log. Raises UserError for what is wrong with it."""
    trace = read_trace(log, choice)
    inputs = from_trace(trace, calibration, Options())
    logged, torque_from = lay_log(trace, inputs, None)
    trace.channels.clear()
    core, _ = core_to_use(None)
    stepped = Replay(inputs, run(core, calibration.image, inputs.arrays), calibration, logged, torque_from)
    told = account(trace, stepped, words)
    figures = measure.figures(stepped, told.found) | {"log_agrees": None, "log_differs": ""}
    figures["loud"] = [remark.code for remark in told.remarks if remark.code in LOUD]
    if told.facts["logged"] is not None and told.facts["logged"]["samples"]:
        why = disagreement(told.facts["logged"], log)
        figures |= {"log_agrees": not why, "log_differs": why}
    return Replayed(stepped, told.facts, figures, told.document)


def add(
    book: Book,
    log: Path,
    calibration_path: Path,
    vehicle_path: Path | None,
    choice: ColumnChoice,
    told: dict[str, Any],
    copy: bool,
    words: Sequence[str],
) -> tuple[int, Replayed]:
    """Keep a run. Raises UserError where the book has this log already, and for what is wrong with it."""
    calibration = load(calibration_path)
    done = replayed(log, calibration, choice, words)
    digest = done.facts["trace"]["sha256"]
    number = kept_as(book, digest)
    if number is not None:
        right = f"correct it with `liftlatch book set {number}`"
        raise UserError(f"is in the book already, as run {number}", log, right)
    files = {
        CALIBRATION: calibration.text.encode(),
        "summary.json": as_json(done.facts).encode(),
        measure.FILE: as_json(done.figures).encode(),
        REPORT: render(done.document).encode(),
    }
    if vehicle_path is not None:
        files[CAR] = vehicle_path.read_bytes()
    given = given_layout(choice.layouts, log)
    if given is not None:
        files[LAYOUT] = given.path.read_bytes()
    elif copy:
        files |= {path.name: path.read_bytes() for path in layouts_beside(log) if path.name not in files}
    name = log.name if log.name not in (*files, entries.FILE) else f"log-{log.name}"
    if copy:
        files[name] = log.read_bytes()
    else:  # from the run's folder on, so that both can be moved together
        name = os.path.relpath(log, book.folder / "0001")
    modified = datetime.fromtimestamp(log.stat().st_mtime).replace(microsecond=0)
    entry: dict[str, Any] = {
        "book_version": entries.VERSION,
        "run": {"when": modified.isoformat()},
        "log": {"file": name, "sha256": digest, "added_from": str(log)},
        "calibration": {
            "image_crc32": f"{calibration.crc:08x}", "sha256": calibration.digest,
            "added_from": str(calibration_path),
        },
        "reading": _reading(choice),
    }  # fmt: skip
    return book.add(entries.changed(entry, told), files), done


def kept_as(book: Book, digest: str) -> int | None:
    """The number of the run whose log has this SHA-256, None where the book has it not."""
    found = (row.number for row in book.rows() if row.entry.get("log", {}).get("sha256") == digest)
    return next(found, None)


def _reading(choice: ColumnChoice) -> dict[str, Any]:
    """How the log is read, as far as options say; a layout lies beside it."""
    told = asdict(choice)
    del told["layouts"]
    return {key: value for key, value in told.items() if value not in (None, 0.0, {}, ())}


def choice_of(row: Row) -> ColumnChoice:
    """How the log of a run is read again."""
    told = {key: row.entry.get("reading", {}).get(key) for key in ColumnChoice.__dataclass_fields__}
    layout = row.folder / LAYOUT
    given = {key: value for key, value in told.items() if value is not None}
    return ColumnChoice(**given | {"layouts": (str(layout),) if layout.is_file() else ()})


def calibration_of(row: Row) -> CalibrationFile:
    """The calibration that drove a run. Raises UserError where its file is damaged."""
    return load(row.folder / CALIBRATION)
