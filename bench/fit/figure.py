"""The figure of a fit: measured against fitted, for the page and for the picture."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from bench.document.blocks import Jump, Level, Line, Panel, Place, Series, Strip
from bench.document.columns import Column
from bench.fit.facts import Fit
from bench.fit.measured import CHANNELS, STEP_S

MOST_RUNS = 4
"""Runs in a picture; the page has all."""

DECIMALS = {"height": 1, "speed": 2, "engine": 0}
WORDS = {"height": "Height at the sensor", "speed": "Road speed", "engine": "Engine speed"}
_HEIGHTS = {"height": 230, "speed": 140, "engine": 140}


def picture(fit: Fit, facts: dict[str, Any]) -> list[Strip]:
    """The first runs, one below the other; `facts` are those of bench.fit.facts."""
    runs = facts["runs"][:MOST_RUNS]
    return [
        replace(strip(fit, i, run), title=fit.runs[i].path.name, cursor=None) for i, run in enumerate(runs)
    ]


def strip(fit: Fit, i: int, facts: dict[str, Any]) -> Strip:
    """One run; `facts` are those of the run."""
    run, fitted = fit.runs[i], fit.fitted
    n = len(fitted.seen[i]["height"])
    columns = {"time": Column(np.round(run.time[:n] * 1e6).astype(np.int32), 1e6, "s", 3)}
    panels: list[Panel] = []
    for name, unit in CHANNELS.items():
        d = DECIMALS[name]
        measured = run.values[name][:n]
        columns |= {
            f"{name}_measured": Column.of(measured, d, unit),
            f"{name}_fitted": Column.of(fitted.seen[i][name], d, unit),
            f"{name}_given": Column.of(fitted.before[i][name] + measured, d, unit),
            f"{name}_left": Column.of(
                np.where(np.isfinite(measured), fitted.differences[i][name], np.nan), d + 1, unit
            ),
        }
        ends = name == "height" and run.at_end.any()
        panels += [
            Panel(
                WORDS[name],
                unit,
                [
                    Line("measured", f"{name}_measured", "dots"),
                    Line("given car", f"{name}_given", "third"),
                    Line("fitted car", f"{name}_fitted", "main"),
                ],
                [Level("sensor's end", run.end_mm, "limit-dotted")] if ends else [],
                height=_HEIGHTS[name],
            ),
            Panel(
                "What is left: fitted minus measured",
                unit,
                [Line("left", f"{name}_left", "thin")],
                [Level("none", 0.0, "pale")],
                height=80,
            ),
        ]
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
    figure = f"run-{i + 1}"
    end = float(run.time[n - 1])
    peak = float(run.time[int(np.nanargmax(fitted.seen[i]["height"]))])
    places = [
        Place("all of it", f"{end:.2f} s", Jump(figure, 0.0, end, peak), "launch"),
        Place(
            f"{facts['peak_lift_fitted_mm']:.0f} mm", "greatest lift of the fitted car",
            Jump(figure, peak - 0.4, peak + 0.4, peak), "lift",
        ),
        *(
            Place("gear change", f"at {shift:.3f} s", Jump(figure, shift - 0.25, shift + 0.25, shift), "mark")
            for shift in facts["shifts_s"]
        ),
    ]  # fmt: skip
    return Strip(
        figure, f"Measured and fitted: {run.path.name}", series, panels, (0.0, end),
        axis="s since the launch", cursor=peak, places=places,
    )  # fmt: skip
