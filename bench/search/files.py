"""What a search leaves for other commands: the calibration that it found, and its state."""

from __future__ import annotations

from pathlib import Path

from bench.search.facts import CALIBRATION
from bench.search.state import STATE
from bench.search.study import Found, state_text


def write_found(folder: Path, found: Found) -> None:
    """Both of them, into a folder; the calibration only where one keeps the limits or was asked for."""
    (folder / STATE).write_text(state_text(found), encoding="utf-8")
    if found.taken or found.chosen:
        (folder / CALIBRATION).write_text(calibration_text(found), encoding="utf-8")


def calibration_text(found: Found) -> str:
    """The calibration that is told as a file: the start's text with other values, below words of caution."""
    options = found.options
    limits = ", ".join(f"{limit.kind.words} {limit.kind.shown(limit.most)}" for limit in options.limits)
    head = f"# Sought by liftlatch search for {found.vehicle.path.name} (seed {options.seed}; {limits}).\n"
    if found.taken:
        kept = "keeps the limits" if found.kept else "does NOT keep the limits"
        share = f"{100 * found.told.judged.within:.1f} % of {options.check} cars kept them"
        head += f"# Row {found.row(found.taken)} of the trade-off, as asked for: it {kept}; {share}.\n"
    head += (
        "# A model's guess: start mild, with bars where the class allows, on a prepared track, under the\n"
        "# rules and the people responsible there.\n#\n"
    )
    return head + found.told.calibration.text
