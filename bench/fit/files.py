"""The car's file that a fit leaves behind."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.fit.car_text import fitted_text
from bench.fit.facts import Fit


def write_car(path: Path, facts: dict[str, Any], fit: Fit) -> None:
    """Write the file of the fitted car."""
    sources = [run.path.name for run in fit.runs]
    path.write_text(fitted_text(fit.vehicle, fit.fitted.told, sources, facts["notes"]), encoding="utf-8")
