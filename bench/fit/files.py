"""The fitted car as a vehicle file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.fit.car_text import fitted_text
from bench.fit.facts import Fit


def write_car(path: Path, facts: dict[str, Any], fit: Fit) -> None:
    """Write car.toml: the file it began with, with the fitted values in their places."""
    sources = [run.path.name for run in fit.runs]
    path.write_text(fitted_text(fit.vehicle, fit.fitted, sources, facts["notes"]), encoding="utf-8")
