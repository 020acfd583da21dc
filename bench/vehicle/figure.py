"""The figure of a prediction: the drive with and without the controller, one over the other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from bench.document.blocks import (
    Bands,
    Jump,
    Level,
    Line,
    Note,
    Panel,
    Place,
    Row,
    Series,
    Strip,
    Style,
    Zero,
)
from bench.document.columns import Column
from bench.document.patterns import REASON_BARS, fault_bars
from bench.document.window import worth_seeing
from bench.replay import codes
from bench.replay.figure_data import NAMED_FAULTS, fault_names
from bench.vehicle.predict import Prediction
from bench.vehicle.results import FLIGHT_GAP, Outcome, cut_starts

_FIGURE = "drive"
LIFT = "Lift at the front axle"

# Column of a run -> size of the shown unit, decimals, unit
_SHOWN: dict[str, tuple[float, int, str]] = {
    "lift": (1e3, 1, "mm"),
    "gap": (1e3, 1, "mm"),
    "front_load": (1e-3, 2, "kN"),
    "rear_load": (1e-3, 2, "kN"),
    "bar_load": (1e-3, 2, "kN"),
    "travel": (1e3, 1, "mm"),
    "velocity": (3.6, 1, "km/h"),
    "acceleration": (1, 2, "m/s²"),
    "engine": (1, 0, "rpm"),
    "shaft": (1, 0, "rpm"),
}


def strip(p: Prediction, facts: dict[str, Any]) -> Strip:
    """The drive with and without the controller, and the places to go to."""
    return Strip(
        _FIGURE,
        "The drive, tick by tick, with and without the controller",
        {"with": _series(p, p.controlled), "without": _series(p, p.without)},
        list(_panels(p)),
        _view(p),
        axis="s since the launch",
        cursor=float(p.controlled.score("peak_time")),
        places=list(_places(p, facts)),
    )


def _series(p: Prediction, outcome: Outcome) -> Series:
    c = outcome.columns
    columns = {
        name: Column.of(c[name] * size, decimals, unit, 1) for name, (size, decimals, unit) in _SHOWN.items()
    }
    columns |= {
        "missing": Column.of(100 * (1 - c["share"]), 1, "%", 1),
        "demand": Column(c["demand"].astype(np.int32), 10, "%", 1),
        "reduction": Column(c["reduction"].astype(np.int32), 10, "%", 1),
        "retard": Column(c["retard"].astype(np.int32), 10, "°", 1),
        "reason": Column(c["reason"].astype(np.int32)),
        "faults": Column(c["faults"].astype(np.int32)),
    }
    progress, start, full = cut_starts(p.calibration)
    at = c["time"] * 1000 if p.calibration.progress_unit == "ms" else c["velocity"] * 3.6
    for name, levels in (("first", start), ("full", full)):
        if np.isfinite(levels).all():
            line = np.where(c["launch"] > 0, np.interp(at, progress, levels), np.nan)
            columns[name] = Column.of(line, 0, "mm", 1)
    a, b = p.without.columns, p.controlled.columns
    if outcome is p.controlled:
        least = min(float(a["time"][-1]), float(b["time"][-1]))
        known = (b["time"] >= 0) & (b["time"] <= least)
        slower = 3.6 * (b["velocity"] - np.interp(b["time"], a["time"], a["velocity"]))
        columns["slower"] = Column.of(np.where(known, slower, np.nan), 2, "km/h", 1)
    return Series(columns, first=float(c["time"][0]), step=outcome.tick_s)


def _pair(column: str, words: str = "", styles: tuple[Style, Style] = ("main", "second")) -> list[Line]:
    comma = f"{words}, " if words else ""
    return [
        Line(f"{comma}with controller", column, styles[0], "with"),
        Line(f"{comma}without", column, styles[1], "without"),
    ]


def picture(p: Prediction, facts: dict[str, Any]) -> list[Strip]:
    """The same without the speeds, which are much the same with and without, and with the greatest lifts."""
    whole = strip(p, facts)
    lift, *panels = (one for one in whole.panels if one.title not in ("Speed", "Engine and shaft speed"))
    assert isinstance(lift, Panel)
    peaks = [
        Note(facts[side]["peak_s"], f"{facts[side]['peak_lift_mm']:.0f} mm", side)
        for side in ("with", "without")
    ]
    launch = Zero(0.0, whole.axis)
    return [replace(whole, panels=[replace(lift, notes=peaks), *panels], cursor=None, zeros=[launch])]


def live(without: Outcome, controlled: Outcome, until_s: float) -> Strip:
    """The lift with and without the controller, for a page on which settings move."""

    def series(outcome: Outcome) -> Series:
        size, decimals, unit = _SHOWN["lift"]
        time = outcome.columns["time"]
        shown = (time >= -1e-9) & (time <= until_s)
        lift = Column.of(size * outcome.columns["lift"][shown], decimals, unit, 1)
        return Series({"lift": lift}, float(time[shown][0]), outcome.tick_s)

    return Strip(
        _FIGURE,
        "The drive with and without the controller",
        {"with": series(controlled), "without": series(without)},
        [Panel(LIFT, "mm", _pair("lift"), height=190, least_top=100.0)],
        (0.0, until_s),
        axis="seconds since the launch",
    )


def _panels(p: Prediction) -> Iterator[Panel | Bands]:
    car = p.vehicle.car
    beyond = float(p.calibration.lift_of_height_mm(car.sensor_farthest * 1000))
    given = list(cut_starts(p.calibration)[1:])
    styles: tuple[Style, Style] = ("limit-dashed", "limit")
    texts = ("first cut above", "full cut above")
    ceilings = [
        Line(text, name, style, "with")
        for text, name, style, levels in zip(texts, ("first", "full"), styles, given, strict=True)
        if np.isfinite(levels).all()
    ]
    yield Panel(
        LIFT,
        "mm",
        [*_pair("lift"), *ceilings],
        [Level("sensor's end", beyond, "pale")],
        height=280,
        bottom=0.0,
        least_top=100.0,
    )
    yield Panel(
        "Torque taken",
        "%",
        [
            Line("live demand of the lift", "demand", "fill", "with"),
            Line("torque missing", "missing", "second", "with"),
            Line("commanded reduction", "reduction", "main", "with", stepped=True),
        ],
        height=160,
        bottom=0.0,
        least_top=10.0,
    )
    yield Panel(
        "Retard",
        "degrees of crank",
        [Line("commanded", "retard", "main", "with", stepped=True)],
        height=90,
        bottom=0.0,
        least_top=5.0,
    )
    yield _bands(p)
    bar: list[Line] = []
    if p.controlled.score("bar_force") > 0 or p.without.score("bar_force") > 0:
        bar = _pair("bar_load", "bar", ("limit", "limit-dashed"))
    loads = [*_pair("front_load", "front tyres"), *bar]
    yield Panel("Loads", "kN", loads, height=170, bottom=0.0)
    yield Panel(
        "Front strut",
        "mm",
        _pair("travel"),
        [
            Level("hanging on its stop", 1000 * car.droop, "limit-dotted"),
            Level("against its bump stop", -1000 * car.bump_travel, "limit-dashed"),
        ],
        height=140,
    )
    yield Panel("Speed", "km/h", _pair("velocity"), height=130, bottom=0.0)
    yield Panel(
        "Speed against no control",
        "km/h",
        [Line("with minus without", "slower", "main", "with")],
        [Level("no difference", 0.0, "pale")],
        height=100,
    )
    engine = [*_pair("engine", "engine"), Line("shaft, with controller", "shaft", "third", "with")]
    yield Panel("Engine and shaft speed", "rpm", engine, height=140, bottom=0.0)


def _bands(p: Prediction) -> Bands:
    c = p.controlled.columns
    reasons = {int(r): codes.reason_name(int(r)) for r in np.unique(c["reason"]) if r > 0}
    present = np.unique(c["faults"].astype(np.int32) & NAMED_FAULTS)
    faults = {int(code): fault_names(int(code)) for code in present if code}
    return Bands(
        "Who set the reduction, faults",
        [
            Row("set by", "reason", REASON_BARS, reasons, series="with"),
            Row("faults", "faults", fault_bars(faults), faults, NAMED_FAULTS, "with"),
        ],
    )


def _view(p: Prediction) -> tuple[float, float]:
    """What is shown first, seconds since the launch: until nothing more happens to nose, bar or command."""
    tick_s, time = p.controlled.tick_s, p.controlled.columns["time"]
    lead = int(np.searchsorted(time, 0.0))
    stop, last = 0, lead
    for outcome in (p.without, p.controlled):
        c = outcome.columns
        busy = (c["gap"] > FLIGHT_GAP) | (c["bar_load"] > 0) | (c["reduction"] > 0) | (c["retard"] > 0)
        last = max(last, int(np.flatnonzero(busy)[-1]) if busy.any() else lead)
        stop = max(stop, len(c["time"]))
    first, end = worth_seeing(lead, stop, last, tick_s)
    return float(time[0]) + first * tick_s, float(time[0]) + end * tick_s


def _places(p: Prediction, facts: dict[str, Any]) -> Iterator[Place]:
    yield Place("0 s", "the launch", Jump(_FIGURE, *_view(p), 0.0), "launch")
    for side, text in (("with", "with the controller"), ("without", "without it")):
        one = facts[side]
        at = one["peak_s"]
        jump = Jump(_FIGURE, at - 0.6, at + 0.6, at)
        yield Place(f"{one['peak_lift_mm']:.0f} mm {text}", f"greatest lift, at {at:.3f} s", jump, "lift")
    taken = p.controlled.columns["reduction"]
    if taken.max() > 0:
        time = p.controlled.columns["time"]
        where = np.flatnonzero(taken > 0)
        first, last, most = float(time[where[0]]), float(time[where[-1]]), float(time[int(taken.argmax())])
        jump = Jump(_FIGURE, first - 0.3, last + 0.3, most, (first, last))
        detail = f"from {first:.3f} to {last:.3f} s"
        yield Place(f"{facts['with']['greatest_reduction_percent']:.1f} % at most", detail, jump, "cut")
    start = p.controlled.score("nose_start")
    for mark in facts["with"]["marks"]:
        if mark["nose_s"] is not None:
            at = mark["nose_s"] + start
            detail = f"at {mark['nose_s']:.3f} s by the strip, {mark['speed_kmh']:.1f} km/h"
            yield Place(f"{mark['feet']} ft", detail, Jump(_FIGURE, at - 0.5, at + 0.5, at), "mark")
