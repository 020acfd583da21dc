"""The picture of a fit: measured against fitted, run by run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import SHORT
from bench.fit.fit import rest_of
from bench.fit.measured import CHANNELS, STEP_S
from bench.fit.report import Fit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# As in the other pictures: told apart by width and dash as well as by colour.
_BLACK, _GREY, _BLUE, _ORANGE = "#000000", "#777777", "#0b5fa5", "#d55e00"
_NAMES = {"height": "height, mm", "speed": "speed, m/s", "engine": "engine, rpm"}
_MOST_RUNS = 4  # side by side; more would be too narrow to read


def draw(path: Path, fit: Fit) -> None:
    """Write the picture."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    runs = min(len(fit.runs), _MOST_RUNS)
    figure = Figure(figsize=(5.5 + 5.5 * runs, 11))
    FigureCanvasAgg(figure)
    grid = figure.subplots(7, runs, sharex="col", squeeze=False, height_ratios=[3, 1, 2, 1, 2, 1, 1])
    width = 5.5 + 5.5 * runs
    figure.subplots_adjust(
        left=0.85 / width, right=1 - 1.75 / width, top=0.9, bottom=0.075, hspace=0.16, wspace=0.18
    )
    for i in range(runs):
        _column(grid[:, i], fit, i, first=i == 0, last=i == runs - 1)
    name = fit.vehicle.name or fit.vehicle.path.name
    left = 0.85 / width
    figure.suptitle(f"{name}: measured and fitted", x=left, y=0.978, ha="left", fontsize=12, weight="bold")
    more = f"; {len(fit.runs) - runs} more runs not drawn" if len(fit.runs) > runs else ""
    figure.text(
        left, 0.948, f"rms of the fitted car: {_rest(fit)}{more}", fontsize=9, color="#444444", va="top"
    )
    figure.text(left, 0.016, SHORT, fontsize=8, color="#444444")
    figure.savefig(path, dpi=110)


def _rest(fit: Fit) -> str:
    rest = rest_of(fit.fitted)
    decimals = {"height": 1, "speed": 2, "engine": 0}
    return ", ".join(
        f"{name} {max(r[name][1] for r in rest):.{decimals[name]}f} {unit}" for name, unit in CHANNELS.items()
    )


def _column(panels: Any, fit: Fit, i: int, *, first: bool, last: bool) -> None:
    run, fitted = fit.runs[i], fit.fitted
    n = len(fitted.seen[i]["height"])
    time = run.time[:n]
    for k, name in enumerate(CHANNELS):
        main, rest = panels[2 * k], panels[2 * k + 1]
        seen, measured = fitted.seen[i][name], run.values[name][:n]
        given = fitted.before[i][name] + measured
        main.plot(time, given, color=_GREY, linewidth=1.1, linestyle=(0, (4, 2)))
        main.plot(time, measured, color=_BLUE, linestyle="none", marker=".", markersize=2.5)
        main.plot(time, seen, color=_BLACK, linewidth=1.4)
        if name == "height" and run.at_end.any():
            main.axhline(run.end_mm, color=_ORANGE, linewidth=1.0, linestyle=(0, (1, 2)))
        left = fitted.differences[i][name]
        rest.axhline(0, color=_GREY, linewidth=0.8)
        rest.plot(time, left, color=_BLACK, linewidth=0.9)
        most = float(np.nanquantile(np.abs(left), 0.995)) * 1.25
        rest.set_ylim(-max(most, 1e-3), max(most, 1e-3))
        if first:
            main.set_ylabel(_NAMES[name])
            rest.set_ylabel("fitted\nless meas.")
    share = panels[6]
    steps = np.arange(len(run.share)) * STEP_S
    share.fill_between(steps, 0, 100 * (1 - run.share), color="#c9c9c9", linewidth=0)
    share.set_ylim(0, 100)
    if first:
        share.set_ylabel("torque\ntaken, %")
    share.set_xlabel("s since launch", fontsize=9)
    panels[0].set_title(run.path.name, fontsize=9, loc="left", color="#444444", pad=4)
    for panel in panels:
        _dress(panel, fitted.shifts[i], float(time[-1]))
    if last:
        _legend(panels[0], bool(run.at_end.any()))


def _dress(panel: Axes, shifts: tuple[float, ...], end: float) -> None:
    panel.set_xlim(0, end)
    panel.grid(True, color="#ececec", linewidth=0.7)
    panel.set_axisbelow(True)
    panel.spines[["top", "right"]].set_visible(False)
    panel.tick_params(labelsize=8)
    panel.yaxis.label.set_fontsize(9)
    for shift in shifts:
        panel.axvline(shift, color="#9a9a9a", linewidth=0.8, linestyle=(0, (6, 3)))


def _legend(panel: Axes, end: bool) -> None:
    from matplotlib.lines import Line2D

    lines = [
        Line2D([], [], color=_BLUE, linestyle="none", marker=".", label="measured"),
        Line2D([], [], color=_BLACK, linewidth=1.6, label="fitted"),
        Line2D([], [], color=_GREY, linewidth=1.2, linestyle=(0, (4, 2)), label="given car"),
        Line2D([], [], color="#9a9a9a", linewidth=1.0, linestyle=(0, (6, 3)), label="gear change"),
    ]
    if end:
        lines.append(
            Line2D([], [], color=_ORANGE, linewidth=1.2, linestyle=(0, (1, 2)), label="sensor's end")
        )
    panel.legend(
        handles=lines, loc="upper left", bbox_to_anchor=(1.01, 1.0), fontsize=8, frameon=False,
        borderaxespad=0,
    )  # fmt: skip
