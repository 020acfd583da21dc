"""The controller on the page of a replay, with what it needs to run again under other settings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bench.calibration import CalibrationFile, CalibrationMistakes, compile_text
from bench.calibration.image import REFUSALS, field_places
from bench.calibration.rewrite import Rewriter
from bench.document.blocks import WhatIf
from bench.document.columns import Column
from bench.replay.findings import Replay
from bench.replay.run import INPUT_TYPES
from firmware_model import wasm
from firmware_model.binding import OUTPUT_TYPES  # in the order of the core's own struct

MOST_TICKS = 120_000
"""A longer replay has none: a page would keep the reader waiting at each move."""
_STEP_PERCENT = 10  # of the greatest reduction, whose maps are made before


def what_if(s: Replay, figure: str, series: str = "run", differs: str = "") -> WhatIf | None:
    """For the run drawn as a series of a figure; None for a replay that is too long. `differs` is a column of
    the figure's series "A" that says where the commands of the two are not equal."""
    if s.run.n > MOST_TICKS:
        return None
    images = list(_images(s.calibration))
    arrays = s.inputs.arrays
    percents = [percent for percent, _ in images]
    return WhatIf(
        figure,
        wasm.module(),
        b"".join(image for _, image in images),
        [Column(arrays[name].astype("int32")) for name in INPUT_TYPES],
        {
            "series": series,
            "differs": differs,
            "fields": field_places(),
            "outputs": list(OUTPUT_TYPES),
            "refusals": REFUSALS,
            "greatest": percents,
            "least": min(percents),
            "most": max(percents),
            "step": _STEP_PERCENT,
            "tick_s": s.tick_s,
            "launch": s.runs[0][0] if s.runs else s.inputs.lead,
            "lifts": _lifts(s.calibration),
        },
    )


def _images(calibration: CalibrationFile) -> Iterator[tuple[float, bytes]]:
    """Greatest reductions in % and their images, that of the file first; maps have their own only."""
    own = max(calibration.row("reduction_map")) / 10
    yield own, calibration.image
    if calibration.built.ceilings_mm is None:
        return
    text = Rewriter(calibration.text)
    for percent in range(_STEP_PERCENT, 101, _STEP_PERCENT):
        if percent == own:
            continue
        try:
            made = compile_text(text.set({"ceilings.greatest_reduction_percent": percent}), calibration.path)
        except CalibrationMistakes:
            continue
        yield percent, made.image


def _lifts(calibration: CalibrationFile) -> dict[str, Any]:
    """The keys whose lifts move together with the ceilings, in mm."""
    ceilings = calibration.built.ceilings_mm
    if ceilings is None:
        lifts = calibration.row("lift_axis")[: calibration.number("lift_points")]
        return {"section": "maps", "keys": {"lift_mm": [lift / 16 for lift in lifts]}}
    lines = (ceilings.retard_from, ceilings.reduction_from, ceilings.full)
    names = ("retard_from_mm", "reduction_from_mm", "reduction_full_mm")
    return {
        "section": "ceilings",
        "keys": {name: line.tolist() for name, line in zip(names, lines, strict=True)},
    }
