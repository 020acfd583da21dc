"""The figure of a fitted run: measured, given car and fitted car, and the residuals of each channel."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from bench.document.blocks import Jump, Level, Line, Panel, Place, Series, Strip
from bench.document.columns import Column
from bench.fit.facts import Fit
from bench.fit.measured import CHANNELS, STEP_S

DECIMALS = {"height": 1, "speed": 2, "engine": 0, "shaft": 0}
WORDS = {"height": "Height at the sensor", "speed": "Road speed", "engine": "Engine speed",
         "shaft": "Shaft speed"}  # fmt: skip
_HEIGHTS = {"height": 230, "speed": 140, "engine": 140, "shaft": 140}


def strip(fit: Fit, i: int, facts: dict[str, Any]) -> Strip:
    """Run number `i`; `facts` are those of this run."""
    run, fitted = fit.runs[i], fit.fitted
    n = len(fitted.seen[i]["height"])
    columns = {"time": Column(np.round(run.time[:n] * 1e6).astype(np.int32), 1e6, "s", 3)}
    panels: list[Panel] = []
    for name in run.values:
        columns |= _columns(fit, i, name)
        panels += _channel(fit, i, name)
    panels.append(
        Panel(
            "Torque taken", "%", [Line("commanded", "taken", "fill", "share")], height=80, bottom=0.0,
            least_top=10.0,
        )
    )  # fmt: skip
    series = {
        "run": Series(columns, step=float(np.diff(run.time[:n]).min()), along="time"),
        "share": Series({"taken": Column.of(100 * (1 - run.share), 1, "%", 1)}, 0.0, STEP_S),
    }
    name, end = f"run-{i + 1}", float(run.time[n - 1])
    peak = float(run.time[int(np.nanargmax(fitted.seen[i]["height"]))])
    return Strip(
        name, f"Measured and fitted: {run.path.name}", series, panels, (0.0, end),
        axis="s since the launch", cursor=peak, places=list(_places(name, facts, end, peak)),
    )  # fmt: skip


def _columns(fit: Fit, i: int, name: str) -> dict[str, Column]:
    run, fitted = fit.runs[i], fit.fitted
    seen = fitted.seen[i][name]
    measured = run.values[name][: len(seen)]
    residuals = np.where(np.isfinite(measured), fitted.differences[i][name], np.nan)
    decimals, unit = DECIMALS[name], CHANNELS[name]
    return {
        f"{name}_measured": Column.of(measured, decimals, unit),
        f"{name}_fitted": Column.of(seen, decimals, unit),
        f"{name}_given": Column.of(fitted.before[i][name] + measured, decimals, unit),
        f"{name}_left": Column.of(residuals, decimals + 1, unit),
    }


def _channel(fit: Fit, i: int, name: str) -> Iterator[Panel]:
    run = fit.runs[i]
    ends = name == "height" and run.at_end.any()
    yield Panel(
        WORDS[name],
        CHANNELS[name],
        [
            Line("measured", f"{name}_measured", "dots"),
            Line("given car", f"{name}_given", "third"),
            Line("fitted car", f"{name}_fitted", "main"),
        ],
        [Level("sensor's end", run.end_mm, "limit-dotted")] if ends else [],
        height=_HEIGHTS[name],
    )
    yield Panel(
        "Residuals: fitted minus measured",
        CHANNELS[name],
        [Line("residual", f"{name}_left", "thin")],
        [Level("none", 0.0, "pale")],
        height=80,
    )


def _places(figure: str, facts: dict[str, Any], end: float, peak: float) -> Iterator[Place]:
    yield Place("all of it", f"{end:.2f} s", Jump(figure, 0.0, end, peak), "launch")
    title = f"{facts['peak_lift_fitted_mm']:.0f} mm"
    jump = Jump(figure, peak - 0.4, peak + 0.4, peak)
    yield Place(title, "greatest lift of the fitted car", jump, "lift")
    for shift in facts["shifts_s"]:
        jump = Jump(figure, shift - 0.25, shift + 0.25, shift)
        yield Place("gear change", f"at {shift:.3f} s", jump, "mark")
