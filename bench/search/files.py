"""What a search leaves behind beside its document: its state, and the calibration that was chosen."""

from __future__ import annotations

from pathlib import Path

from bench.search.state import STATE
from bench.search.study import Found, state_text

CALIBRATION = "calibration.toml"


def calibration_text(found: Found) -> str:
    """The chosen calibration as a file: the start's text with other values, below a word of caution."""
    assert found.chosen is not None
    options = found.options
    limits = ", ".join(f"{limit.kind.words} {limit.kind.shown(limit.most)}" for limit in options.limits)
    head = (
        f"# Sought by liftlatch search for {found.vehicle.path.name} (seed {options.seed}; {limits}).\n"
        "# A model's guess: start mild, with bars where the class allows, on a prepared track, under the\n"
        "# rules and the people responsible there.\n#\n"
    )
    return head + found.chosen.calibration.text


def write_rest(folder: Path, found: Found) -> None:
    """Write the state, and the calibration where one keeps the limits."""
    (folder / STATE).write_text(state_text(found), encoding="utf-8")
    if found.chosen is not None:
        (folder / CALIBRATION).write_text(calibration_text(found), encoding="utf-8")
