"""The page of a prediction: the same car with and without the controller, one over the other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bench.cautions import CAUTIONS, MODEL
from bench.document.blocks import (
    Bands,
    Block,
    Bullets,
    Cell,
    Document,
    Jump,
    Level,
    Line,
    Panel,
    Place,
    Row,
    Section,
    Series,
    Source,
    Strip,
    Style,
    Table,
)
from bench.document.calibration import calibration_section
from bench.document.columns import Column
from bench.document.html import write_page
from bench.document.patterns import REASON_BARS, fault_bars
from bench.document.provenance import provenance
from bench.replay import codes
from bench.vehicle.predict import Prediction
from bench.vehicle.results import Outcome, cut_starts
from bench.vehicle.screen import ROWS, SHARES, figure, percentile_name

_FIGURE = "drive"
_BEFORE_S, _AFTER_S, _LEAST_S = 0.2, 0.8, 2.0
_GAP_M = 0.025

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


def write(path: Path, facts: dict[str, Any], p: Prediction) -> None:
    """Write the page of a prediction; `facts` is what summary.json holds."""
    write_page(path, page(facts, p))


def page(facts: dict[str, Any], p: Prediction) -> Document:
    """The page of a prediction."""
    name = p.vehicle.name or p.vehicle.path.name
    known: list[Block] = []
    for title, lines in (
        ("Worth knowing", facts["notes"]),
        ("Warnings about the vehicle", facts["vehicle"]["warnings"]),
    ):
        if lines:
            known.append(Bullets(lines, title))
    sections = [
        Section("The drive", [_strip(p, facts)]),
        Section("In figures", list(_tables(facts)), wide=False),
        *([Section("Worth knowing", known)] if known else []),
        Section("The car", [Source(f"The file {p.vehicle.path.name}", p.vehicle.text)]),
        calibration_section(p.calibration),
    ]
    track = facts["track"]
    return Document(
        what="predict",
        title=f"{name} with and without {p.calibration.path.name}",
        alarm=[
            f"{side.capitalize()} the controller the run ends like this: {facts[side]['end']}."
            for side in ("with", "without")
            if facts[side]["end"] != "finished"
        ],
        answer=list(_answer(facts)),
        key=_key(facts),
        sections=sections,
        cautions=[MODEL, CAUTIONS],
        provenance=[
            *provenance(facts),
            ("Vehicle", facts["vehicle"]["file"]),
            ("Its SHA-256", facts["vehicle"]["sha256"]),
            ("Calibration", facts["calibration"]["file"]),
            ("Its SHA-256", facts["calibration"]["sha256"]),
            ("Its image", f"CRC-32 {facts['calibration']['image_crc32']}"),
            ("Driven by", facts["driven_by"]),
            ("Track", f"{track['distance_ft']} ft, road {track['road'] or 'level'}, sensor noise"
                      f" {track['noise_mm']:g} mm, seed {track['seed']}"),
        ],
    )  # fmt: skip


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    a, b = facts["without"], facts["with"]
    yield (
        f"The model's nose rises by {b['peak_lift_mm']:.0f} mm with this calibration and"
        f" {a['peak_lift_mm']:.0f} mm without. {_landings(facts)}"
    )
    lost = _lost(facts)
    time = "" if lost is None else f" That costs {lost:+z.3f} s at {facts['track']['distance_ft']} ft."
    if lost is not None and lost < 0:
        time = f" It is {-lost:.3f} s faster at {facts['track']['distance_ft']} ft."
    yield (
        f"The controller takes up to {b['greatest_reduction_percent']:.1f} % of the cylinder events,"
        f" {b['full_cut_s']:.2f} s of full torque in all.{time}"
    )
    yield MODEL


def _landings(facts: dict[str, Any]) -> str:
    """How hard it lands with and without, and where it does not: a car that turned over has no landing."""
    sides = [(side, facts[side]["landing_speed_mps"]) for side in ("with", "without")]
    landed = [f"at {speed:.2f} m/s {side} it" for side, speed in sides if speed]
    never = [f"never {side} it" for side, speed in sides if not speed]
    return f"It lands {', '.join([*landed, *never])}."


def _landing(side: dict[str, Any]) -> str:
    speed = side["landing_speed_mps"]
    return f"{speed:.2f} m/s" if speed else "none"


def _lost(facts: dict[str, Any]) -> float | None:
    """Seconds lost at the end of the drive, as if the front stood on the ground."""
    for a, b in zip(facts["without"]["marks"], facts["with"]["marks"], strict=True):
        if a["feet"] == facts["track"]["distance_ft"] and None not in (a["nose_s"], b["nose_s"]):
            return float(b["nose_s"] - a["nose_s"])
    return None


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    a, b = facts["without"], facts["with"]
    lost = _lost(facts)
    key = [
        (f"{b['peak_lift_mm']:.0f} mm", f"greatest lift, {a['peak_lift_mm']:.0f} mm without"),
        (_landing(b), f"landing, {_landing(a)} without"),
        (f"{b['bar_force_n'] / 1000:.1f} kN", f"on the bar, {a['bar_force_n'] / 1000:.1f} kN without"),
        (f"{b['full_cut_s']:.2f} s", "torque-time taken"),
    ]
    if lost is not None:
        key.append((f"{lost:+z.3f} s", f"at {facts['track']['distance_ft']} ft against no control"))
    return key


# --- tables


def _tables(facts: dict[str, Any]) -> Iterator[Table]:
    a, b = facts["without"], facts["with"]
    rows: list[list[str | Cell]] = []
    for text, key, form in ROWS:
        if not key:
            rows.append([Cell(text, "strong"), "", ""])
        else:
            rows.append([text, figure(a[key], form), Cell(figure(b[key], form), "strong")])
    columns = (("figure", False), ("without", True), ("with controller", True))
    yield Table(columns, rows, "The same car without and with the controller")
    marks: list[list[str | Cell]] = []
    for one, other in zip(a["marks"], b["marks"], strict=True):
        if one["nose_s"] is None and other["nose_s"] is None:
            continue
        lost = None if None in (one["nose_s"], other["nose_s"]) else other["nose_s"] - one["nose_s"]
        at = other["nose_s"]
        marks.append([
            f"{one['feet']} ft", _number(one["nose_s"], 3), _number(one["beam_s"], 3),
            _number(one["speed_kmh"], 1), _number(at, 3), _number(other["beam_s"], 3),
            _number(other["speed_kmh"], 1), _number(other["gap_mm"], 0),
            "–" if lost is None else f"{lost:+z.3f}",
        ])  # fmt: skip
    yield Table(
        (("mark", False), ("without s", True), ("beam s", True), ("km/h", True), ("with s", True),
         ("beam s", True), ("km/h", True), ("gap mm", True), ("lost s", True)),
        marks,
        "Times by the strip",
        "Beam: what the strip's own beams show; a front tyre over a beam leaves the clock to the rear one."
        " The column before it: as if the front were on the ground.",
    )  # fmt: skip
    spread = facts["spread"]
    if spread is None:
        return
    shares = [
        (text, *(_share(spread[side]["shares"].get(key)) for side in ("without", "with")))
        for text, key in SHARES
    ]
    yield Table(
        (("share of the cars", False), ("without", True), ("with controller", True)), shares,
        f"Over {spread['cars']} cars of this kind",
    )  # fmt: skip
    three = []
    for key in spread["with"]["percentiles_5_50_95"]:
        text, decimals = percentile_name(key)
        cells = [spread[side]["percentiles_5_50_95"].get(key) for side in ("without", "with")]
        three.append((text, *(_three(cell, decimals) for cell in cells)))
    yield Table((("5 / 50 / 95 % of the cars", False), ("without", True), ("with controller", True)), three)


def _number(value: float | None, decimals: int) -> str:
    return "–" if value is None else f"{value:.{decimals}f}"


def _share(value: float | None) -> str:
    return "" if value is None else f"{100 * value:.1f} %"


def _three(values: list[float] | None, decimals: int) -> str:
    return "" if values is None else " / ".join(f"{value:.{decimals}f}" for value in values)


# --- the figure


def _strip(p: Prediction, facts: dict[str, Any]) -> Strip:
    end = _end(p)
    return Strip(
        _FIGURE,
        "The drive, tick by tick, with and without the controller",
        {"with": _series(p, p.controlled), "without": _series(p, p.without)},
        list(_panels(p)),
        (-_BEFORE_S, end),
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


def _pair(column: str, words: str = "", looks: tuple[Style, Style] = ("main", "second")) -> list[Line]:
    comma = f"{words}, " if words else ""
    return [
        Line(f"{comma}with controller", column, looks[0], "with"),
        Line(f"{comma}without", column, looks[1], "without"),
    ]


def _panels(p: Prediction) -> Iterator[Panel | Bands]:
    car = p.vehicle.car
    beyond = float(p.calibration.lift_of_height_mm(car.sensor_farthest * 1000))
    given = list(cut_starts(p.calibration)[1:])
    looks: tuple[Style, Style] = ("limit-dashed", "limit")
    texts = ("first cut above", "full cut above")
    ceilings = [
        Line(text, name, look, "with")
        for text, name, look, levels in zip(texts, ("first", "full"), looks, given, strict=True)
        if np.isfinite(levels).all()
    ]
    yield Panel(
        "Lift at the front axle",
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
        [Line("with less without", "slower", "main", "with")],
        [Level("no difference", 0.0, "pale")],
        height=100,
    )
    engine = [*_pair("engine", "engine"), Line("shaft, with controller", "shaft", "third", "with")]
    yield Panel("Engine and shaft speed", "rpm", engine, height=140, bottom=0.0)


def _bands(p: Prediction) -> Bands:
    from bench.replay.figure_data import NAMED_FAULTS, fault_names

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


def _end(p: Prediction) -> float:
    """Seconds shown at first: until a while after the last thing that happens to nose, bar or command."""
    last = _LEAST_S
    for outcome in (p.without, p.controlled):
        c = outcome.columns
        busy = (c["gap"] > _GAP_M) | (c["bar_load"] > 0) | (c["reduction"] > 0) | (c["retard"] > 0)
        where = np.flatnonzero(busy)
        if len(where):
            last = max(last, float(c["time"][where[-1]]) + _AFTER_S)
    return min(last, max(o.score("end_time") for o in (p.without, p.controlled)))


def _places(p: Prediction, facts: dict[str, Any]) -> Iterator[Place]:
    end = _end(p)
    yield Place("0 s", "the launch", Jump(_FIGURE, -_BEFORE_S, end, 0.0), "launch")
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
