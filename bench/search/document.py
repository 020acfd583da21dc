"""What a search says: the settings found, the trade-off, the cars of the check, the ceilings."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from bench.cautions import CAUTIONS, MODEL
from bench.document.blocks import Bullets, Cell, Document, Picture, Section, Source, Subject, Table
from bench.document.calibration import calibration_section
from bench.document.provenance import provenance
from bench.search import figure
from bench.search.files import CALIBRATION
from bench.search.limits import KINDS
from bench.search.settings import STEP_FROM
from bench.search.state import STATE
from bench.search.study import Found

_SHARES = (
    ("within all limits", "within_limits"),
    ("  peak lift", "lift_kept"),
    ("  landing speed", "landing_kept"),
    ("  bar force", "bar_kept"),
    ("not slower than without", "not_slower_than_without"),
    ("better than start in lift, landing, time", "better_than_start_in_lift_landing_and_time"),
    ("turns over", "turned_over"),
    ("one flight", "one_flight"),
    ("more flights", "more_flights"),
    ("touches the bar", "bar_touched"),
    ("nose on the ground", "nose_on_ground"),
)
_FIGURES = (
    ("time, s", "time_s", 3),
    ("peak lift, mm", "peak_lift_mm", 0),
    ("landing speed, m/s", "landing_speed_mps", 2),
    ("bar force, kN", "bar_force_kn", 1),
    ("reduction, %", "greatest_reduction_percent", 0),
    ("command reversals", "command_reversals", 0),
)
_SIDES = ("without", "with_start", "with_found")


def make_document(facts: dict[str, Any], found: Found) -> Document:
    """The document of a search; `facts` are those of bench.search.facts."""
    name = facts["vehicle"]["name"] or Path(facts["vehicle"]["file"]).name
    title = f"Settings for {name}, sought from {found.settings.start.path.name}"
    kept = [f"{CALIBRATION} (for replay, predict and verify)"] if facts["limits_kept"] else []
    warned = facts["vehicle"]["warnings"]
    check = f"On {facts['spread']['check_cars']} cars that it was not sought with"
    time = [figure.trade_off(found, kind, facts) for kind in KINDS[:2]]
    draw = partial(figure.picture, found, facts)
    sections = [
        Section("The settings", [_settings(facts), figure.ceilings(found)]),
        Section(check, [figure.cars(found), *_check(facts, check)]),
        Section("The trade-off", [*time, _front(facts)]),
        Section("What bounds it", [Bullets(facts["bounded_by"], "What bounds it")]),
        *([Section("Worth knowing", [Bullets(warned, "Warnings about the vehicle")])] if warned else []),
        Section("The car", [Source(f"The file {found.vehicle.path.name}", found.vehicle.text)]),
        calibration_section(found.nearest.calibration, f"The calibration {_found_word(facts)}"),
    ]
    return Document(
        what="search",
        title=title,
        subjects=_subjects(facts),
        alarm=[] if facts["limits_kept"] else ["Nothing was found that keeps the limits."],
        answer=[*_answer(facts), MODEL],
        key=_key(facts),
        sections=sections,
        cautions=[CAUTIONS],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the vehicle", facts["vehicle"]["sha256"]),
            ("SHA-256 of the start", facts["start"]["sha256"]),
            *([("Image found", f"CRC-32 {facts['image_crc32']}")] if facts["image_crc32"] else []),
            ("Runs", f"{facts['runs']}: {facts['population']} settings, {facts['generations']} generations"),
        ],
        pictures=[Picture("search.svg", f"{title}: a model's guess", _subtitle(facts), draw)],
        files=[*kept, STATE],
    )


def _subjects(facts: dict[str, Any]) -> list[Subject]:
    vehicle, spread = facts["vehicle"], facts["spread"]
    limits = ", ".join(f"{one['of']} {one['most']:g} {one['unit']}" for one in facts["limits"])
    road = f"roads of class {spread['road']}" if spread["road"] else "level roads"
    assumed = spread["default_scatter"]
    return [
        Subject("vehicle", vehicle["name"], vehicle["file"]),
        Subject("start", f"image CRC-32 {facts['start']['image_crc32']}", facts["start"]["file"]),
        Subject("sought", f"least time to {facts['distance_ft']} ft"),
        Subject("limits", f"{limits}; in {facts['share_percent']:g} % of the cars"),
        Subject("spread", f"{spread['cars']} cars on {road}, seed {spread['seed']}; {facts['runs']} runs"),
        *([Subject("", f"not in the file, so assumed: {', '.join(assumed)}")] if assumed else []),
    ]


def _subtitle(facts: dict[str, Any]) -> str:
    found, start, without = facts["with_found"], facts["with_start"], facts["without"]
    share = 100 * found["shares"]["within_limits"]
    kept = facts["limits_kept"]
    return (
        f"The {'chosen' if kept else 'nearest'} setting {'keeps' if kept else 'does NOT keep'} the limits"
        f"{'' if kept else '; it keeps them'} in {share:.4g} % of {facts['spread']['check_cars']} cars:"
        f" {found['mean_time_s']:.3f} s to {facts['distance_ft']} ft ({without['mean_time_s']:.3f} without"
        f" control, {start['mean_time_s']:.3f} with the start)"
    )


def _found_word(facts: dict[str, Any]) -> str:
    return "found" if facts["limits_kept"] else "nearest to the limits"


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    found, start, without = facts["with_found"], facts["with_start"], facts["without"]
    share = 100 * found["shares"]["within_limits"]
    feet = facts["distance_ft"]
    kept = "keeps all limits" if facts["limits_kept"] else "comes nearest: it keeps all limits"
    yield (
        f"The setting found {kept} in {share:.1f} % of {facts['spread']['check_cars']} cars and takes"
        f" {found['mean_time_s']:.3f} s to {feet} ft in the mean: the start takes"
        f" {start['mean_time_s']:.3f} s, no control {without['mean_time_s']:.3f} s."
    )
    yield from facts["bounded_by"][:1]


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
        text = f"{name}, 95 % of the cars stay at or below; {was:.{decimals}f} {unit} at the start"
        key.append((f"{at:.{decimals}f} {unit}", text))
    return key


# --- tables


def _settings(facts: dict[str, Any]) -> Table:
    found = "found" if facts["limits_kept"] else "nearest"
    return Table(
        (("setting", False), ("start", True), (found, True), ("sought from", True), ("to", True)),
        [
            (
                one["words"], str(one["start"]), Cell(str(one["found"]), "strong"),
                f"{one['least']} {one['unit']}", f"{one['greatest']} {one['unit']}",
            )
            for one in facts["settings"]
        ],
        "The settings" if facts["limits_kept"] else "The nearest settings; they do NOT keep the limits",
    )  # fmt: skip


def _check(facts: dict[str, Any], caption: str) -> Iterator[Table]:
    columns = (("without", True), ("start", True), ("found" if facts["limits_kept"] else "nearest", True))
    rows = []
    for text, key in _SHARES:
        cells = [facts[side]["shares"].get(key) for side in _SIDES]
        if cells[0] is not None:
            rows.append((text, *(f"{100 * cell:.1f} %" for cell in cells)))
    yield Table((("share of the cars", False), *columns), rows, caption)
    rows = []
    for text, key, decimals in _FIGURES:
        sides = [facts[side]["percentiles_5_50_95"][key] for side in _SIDES]
        rows.append((text, *("/".join(f"{value:.{decimals}f}" for value in side) for side in sides)))
    yield Table((("5/50/95 % of the cars", False), *columns), rows, "What so many of them stay below")


def _front(facts: dict[str, Any]) -> Table:
    kept, broken = Cell("kept"), Cell("broken", "bad")
    rows: list[tuple[str | Cell, ...]] = [
        (
            str(number), kept if row["keeps_limits"] else broken,
            f"{row['mean_time_s']:.3f}", f"{row['peak_lift_mm']:.0f}", f"{row['landing_speed_mps']:.2f}",
            f"{row['bar_force_kn']:.1f}", f"{100 * row['within_limits']:.1f}",
            *(str(value) for value in row["values"].values()),
        )
        for number, row in enumerate(facts["trade_off"], 1)
    ]  # fmt: skip
    return Table(
        (("row", False), ("limits", False), ("time\ns", True), ("lift\nmm", True), ("land\nm/s", True),
         ("bar\nkN", True), ("within\n%", True), ("at\nrest", True), ("fall\nmm", True), ("wide\nmm", True),
         ("most\n%", True), ("hold\nms", True), ("rel.\n%/s", True), ("up\nms", True), ("down\nms", True)),
        rows,
        "The trade-off, on the same cars",
        f"Time: the mean; lift, land, bar: what {facts['share_percent']:g} % of the cars stay at or below;"
        " within: the share of the cars that keep all limits. At rest: the lift in mm where the cut starts;"
        " fall: how much lower at the end; wide: from there to the full cut; most: the greatest reduction;"
        f" rel.: the release, {STEP_FROM} %/s and more is one step; up, down: look-ahead, rising and"
        " falling.",
        chosen=[n for n, row in enumerate(facts["trade_off"]) if row["chosen"]],
        chosen_as="chosen",
        ids=[f"front-{n}" for n in range(len(rows))],
        sortable=True,
    )  # fmt: skip
