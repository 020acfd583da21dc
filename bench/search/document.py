"""What a search says: the setting found, what bounds it, the trade-off, and the cars of the check."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from pathlib import Path
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
from bench.search import figure
from bench.search.facts import CALIBRATION
from bench.search.limits import KINDS
from bench.search.settings import STEP_FROM
from bench.search.state import STATE
from bench.search.study import Found
from bench.trace.text import plural, shown

_SHARES = (
    ("within all limits", "within_limits"),
    ("  peak lift", "lift_kept"),
    ("  landing speed", "landing_kept"),
    ("  bar force", "bar_kept"),
    ("  command reversals", "reversals_kept"),
    ("  interventions", "latches_kept"),
    ("not slower than without", "not_slower_than_without"),
    ("better than start in lift, landing, time", "better_than_start_in_lift_landing_and_time"),
    ("turns over", "turned_over"),
    ("flies and never lands", "never_landed"),
    ("one flight", "one_flight"),
    ("more flights", "more_flights"),
    ("touches the bar", "bar_touched"),
    ("nose on the ground", "nose_on_ground"),
    ("fault at launch", "fault_at_launch"),
    (f"out of service, over {100 * OUT_SHARE:g} % of the run", "out_of_service"),
)
_FIGURES = (
    ("time, s", "time_s", 3),
    ("peak lift, mm", "peak_lift_mm", 0),
    ("landing speed, m/s", "landing_speed_mps", 2),
    ("bar force, kN", "bar_force_kn", 1),
    ("reduction, %", "greatest_reduction_percent", 0),
    ("command reversals", "command_reversals", 0),
    ("interventions", "interventions", 0),
)
_SIDES = ("without", "with_start", "with_found")
# The columns of the settings of the trade-off, in their order.
_SETTINGS = (
    "at\nrest", "fall\nmm", "wide\nmm", "most\n%", "hold\nms", "rel.\n%/s", "up\nms", "down\nms", "tau\nms",
)  # fmt: skip

_AFTER_QUICK = (
    " A quick search ends so now and then: that says nothing of the car or the limits. Search without"
    " --quick, or with another --seed, before more is allowed."
)


def make_document(facts: dict[str, Any], found: Found) -> Document:
    """The document of a search; `facts` are those of bench.search.facts."""
    name = facts["vehicle"]["name"] or Path(facts["vehicle"]["file"]).name
    warnings = facts["vehicle"]["warnings"]
    warned: list[Block] = [Bullets(warnings, "Warnings about the vehicle")] if warnings else []
    trade = [figure.trade_off(found, kind, facts) for kind in KINDS[:2]]
    cars, ceilings = figure.cars(found), figure.ceilings(found)
    check = f"On {facts['spread']['check_cars']} cars that it was not sought with"
    sections = [
        Section("What bounds it", [Bullets(facts["bounded_by"], "What bounds it")]),
        Section("The settings", [ceilings, _settings(facts)]),
        Section(check, [cars, *_check(facts, check)]),
        Section("The trade-off", [*trade, _trade_off(facts), _rows_settings(facts)]),
        *([Section("Worth knowing", warned)] if warned else []),
        Section("The car", [Source(f"The file {found.vehicle.path.name}", found.vehicle.text)]),
        calibration_section(found.told.calibration, f"The calibration {_found_word(facts)}"),
    ]
    title = f"Settings for {name}, sought from {found.settings.start.path.name}"
    within = next(_answer(facts))
    plain = facts["without_look_ahead"]
    figures = [*trade, cars, ceilings]
    return Document(
        what="search",
        title=title,
        subjects=list(_subjects(facts)),
        alarm=list(_alarm(facts)),
        answer=[*_answer(facts), *([plain] if plain else []), facts["model"]],
        key=_key(facts),
        sections=sections,
        cautions=[facts["model"], facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the vehicle", facts["vehicle"]["sha256"]),
            ("SHA-256 of the start", facts["start"]["sha256"]),
            *([("Image found", f"CRC-32 {facts['image_crc32']}")] if facts["image_crc32"] else []),
            ("Sought with", f"{facts['population']} settings, {facts['generations']} generations"),
        ],
        pictures=[Picture("search.svg", f"{title}: a model's guess", within, partial(list, figures))],
        files=[
            *([f"{CALIBRATION} (for replay, predict and verify)"] if facts["image_crc32"] else []),
            STATE,
        ],
    )


def _alarm(facts: dict[str, Any]) -> Iterator[str]:
    yield from facts["harm"]
    if facts["taken_row"] and not facts["limits_kept"]:
        yield f"Row {facts['taken_row']}, as asked for, does not keep the limits."
    elif not facts["limits_kept"]:
        yield "Nothing was found that keeps the limits." + (_AFTER_QUICK if facts["quick"] else "")
    shares = facts["with_found"]["shares"]
    out = f"The controller is out of service for more than {100 * OUT_SHARE:g} % of the run"
    for key, text in (("fault_at_launch", "A fault is present at launch"), ("out_of_service", out)):
        if shares[key]:
            yield f"{text} in {100 * shares[key]:.1f} % of the cars with the setting {_found_word(facts)}."


def _subjects(facts: dict[str, Any]) -> Iterator[Subject]:
    vehicle, spread, aim = facts["vehicle"], facts["spread"], facts["aim"]["seconds_a_reversal"]
    limits = ", ".join(f"{one['of']} {one['most']:g} {one['unit']}".rstrip() for one in facts["limits"])
    classes = (spread["road"] or "").replace("+", " and ")
    road = f"roads of class {classes}" if classes else "level roads"
    yield Subject("vehicle", shown(vehicle["name"], 40), vehicle["file"])
    yield Subject("start", f"image CRC-32 {facts['start']['image_crc32']}", facts["start"]["file"])
    yield Subject("sought", f"least time to {facts['distance_ft']} ft, plus {aim:g} s a reversal")
    half = "; interventions in half of the cars" if "interventions" in limits else ""
    yield Subject("limits", f"{limits}; in {facts['share_percent']:g} %{half}")
    asked = {"fixed": "fix", "range": "range", "near": "near"}
    told = [f"{word} {facts['sought'][key]}" for word, key in asked.items() if facts["sought"][key]]
    if told:
        yield Subject("asked", "; ".join(told) + (" %" if facts["sought"]["near"] else ""))
    if facts["quick"]:
        settings = plural(facts["population"], "setting")
        generations = plural(facts["generations"], "generation")
        near = facts["sought"]["near"]
        where = f", within {near} % of each range from the start" if near else ""
        yield Subject(
            "quick", f"{settings}, {generations}{where}, midpoint steps; the check is not shortened"
        )
    yield Subject("spread", f"{spread['cars']} cars on {road}, seed {spread['seed']}; {facts['runs']} runs")
    if spread["widened_by"]:
        yield Subject("widened", ", ".join(spread["widened_by"]))
    if spread["default_scatter"]:
        yield Subject("assumed", f"not in the file: {', '.join(spread['default_scatter'])}")


def _found_word(facts: dict[str, Any]) -> str:
    if facts["taken_row"]:
        return f"of row {facts['taken_row']}"
    return "found" if facts["limits_kept"] else "nearest to the limits"


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    found, start, without = facts["with_found"], facts["with_start"], facts["without"]
    share = 100 * found["shares"]["within_limits"]
    feet = facts["distance_ft"]
    kept = "keeps all limits"
    if not facts["limits_kept"] and not facts["taken_row"]:
        kept = "comes nearest: it keeps all limits"
    which = _found_word(facts) if facts["taken_row"] else "found"
    yield (
        f"The setting {which} {kept} in {share:.1f} % of {facts['spread']['check_cars']} cars and takes"
        f" {found['mean_time_s']:.3f} s to {feet} ft in the mean: the start takes"
        f" {start['mean_time_s']:.3f} s, no control {without['mean_time_s']:.3f} s."
    )


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    found, start = facts["with_found"], facts["with_start"]
    time = f"to {facts['distance_ft']} ft, {start['mean_time_s']:.3f} s at the start"
    key = [
        (f"{100 * found['shares']['within_limits']:.1f} %", "of the cars keep all limits"),
        (f"{found['mean_time_s']:.3f} s", time),
    ]
    for name, key_name, decimals, unit in (
        ("peak lift", "peak_lift_mm", 0, "mm"),
        ("landing", "landing_speed_mps", 2, "m/s"),
        ("on the bar", "bar_force_kn", 1, "kN"),
    ):
        at, was = (side["percentiles_5_50_95"][key_name][2] for side in (found, start))
        start_text = number_text(was, decimals, f" {unit}")
        text = f"{name}, 95 % of the cars stay at or below; {start_text} at the start"
        key.append((number_text(at, decimals, f" {unit}"), text))
    return key


# --- tables


def _row_cell(number: int, row: dict[str, Any]) -> Cell:
    kept = row["chosen"] or row["keeps_limits"]
    text = f"{number}" if row["keeps_limits"] else f"{number}!"
    return Cell(text, "good" if row["chosen"] else "" if kept else "bad")


def _trade_off(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = [
        [
            _row_cell(number, row), "yes" if row["look_ahead"] else "no",
            f"{row['mean_time_s']:.3f}", f"{row['peak_lift_mm']:.0f}",
            number_text(row["landing_speed_mps"], 2),
            f"{row['bar_force_kn']:.1f}", f"{row['command_reversals']:.0f}",
            f"{row['interventions']:.0f}", f"{100 * row['within_limits']:.1f}",
            number_text(row["margin_percent"], 1),
        ]
        for number, row in enumerate(facts["trade_off"], 1)
    ]  # fmt: skip
    return Table(
        (("row", False), ("look-\nahead", False), ("time\ns", True), ("lift\nmm", True),
         ("land\nm/s", True), ("bar\nkN", True), ("rever-\nsals", True), ("inter-\nventions", True),
         ("within\n%", True), ("margin\n%", True)),
        rows,
        "The trade-off, on the same cars",
        "! does not keep the limits. Time: the mean, a car that never gets there with the longest run; lift,"
        f" land, bar, reversals: what {facts['share_percent']:g} % of the cars stay at or below;"
        f" interventions: half of them; margin: how far {facts['share_percent']:g} % stay off the nearest"
        " limit. --take ROW writes the calibration of a row.",
        chosen=[n for n, row in enumerate(facts["trade_off"]) if row["chosen"]],
        chosen_as="taken" if facts["taken_row"] else "chosen",
        ids=[f"front-{n}" for n in range(len(rows))],
        sortable=True,
    )  # fmt: skip


def _rows_settings(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = [
        [_row_cell(number, row), *(str(value) for value in row["values"].values())]
        for number, row in enumerate(facts["trade_off"], 1)
    ]
    return Table(
        (("row", False), *((title, True) for title in _SETTINGS)),
        rows,
        "Their settings",
        "At rest: the lift in mm where the cut starts; fall: how much lower at the end; wide: from there to"
        f" the full cut; most: the greatest reduction; rel.: the release, one step from {STEP_FROM} %/s; up,"
        " down: look-ahead, rising and falling; tau: its time constant.",
    )


def number_text(value: float | None, decimals: int, unit: str = "") -> str:
    """A number; "none" where there is none, "never" where it is infinite."""
    if value is None:
        return "none"
    return "never" if value == math.inf else f"{value:.{decimals}f}{unit}"


def _check(facts: dict[str, Any], title: str) -> Iterator[Table]:
    columns = (("without", True), ("start", True), (_found_column(facts), True))
    rows = []
    for text, key in _SHARES:
        cells = [facts[side]["shares"].get(key) for side in _SIDES]
        if cells[0] is not None:
            rows.append([text, *(f"{100 * cell:.1f} %" for cell in cells)])
    yield Table((("share of the cars", False), *columns), rows, title)
    rows = []
    for text, key, decimals in _FIGURES:
        figures = [facts[side]["percentiles_5_50_95"][key] for side in _SIDES]
        rows.append([text, *("/".join(number_text(value, decimals) for value in one) for one in figures)])
    yield Table((("figure", False), *columns), rows, "5/50/95 % of the cars")


def _settings(facts: dict[str, Any]) -> Table:
    rows = [
        (
            one["words"], str(one["start"]), Cell(str(one["found"]), "strong"),
            f"{one['least']} {one['unit']}", f"{one['greatest']} {one['unit']}",
        )
        for one in facts["settings"]
    ]  # fmt: skip
    title = (
        "The settings"
        if facts["limits_kept"] or facts["taken_row"]
        else "The nearest settings; they do NOT keep the limits"
    )
    return Table(
        (("setting", False), ("start", True), (_found_column(facts), True), ("sought from", True),
         ("to", True)),
        rows,
        title,
    )  # fmt: skip


def _found_column(facts: dict[str, Any]) -> str:
    if facts["taken_row"]:
        return f"row {facts['taken_row']}"
    return "found" if facts["limits_kept"] else "nearest"
