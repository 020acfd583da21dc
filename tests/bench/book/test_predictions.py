"""Predictions held against what came, and what the next ones make of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.book.predictions import correction, facts, scores
from bench.book.store import Row


def row(number: int, crc: str, peak: float | None, said: dict[str, Any] | None = None, **figures: Any) -> Row:
    entry = {"calibration": {"image_crc32": crc}}
    return Row(number, Path("x"), entry, figures={"peak_lift_mm": peak, **figures}, predictions=said or {})


def said(crc: str, low: float, high: float) -> dict[str, Any]:
    middle, half = (low + high) / 2, (high - low) / 2
    peak = {"low": low, "expected": middle, "high": high, "model": middle, "half": half}
    return {
        "distance_ft": 660,
        "steps": [{"step": "safer", "image_crc32": crc, "figures": {"peak_lift_mm": peak}}],
    }


def test_a_prediction_counts_for_the_next_run_with_its_calibration() -> None:
    rows = [
        row(1, "a", 200, said("b", 180, 220)),
        row(2, "b", 210, said("b", 180, 200)),
        row(3, "b", 210, said("c", 180, 220)),
        row(4, "d", 210, said("d", 180, 220)),
        row(5, "d", 250, said("d", 180, 260), beyond_sensor=True),
        row(6, "d", 250, beyond_sensor=True),
    ]
    found = scores(rows)
    # run 4 was driven with another calibration, in runs 5 and 6 nobody saw the peak
    assert [(one["run"], one["from_run"], one["held"]) for one in found] == [(2, 1, True), (3, 2, False)]
    assert facts(rows)["held"] == 1


def test_the_range_follows_how_far_off_predictions_were() -> None:
    """Normal errors of a known size: after many the claimed range holds about 80 % of them."""
    rng = np.random.default_rng(3)
    for size, off in ((0.5, 0.0), (1.0, 15.0), (2.5, -20.0)):
        errors = off + size * 20 / 1.2816 * rng.normal(size=400)
        scored = [
            {"figure": "peak_lift_mm", "measured": 200 + error, "model": 200.0, "half": 20.0}
            for error in errors
        ]
        bias, wider = correction(scored, "peak_lift_mm")
        assert bias == pytest.approx(off, abs=3.0)
        assert wider == pytest.approx(size, rel=0.15)
        fresh = off + size * 20 / 1.2816 * rng.normal(size=4000)
        inside = np.abs(fresh - bias) <= wider * 20
        assert 0.74 < inside.mean() < 0.86
    bias, wider = correction([], "peak_lift_mm")
    assert bias == 0
    assert wider == 1.0
