"""What a prediction says: the same car with and without the controller, and over a spread of its like."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import Any

from bench.document.blocks import (
    Block,
    Bullets,
    Cell,
    Document,
    Picture,
    Section,
    Source,
    Subject,
    Table,
)
from bench.document.calibration import calibration_section
from bench.document.provenance import provenance
from bench.replay.codes import OUT_SHARE
from bench.replay.readiness import LOUD
from bench.trace.text import shown
from bench.vehicle import figure
from bench.vehicle.predict import Prediction
from bench.vehicle.results import MARKS_FT

# (what it is called, its figure, how it is written); no figure: a heading
_ROWS = (
    ("Nose", "", ""),
    ("greatest lift at the front axle", "peak_lift_mm", "{:.0f} mm"),
    ("at, since launch", "peak_s", "{:.2f} s"),
    ("above the first ceiling", "above_first_ceiling_s", "{:.2f} s"),
    ("above the ceiling of the full cut", "above_full_ceiling_s", "{:.2f} s"),
    ("beyond the sensor", "beyond_sensor_s", "{:.2f} s"),
    ("front tyres off the ground", "air_s", "{:.2f} s"),
    ("carried", "carried_m", "{:.1f} m"),
    ("Landing", "", ""),
    ("landing speed of the nose", "landing_speed_mps", "{:.2f} m/s"),
    ("greatest load on the front tyres", "front_tyre_load_n", "{:.0f} N"),
    ("greatest strut travel", "strut_travel_mm", "{:.0f} mm"),
    ("least clearance at the sensor", "least_clearance_mm", "{:.0f} mm"),
    ("Bar and rear tyres", "", ""),
    ("greatest force on the bar", "bar_force_n", "{:.0f} N"),
    ("leaning on the bar", "bar_s", "{:.2f} s"),
    ("rear load lost to it, added up", "bar_impulse_ns", "{:.0f} N s"),
    ("rear tyres without load", "rear_unloaded_s", "{:.2f} s"),
    ("Torque", "", ""),
    ("greatest reduction", "greatest_reduction_percent", "{:.1f} %"),
    ("greatest retard", "greatest_retard_deg", "{:.1f}°"),
    ("taken, as seconds of no torque", "full_cut_s", "{:.2f} s"),
    ("torque-time not given", "torque_time_nms", "{:.0f} N m s"),
    ("interventions", "latches", "{}"),
    ("changes of the command", "command_changes", "{}"),
    ("reversals of the command", "command_reversals", "{}"),
)

_SHARES = (
    ("turns over", "turned_over"),
    ("flies and never lands", "never_landed"),
    ("no flight", "no_flight"),
    ("one flight", "one_flight"),
    ("more flights", "more_flights"),
    ("nose beyond the sensor", "beyond_sensor"),
    ("above the ceiling of the full cut", "above_full_ceiling"),
    ("touches the bar", "bar_touched"),
    ("rear tyres without load", "rear_unloaded"),
    ("strut against its stop", "strut_bottomed"),
    ("nose on the ground", "nose_on_ground"),
    ("fault at launch", "fault_at_launch"),
    (f"out of service, over {100 * OUT_SHARE:g} % of the run", "out_of_service"),
    ("not slower than without", "not_slower"),
)


def make_document(facts: dict[str, Any], p: Prediction) -> Document:
    """The document of a prediction; `facts` are those of bench.vehicle.facts."""
    name = p.vehicle.name or p.vehicle.path.name
    lines = (("Worth knowing", facts["notes"]), ("Warnings about the vehicle", facts["vehicle"]["warnings"]))
    known: list[Block] = [Bullets(texts, title) for title, texts in lines if texts]
    sections = [
        Section("The drive", [figure.strip(p, facts)]),
        Section("In figures", list(_tables(facts)), wide=False),
        *([Section("Worth knowing", known)] if known else []),
        Section("The car", [Source(f"The file {p.vehicle.path.name}", p.vehicle.text)]),
        calibration_section(p.calibration),
    ]
    title = f"{name} with and without {p.calibration.path.name}"
    draw = partial(figure.picture, p, facts)
    return Document(
        what="predict",
        title=title,
        subjects=_subjects(facts),
        alarm=facts["harm"]
        + [
            f"{side.capitalize()} the controller the run ends like this: {facts[side]['end']}."
            for side in ("with", "without")
            if facts[side]["end"] != "finished"
        ]
        + [one["text"] for one in facts["readiness"] if one["code"] in LOUD]
        + list(_unready_cars(facts["spread"])),
        remarks=[one["text"] for one in facts["readiness"] if one["code"] not in LOUD],
        answer=[*_answer(facts), facts["model"]],
        key=_key(facts),
        sections=sections,
        cautions=[facts["model"], facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the vehicle", facts["vehicle"]["sha256"]),
            ("SHA-256 of the calibration", facts["calibration"]["sha256"]),
        ],
        pictures=[Picture("predict.svg", f"{title}: a model's guess", _subtitle(facts), draw)],
        files=["trace.csv (for replay)", "motion.csv", "motion_without.csv"],
    )


def _unready_cars(spread: dict[str, Any] | None) -> Iterator[str]:
    shares = {} if spread is None else spread["with"]["shares"]
    if shares.get("fault_at_launch"):
        yield f"A fault is present at launch in {100 * shares['fault_at_launch']:.1f} % of the cars."
    if shares.get("out_of_service"):
        yield (
            f"The controller is out of service for more than {100 * OUT_SHARE:g} % of the run in"
            f" {100 * shares['out_of_service']:.1f} % of the cars."
        )


def _subjects(facts: dict[str, Any]) -> list[Subject]:
    vehicle, calibration, track = facts["vehicle"], facts["calibration"], facts["track"]
    road = f"road class {track['road']}" if track["road"] else "level road"
    track_text = (
        f"{track['distance_ft']} ft, {road}, sensor noise {track['noise_mm']:g} mm, seed {track['seed']}"
    )
    return [
        Subject("vehicle", shown(vehicle["name"], 40), vehicle["file"]),
        Subject("calibration", f"image CRC-32 {calibration['image_crc32']}", calibration["file"]),
        Subject("track", track_text),
        Subject("driven by", facts["driven_by"]),
    ]


def _subtitle(facts: dict[str, Any]) -> str:
    a, b = facts["without"], facts["with"]
    lost = _lost(facts)
    parts = [
        f"greatest lift {b['peak_lift_mm']:.0f} mm ({a['peak_lift_mm']:.0f} without)",
        f"landing {_landing(b)} ({_landing(a)} without)",
        *([] if lost is None else [f"{lost:+z.3f} s at {facts['track']['distance_ft']} ft"]),
    ]
    return " · ".join(parts)


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    a, b = facts["without"], facts["with"]
    yield (
        f"In the model the front axle rises by {b['peak_lift_mm']:.0f} mm with this calibration and"
        f" {a['peak_lift_mm']:.0f} mm without. {_landings(facts)}"
    )
    if facts["spread"] is not None:
        yield _ranges(facts["spread"], facts["track"]["distance_ft"])
    lost = _lost(facts)
    time = "" if lost is None else f" That costs {lost:+z.3f} s at {facts['track']['distance_ft']} ft."
    if lost is not None and lost < 0:
        time = f" It is {-lost:.3f} s faster at {facts['track']['distance_ft']} ft."
    yield (
        f"The controller takes up to {b['greatest_reduction_percent']:.1f} % of the cylinder events,"
        f" {b['full_cut_s']:.2f} s of full torque in all.{time}"
    )


def _ranges(spread: dict[str, Any], feet: int) -> str:
    """Between what 80 of 100 cars of the spread are, with this calibration."""
    found = spread["with"]["range_80"]

    def words(key: str, decimals: int, unit: str) -> str:
        low, high = ("never" if v == math.inf else f"{v:.{decimals}f}" for v in found[key])
        return f"{low} to {high} {unit}"

    whose = "that the runs allow" if spread["fitted"] else "of this kind"
    return (
        f"In 80 of 100 cars {whose}, with this calibration: lift {words('peak_lift_mm', 0, 'mm')}, landing"
        f" {words('landing_speed_mps', 2, 'm/s')}, {feet} ft {words(f'nose_{feet}_ft_s', 3, 's')}. How often"
        " it flies cannot be told of one car; below are shares."
    )


def _landings(facts: dict[str, Any]) -> str:
    """How hard it lands with and without, and where it does not: a car that turned over has no landing."""
    sides = [(side, facts[side]["landing_speed_mps"]) for side in ("with", "without")]
    landed = [f"at {speed:.2f} m/s {side} it" for side, speed in sides if speed]
    never = [
        f"never {side} it" if facts[side]["flights"] else f"not at all {side} it, which does not fly"
        for side, speed in sides
        if not speed
    ]
    return f"It lands {', '.join([*landed, *never])}."


def _landing(side: dict[str, Any]) -> str:
    speed = side["landing_speed_mps"]
    return f"{speed:.2f} m/s" if speed else "never" if side["flights"] else "no flight"


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

_BESIDE = ("peak_lift_mm", "landing_speed_mps", "bar_force_n")


def beside(without: dict[str, Any], controlled: dict[str, Any]) -> list[dict[str, str]]:
    """The figures that matter most, of bench.vehicle.facts.figures_of, side by side in words; `difference` is
    that of the controlled run, "" where there is none."""
    chosen = [row for row in _ROWS if row[1] in _BESIDE]
    rows = [_row(text, key, form, without[key], controlled[key]) for text, key, form in chosen]
    for a, b in zip(without["marks"], controlled["marks"], strict=True):
        feet = a["feet"]
        if feet in (MARKS_FT[0], MARKS_FT[2], MARKS_FT[-1]):
            rows.append(_row(f"{feet} ft", f"{feet}_ft", "{:.3f} s", a["nose_s"], b["nose_s"]))
    if (without["end"], controlled["end"]) != ("finished", "finished"):
        row = {"title": "how it ends", "without": without["end"], "with": controlled["end"], "difference": ""}
        rows.append({"key": "end", **row})
    return rows


def _row(title: str, key: str, form: str, without: float | None, controlled: float | None) -> dict[str, str]:
    difference = ""
    if None not in (without, controlled):
        assert without is not None
        assert controlled is not None
        signed = form.partition(" ")[0].replace(":", ":+z")
        difference = signed.format(controlled - without)
    return {
        "key": key, "title": title, "without": figure_text(without, form),
        "with": figure_text(controlled, form), "difference": difference,
    }  # fmt: skip


_SIDES = (("without", True), ("with controller", True))


def _tables(facts: dict[str, Any]) -> Iterator[Table]:
    yield _figures(facts)
    yield _marks(facts)
    if facts["spread"] is not None:
        yield from _spread(facts["spread"])


def _figures(facts: dict[str, Any]) -> Table:
    a, b = facts["without"], facts["with"]
    rows: list[list[str | Cell]] = []
    for text, key, form in _ROWS:
        if not key:
            rows.append([Cell(text, "strong"), "", ""])
        else:
            rows.append([text, figure_text(a[key], form), Cell(figure_text(b[key], form), "strong")])
    return Table((("figure", False), *_SIDES), rows, "The same car without and with the controller")


def figure_text(value: float | None, form: str) -> str:
    """A figure as it is shown; a dash where there is none."""
    return "-" if value is None else form.format(value)


def _marks(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = []
    for a, b in zip(facts["without"]["marks"], facts["with"]["marks"], strict=True):
        if a["nose_s"] is None and b["nose_s"] is None:
            continue
        lost = None if None in (a["nose_s"], b["nose_s"]) else b["nose_s"] - a["nose_s"]
        rows.append([
            f"{a['feet']} ft", _number(a["nose_s"], 3), _number(a["beam_s"], 3), _number(a["speed_kmh"], 1),
            _number(b["nose_s"], 3), _number(b["beam_s"], 3), _number(b["speed_kmh"], 1),
            _number(b["gap_mm"], 0) if (b["gap_mm"] or 0) > 0 else "-",
            "-" if lost is None else f"{lost:+z.3f}",
        ])  # fmt: skip
    return Table(
        (("mark", False), ("without s", True), ("beam s", True), ("km/h", True), ("with s", True),
         ("beam s", True), ("km/h", True), ("gap mm", True), ("lost s", True)),
        rows,
        "Times by the strip",
        "Beam: what the strip's own beams show; a front tyre over a beam leaves the clock to the rear one."
        " The column before it: as if the front were on the ground.",
    )  # fmt: skip


def _spread(spread: dict[str, Any]) -> Iterator[Table]:
    sides = (spread["without"], spread["with"])
    shares = [(text, *(_share(side["shares"].get(key)) for side in sides)) for text, key in _SHARES]
    cars = f"Over {spread['cars']} cars of this kind"
    yield Table((("share of the cars", False), *_SIDES), shares, cars)
    rows = []
    for key in spread["with"]["percentiles_5_50_95"]:
        text, decimals = percentile_name(key)
        rows.append((text, *(_three(side["percentiles_5_50_95"].get(key), decimals) for side in sides)))
    yield Table((("5 / 50 / 95 % of the cars", False), *_SIDES), rows, f"{cars}, the figures")


def percentile_name(key: str) -> tuple[str, int]:
    """What a row of percentiles is called, and its decimals."""
    known = {
        "peak_lift_mm": ("greatest lift, mm", 0),
        "landing_speed_mps": ("landing speed, m/s", 2),
        "bar_force_n": ("force on the bar, N", 0),
        "least_clearance_mm": ("least clearance, mm", 0),
    }
    if key in known:
        return known[key]
    what, feet, *_ = key.split("_")
    return f"{feet} ft, s" if what == "nose" else f"lost at {feet} ft, s", 3


def _number(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _share(value: float | None) -> str:
    return "" if value is None else f"{100 * value:.1f} %"


def _three(values: list[float] | None, decimals: int) -> str:
    return "" if values is None else " / ".join(f"{value:.{decimals}f}" for value in values)
