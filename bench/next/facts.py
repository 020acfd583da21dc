"""What `liftlatch next` found, as plain values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bench.book import predictions
from bench.book.facts import runs_of, sensor_over_time
from bench.book.store import Row
from bench.cautions import CAUTIONS, MODEL
from bench.facts import head
from bench.next.refit import Refit
from bench.next.steps import Step
from bench.search.limits import Limit

SUMMARY_VERSION = 1
_LOOKED_AT = 50  # runs back, for what the sensor does over time


def make_facts(
    rows: Sequence[Row],
    replay: dict[str, Any],
    refit: Refit,
    steps: Sequence[Step],
    limits: Sequence[Limit],
    feet: int,
    words: Sequence[str],
) -> dict[str, Any]:
    """Everything that is said between two runs. Keys stay; SUMMARY_VERSION grows when the meaning of one
    changes. `rows` are the runs of the book, the last one that which has just been; `replay` are the facts of
    its replay."""
    runs = runs_of(rows[-_LOOKED_AT:])
    loud = set(runs[-1]["loud"] or ())
    return {
        **head(SUMMARY_VERSION, words),
        "last": runs[-1],
        "reasons": replay["reasons"],
        "askers": replay["askers"],
        "ready": not loud,
        "look_at": replay["look_at"],
        "loud": [one["text"] for one in replay["look_at"] if one["code"] in loud],
        "sensor": sensor_over_time(runs),
        "distance_ft": feet,
        "limits": {limit.kind.words: limit.kind.shown(limit.most) for limit in limits},
        "fit": {
            "holds": refit.vehicle is not None,
            "why_not": refit.why,
            "runs": refit.used,
            "left_out": refit.left_out,
            "notes": refit.notes,
        },
        "steps": [_step(step) for step in steps],
        "predictions": predictions.facts(rows),
        "cautions": f"{MODEL} {CAUTIONS}",
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "step": step.name,
        "image_crc32": f"{step.calibration.crc:08x}",
        "changed": [{"key": key, "from": before, "to": after} for key, before, after in step.changed],
        "why": step.why,
        "worse": step.worse,
        "keeps_limits": step.kept,
        "figures": step.figures,
    }


def said(facts: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """What is kept of it beside the run, to be scored (bench.book.predictions), with what was said `before`
    after the same run: a person may have driven that."""
    steps = [{key: step[key] for key in ("step", "image_crc32", "figures")} for step in facts["steps"]]
    known = {step["image_crc32"] for step in steps}
    older = [step for step in before.get("steps", ()) if step["image_crc32"] not in known]
    return {
        "predictions_version": predictions.VERSION,
        "distance_ft": facts["distance_ft"],
        "steps": [*steps, *older],
    }
