"""What was predicted before a run, held against what came: how far off, and what that says of the next.

Kept as predictions.json in the folder of the run after which it was said. A prediction counts for the run
that came next, where that was driven with one of the calibrations that were proposed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from bench.book.store import Row
from bench.vehicle.harm import at_share

VERSION = 1
FIGURES = ("peak_lift_mm", "landing_m_per_s", "time_s")
# How far off the first predictions for a car are taken to be, as shares of half the range that the cars of a
# spread leave: normal errors (of which 20, 40, 60, 80 and 87 % are smaller) over the one that 80 % stay
# below. Each counts like one score; with them alone the range is the spread's own.
_BEFORE = (0.198, 0.409, 0.657, 1.0, 1.2)
_LEAST, _MOST = 0.5, 5.0  # times that range
_BIAS_COUNTS = 3  # scores of no bias at all that are taken to be there


def measured(row: Row, figure: str, feet: int) -> float | None:
    """A figure of a run as its log shows it, the way it is predicted."""
    if figure == "time_s":
        found = row.figures.get("by_log_s", {}).get(str(feet))
    else:
        found = row.figures.get(figure)
        if figure == "peak_lift_mm" and row.figures.get("beyond_sensor"):
            return None  # higher than anybody saw
        if figure == "landing_m_per_s" and row.figures.get("up_at_end"):
            return None
    return None if found is None else float(found)


def scores(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Every prediction that was put to the test, in the order of the runs: `run`, `from_run`, `step`,
    `figure`, `low`, `high` (of 80 %), `measured`, `held`; `model` and `half`: what the model said, and half
    of its spread's range."""
    found = []
    for before, row in itertools.pairwise(rows):
        said = before.predictions
        steps = {one["image_crc32"]: one for one in said.get("steps", ())}
        step = steps.get(row.crc)
        if step is None:
            continue
        for figure in FIGURES:
            value, range_ = measured(row, figure, said["distance_ft"]), step["figures"].get(figure)
            if value is None or range_ is None:
                continue
            found.append({
                "run": row.number, "from_run": before.number, "step": step["step"], "figure": figure,
                **range_, "measured": value, "held": range_["low"] <= value <= range_["high"],
            })  # fmt: skip
    return found


def facts(rows: Sequence[Row]) -> dict[str, Any]:
    """The scores as they stand in a document, with how many ranges held."""
    found = scores(rows)
    return {"scored": found, "held": sum(one["held"] for one in found)}


def correction(found: Sequence[dict[str, Any]], figure: str) -> tuple[float, float]:
    """(what to add to the model's value, how many times the spread's range to claim for 80 %) by the scores
    of a figure."""
    mine = [one for one in found if one["figure"] == figure]
    errors = [one["measured"] - one["model"] for one in mine]
    bias = sum(errors) / (len(errors) + _BIAS_COUNTS)
    off = [abs(error - bias) / one["half"] for error, one in zip(errors, mine, strict=True)]
    ratios = [ratio for ratio in (*_BEFORE, *off) if math.isfinite(ratio)]
    return bias, min(_MOST, max(_LEAST, at_share(np.array(ratios), 0.8)))
