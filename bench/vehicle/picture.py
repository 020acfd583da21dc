"""The picture of a prediction: the same car with and without the controller over the time since launch."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import SHORT
from bench.vehicle.predict import Prediction
from bench.vehicle.results import FLIGHT_GAP, MARKS_FT, Outcome, cut_starts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# As in the picture of a replay: told apart by width and dash as well as by colour.
_BLACK, _GREY, _BLUE, _ORANGE = "#000000", "#777777", "#0b5fa5", "#d55e00"
_BEFORE_S = 0.2
_AFTER_S = 0.8
_LEAST_S = 2.0


def draw(path: Path, p: Prediction) -> None:
    """Write the picture."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 10.5))
    FigureCanvasAgg(figure)
    panels = figure.subplots(5, 1, sharex=True, height_ratios=[3, 1.5, 1.7, 1.5, 1.5])
    figure.subplots_adjust(left=0.075, right=0.84, top=0.905, bottom=0.085, hspace=0.12)
    end = _end(p)
    _lift(panels[0], p)
    _command(panels[1], p)
    _loads(panels[2], p)
    _strut(panels[3], p)
    _speed(panels[4], p)
    for panel in panels:
        panel.set_xlim(-_BEFORE_S, end)
        panel.grid(True, color="#ececec", linewidth=0.7)
        panel.set_axisbelow(True)
        panel.spines[["top", "right"]].set_visible(False)
        panel.tick_params(labelsize=8)
        panel.yaxis.label.set_fontsize(9)
        _marks(panel, p, end, named=panel is panels[0])
    panels[-1].set_xlabel("s since launch", fontsize=9)
    name = p.vehicle.name or p.vehicle.path.name
    figure.suptitle(
        f"{name} with and without {p.calibration.path.name}: a model's guess", x=0.075, y=0.975, ha="left",
        fontsize=12, weight="bold",
    )  # fmt: skip
    figure.text(0.075, 0.943, _subtitle(p), fontsize=9, color="#444444", va="top")
    figure.text(0.075, 0.018, SHORT, fontsize=8, color="#444444")
    figure.savefig(path, dpi=110)


def _end(p: Prediction) -> float:
    """Seconds drawn: until a while after the last thing that happens to nose, bar or command."""
    last = _LEAST_S
    for outcome in (p.without, p.controlled):
        c = outcome.columns
        busy = np.flatnonzero(
            (c["gap"] > FLIGHT_GAP) | (c["bar_load"] > 0) | (c["reduction"] > 0) | (c["retard"] > 0)
        )
        if len(busy):
            last = max(last, float(c["time"][busy[-1]]) + _AFTER_S)
    return min(last, max(o.score("end_time") for o in (p.without, p.controlled)))


def _subtitle(p: Prediction) -> str:
    a, b = p.without, p.controlled
    feet = p.options.feet
    text = (
        f"greatest lift {1000 * b.score('peak_lift'):.0f} mm ({1000 * a.score('peak_lift'):.0f} without),"
        f" {_landing(b.score('landing_speed'), a.score('landing_speed'))}"
    )
    lost = b.at_mark("nose_time", feet) - a.at_mark("nose_time", feet)
    return text if np.isnan(lost) else f"{text}, {lost:+.3f} s at {feet} ft"


def _landing(controlled: float, without: float) -> str:
    bare = "never lands" if np.isnan(without) else f"{without:.2f}"
    return f"never lands ({bare})" if np.isnan(controlled) else f"landing at {controlled:.2f} m/s ({bare})"


def _pair(panel: Axes, p: Prediction, column: str, scale: float, top: Any = None) -> None:
    for outcome, color, width, dash in (
        (p.without, _GREY, 1.1, (0, (4, 2))),
        (p.controlled, _BLACK, 1.8, "solid"),
    ):
        values = outcome.columns[column] * scale
        panel.plot(outcome.columns["time"], values, color=color, linewidth=width, linestyle=dash)
    if top is not None:
        panel.set_ylim(*top)


def _lift(panel: Axes, p: Prediction) -> None:
    _pair(panel, p, "lift", 1000)
    c = p.controlled.columns
    on = c["launch"] > 0
    progress, start, full = cut_starts(p.calibration)
    at = c["time"] * 1000 if p.calibration.progress_unit == "ms" else c["velocity"] * 3.6
    for levels, dash in ((start, (0, (5, 3))), (full, "solid")):
        if np.isfinite(levels).all():
            line = np.interp(at, progress, levels)
            panel.plot(c["time"][on], line[on], color=_ORANGE, linewidth=1.1, linestyle=dash)
    height = p.vehicle.car.sensor_farthest * 1000
    beyond = float(p.calibration.lift_of_height_mm(height))
    top = max(_most(p, "lift") * 1000 * 1.12, 100.0)
    panel.set_ylim(min(-20.0, _least(p, "lift") * 1000 * 1.2), top)
    if beyond < top:
        panel.axhline(beyond, color=_BLUE, linewidth=1.0, linestyle=(0, (1, 2)))
    panel.set_ylabel("lift at the front axle, mm")
    _legend(
        panel,
        [
            ("with controller", _BLACK, "solid"),
            ("without", _GREY, (0, (4, 2))),
            ("full cut above", _ORANGE, "solid"),
            ("first cut above", _ORANGE, (0, (5, 3))),
            ("sensor's end", _BLUE, (0, (1, 2))),
        ],
    )


def _command(panel: Axes, p: Prediction) -> None:
    c = p.controlled.columns
    panel.fill_between(c["time"], 0, c["reduction"] / 10, color="#c9c9c9", linewidth=0, step="post")
    panel.plot(c["time"], 100 * (1 - c["share"]), color=_BLACK, linewidth=1.4)
    panel.plot(c["time"], c["retard"] / 10, color=_BLUE, linewidth=1.1, linestyle=(0, (3, 1)))
    panel.set_ylim(0, max(10.0, 1.15 * max(float(c["reduction"].max()) / 10, float(c["retard"].max()) / 10)))
    panel.set_ylabel("taken, % or °")
    _legend(
        panel,
        [
            ("torque missing, %", _BLACK, "solid"),
            ("reduction (grey), %", "#b0b0b0", "solid"),
            ("retard, °", _BLUE, (0, (3, 1))),
        ],
    )


def _loads(panel: Axes, p: Prediction) -> None:
    _pair(panel, p, "front_load", 1e-3)
    for outcome, dash in ((p.without, (0, (4, 2))), (p.controlled, "solid")):
        if outcome.score("bar_force") > 0:
            c = outcome.columns
            panel.plot(c["time"], c["bar_load"] / 1000, color=_ORANGE, linewidth=1.2, linestyle=dash)
    panel.set_ylabel("load, kN")
    panel.set_ylim(bottom=0)
    _legend(
        panel,
        [
            ("front tyres, with", _BLACK, "solid"),
            ("front tyres, without", _GREY, (0, (4, 2))),
            ("bar, with", _ORANGE, "solid"),
            ("bar, without", _ORANGE, (0, (4, 2))),
        ],
    )


def _strut(panel: Axes, p: Prediction) -> None:
    _pair(panel, p, "travel", 1000)
    car = p.vehicle.car
    for stop in (car.droop, -car.bump_travel):
        panel.axhline(1000 * stop, color=_ORANGE, linewidth=0.9, linestyle=(0, (1, 2)))
    panel.set_ylabel("front strut, mm")
    _legend(panel, [("stops; above: hanging", _ORANGE, (0, (1, 2)))])


def _speed(panel: Axes, p: Prediction) -> None:
    a, b = p.without.columns, p.controlled.columns
    end = _end(p)
    known = (b["time"] >= 0) & (b["time"] <= end)
    time = b["time"][known]
    slower = 3.6 * (b["velocity"][known] - np.interp(time, a["time"], a["velocity"]))
    panel.axhline(0, color=_GREY, linewidth=0.8)
    panel.plot(time, slower, color=_BLACK, linewidth=1.6)
    panel.set_ylabel("km/h")
    _legend(panel, [("speed with controller", _BLACK, "solid"), ("less speed without", None, "")])


def _marks(panel: Axes, p: Prediction, end: float, named: bool) -> None:
    """Thin lines where the car passes the marks."""
    for feet in MARKS_FT:
        outcome: Outcome = p.controlled
        at = outcome.at_mark("nose_time", feet) + outcome.score("nose_start")
        if np.isnan(at) or at > end:
            continue
        panel.axvline(at, color="#9a9a9a", linewidth=0.7)
        if named:
            place = panel.get_xaxis_transform()
            panel.text(
                at,
                1.005,
                f"{feet} ft",
                transform=place,
                fontsize=8,
                ha="center",
                va="bottom",
                color="#444444",
            )


def _most(p: Prediction, column: str) -> float:
    return max(float(o.columns[column].max()) for o in (p.without, p.controlled))


def _least(p: Prediction, column: str) -> float:
    return min(float(o.columns[column].min()) for o in (p.without, p.controlled))


def _legend(panel: Axes, lines: list[tuple[str, str | None, Any]]) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=color or "none", linestyle=dash or "none", linewidth=1.6, label=text)
        for text, color, dash in lines
    ]
    panel.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(1.005, 1.0), fontsize=8, frameon=False,
        handlelength=2.2, borderaxespad=0,
    )  # fmt: skip
