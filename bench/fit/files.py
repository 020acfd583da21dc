"""What a fit leaves behind: car.toml, report.html, fit.png and summary.json."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.facts import as_json
from bench.fit.car_text import fitted_text
from bench.fit.report import Fit


def write_all(folder: Path, facts: dict[str, Any], fit: Fit) -> None:
    """Fill a folder."""
    from bench.fit import page
    from bench.fit.picture import draw

    sources = [run.path.name for run in fit.runs]
    text = fitted_text(fit.vehicle, fit.fitted.told, sources, facts["notes"])
    (folder / "car.toml").write_text(text, encoding="utf-8")
    (folder / "summary.json").write_text(as_json(facts), encoding="utf-8")
    page.write(folder / "report.html", facts, fit)
    draw(folder / "fit.png", fit)
