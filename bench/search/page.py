"""The page of a search: the trade-off, the cars of the check, the ceilings before and after."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np

from bench.cautions import MODEL
from bench.document.blocks import Block, Bullets, Cell, Document, Group, Points, Section, Source, Table
from bench.document.calibration import calibration_section
from bench.document.html import write_page
from bench.document.provenance import provenance
from bench.search.limits import KINDS, Kind
from bench.search.screen import FIGURES, SHARES, SIDES
from bench.search.settings import STEP_FROM
from bench.search.study import Checked, Found
from bench.vehicle.results import cut_starts

Mark = Literal["cross", "square", "chosen", "run-0", "run-1", "run-2", "run-3"]


def write(path: Path, facts: dict[str, Any], found: Found) -> None:
    """Write the page of a search; `facts` is what summary.json holds."""
    write_page(path, page(facts, found))


def page(facts: dict[str, Any], found: Found) -> Document:
    """The page of a search."""
    name = facts["vehicle"]["name"] or Path(facts["vehicle"]["file"]).name
    spread = facts["spread"]
    limits = ", ".join(f"{one['of']} {one['most']:g} {one['unit']}" for one in facts["limits"])
    warned: list[Block] = []
    if spread["default_scatter"]:
        warned.append(Bullets(spread["default_scatter"], "Not in the vehicle's file, so assumed"))
    if facts["vehicle"]["warnings"]:
        warned.append(Bullets(facts["vehicle"]["warnings"], "Warnings about the vehicle"))
    trade: list[Block] = [_trade_off(found, kind, facts) for kind in KINDS[:2]]
    sections = [
        Section("What bounds it", [Bullets(facts["bounded_by"])]),
        Section("The trade-off", [*trade, _front(facts)]),
        Section(
            f"On {spread['check_cars']} cars that it was not sought with", [_cars(found), *_check(facts)]
        ),
        Section("The settings", [_ceilings(found), _settings(facts)]),
        *([Section("Worth knowing", warned)] if warned else []),
        Section("The car", [Source(f"The file {found.vehicle.path.name}", found.vehicle.text)]),
        calibration_section(found.nearest.calibration, f"The calibration {_found_word(facts)}"),
    ]
    return Document(
        what="search",
        title=f"Settings for {name}, sought from {found.settings.start.path.name}",
        alarm=[] if facts["limits_kept"] else ["Nothing was found that keeps the limits."],
        answer=[*_answer(facts), MODEL],
        key=_key(facts),
        sections=sections,
        cautions=[facts["model"], facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("Vehicle", facts["vehicle"]["file"]),
            ("Its SHA-256", facts["vehicle"]["sha256"]),
            ("Start", facts["start"]["file"]),
            ("Its SHA-256", facts["start"]["sha256"]),
            ("Its image", f"CRC-32 {facts['start']['image_crc32']}"),
            *([("Image found", f"CRC-32 {facts['image_crc32']}")] if facts["image_crc32"] else []),
            ("Sought", f"least time to {facts['distance_ft']} ft"),
            ("Limits", f"{limits}; in {facts['share_percent']:g} % of the cars"),
            ("Spread", f"{spread['cars']} cars, road {spread['road'] or 'level'}, seed {spread['seed']}"),
            ("Runs", f"{facts['runs']}: {facts['population']} settings, {facts['generations']} generations"),
        ],
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


# --- pictures


def _marks(found: Found) -> list[tuple[Checked, Mark, str]]:
    text = "chosen" if found.chosen else "nearest, limits not kept"
    return [
        (found.without, "cross", "without control"),
        (found.start, "square", "start"),
        (found.nearest, "chosen", text),
    ]


def _told(found: Found, judged: Any, values: Any, cars: int) -> str:
    text = (
        f"{judged.time_s:.3f} s, lift {judged.lift_m * 1000:.0f} mm, landing {judged.landing_mps:.2f} m/s,"
        f" bar {judged.bar_n / 1000:.1f} kN; within the limits in {100 * judged.within:.1f} % of {cars} cars"
    )
    if values is None:
        return text
    written = ", ".join(
        f"{setting.words} {found.settings.written(i, value)}"
        for i, (setting, value) in enumerate(zip(found.settings.all, values, strict=True))
    )
    return f"{text}. {written}"


def _trade_off(found: Found, kind: Kind, facts: dict[str, Any]) -> Points:
    """Time over a figure: all that was tried in the cars of the search, the rest in those of the check."""

    def at(judged: Any) -> float:
        value = {"lift": judged.lift_m, "landing": judged.landing_mps}[kind.name]
        return round(float(value) / kind.size, 4)

    groups: list[Group] = []
    for inside, text, look in (
        (False, "tried, limits not kept", "pale"),
        (True, "tried, limits kept", "solid"),
    ):
        tried = [t for t in found.course.tried if (t.judged.over <= 0) is inside]
        groups.append(
            Group(
                f"{text} ({len(tried)})",
                [at(t.judged) for t in tried],
                [round(t.judged.time_s, 5) for t in tried],
                "solid" if look == "solid" else "pale",
                [_told(found, t.judged, t.values, found.options.cars) for t in tried],
            )
        )
    rows = found.checked
    groups.append(
        Group(
            "checked: rows of the table",
            [at(one.judged) for one in rows],
            [round(one.judged.time_s, 5) for one in rows],
            "run-1",
            [_told(found, one.judged, one.values, found.options.check) for one in rows],
            [f"front-{n}" for n in range(len(rows))],
        )
    )
    for one, look, text in _marks(found):
        tip = f"{text}: {_told(found, one.judged, one.values, found.options.check)}"
        groups.append(Group(text, [at(one.judged)], [round(one.judged.time_s, 5)], look, [tip]))
    limits: list[tuple[Literal["x", "y"], float, str]] = [
        ("x", limit.most / kind.size, f"limit, {limit.kind.shown(limit.most)}")
        for limit in found.options.limits
        if limit.kind is kind
    ]
    shown = [one.judged for one, *_ in _marks(found)] + [one.judged for one in rows]
    right = max([at(judged) for judged in shown] + [value for _, value, _ in limits])
    low, high = min(j.time_s for j in shown), max(j.time_s for j in shown)
    return Points(
        f"time-{kind.name}",
        f"Time and {kind.words}, that {facts['share_percent']:g} % of the cars stay at or below",
        f"{kind.words}, {kind.unit}",
        f"mean time to {facts['distance_ft']} ft, s",
        groups,
        limits,
        x_range=(0.0, 1.08 * right),
        y_range=(low - 0.08 * (high - low) - 1e-3, high + 0.25 * (high - low) + 1e-3),
        height=380,
    )


def _cars(found: Found) -> Points:
    """Each car of the check: lift and landing."""
    lift, landing, _ = KINDS
    groups = []
    looks: tuple[Literal["run-1", "run-2", "run-0"], ...] = ("run-1", "run-2", "run-0")
    for (one, _mark, text), look in zip(_marks(found), looks, strict=True):
        x, y = one.driven.of(lift) / lift.size, one.driven.of(landing) / landing.size
        tips = [
            f"{text}, car {n + 1}: lift {a:.0f} mm, landing {b:.2f} m/s, bar {bar / 1000:.1f} kN,"
            f" {time:.3f} s"
            for n, (a, b, bar, time) in enumerate(zip(x, y, one.driven.bar, one.driven.time, strict=True))
        ]
        groups.append(
            Group(text, [round(v, 3) for v in x.tolist()], [round(v, 4) for v in y.tolist()], look, tips)
        )
    limits: list[tuple[Literal["x", "y"], float, str]] = [
        (
            "x" if limit.kind is lift else "y",
            limit.most / limit.kind.size,
            f"limit on {limit.kind.words}, {limit.kind.shown(limit.most)}",
        )
        for limit in found.options.limits
        if limit.kind in (lift, landing)
    ]
    return Points(
        "cars",
        "Each car: peak lift and landing speed",
        "peak lift, mm",
        "landing speed, m/s",
        groups,
        limits,
        height=360,
    )


def _ceilings(found: Found) -> Points:
    """Where the cut starts and is full, over progress."""
    groups = []
    start = found.settings.start
    rows: tuple[tuple[Any, str, Mark, Mark], ...] = (
        (start, "start", "run-2", "run-3"),
        (found.nearest.calibration, "chosen" if found.chosen else "nearest", "run-1", "run-0"),
    )
    for calibration, text, first_look, full_look in rows:
        progress, _, full = cut_starts(calibration)
        first = calibration.ceilings.reduction_from
        for words, levels, look in (("first cut", first, first_look), ("full cut", full, full_look)):
            known = np.isfinite(levels)
            x, y = progress[known].tolist(), levels[known].tolist()
            tips = [
                f"{text}: {words} at {b:.0f} mm, {a:g} {calibration.progress_unit}"
                for a, b in zip(x, y, strict=True)
            ]
            groups.append(Group(f"{text}: {words}", x, y, look, tips, joined=True))
    return Points(
        "ceilings",
        "The ceilings, before and after",
        f"progress, {start.progress_unit}",
        "lift at the front axle, mm",
        groups,
        height=320,
    )


# --- tables


def _front(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = []
    for number, row in enumerate(facts["trade_off"], 1):
        state = "chosen" if row["chosen"] else "" if row["keeps_limits"] else "limits not kept"
        rows.append(
            [
                str(number),
                Cell(state, "good" if row["chosen"] else "bad" if state else ""),
                f"{row['mean_time_s']:.3f}",
                f"{row['peak_lift_mm']:.0f}",
                f"{row['landing_speed_mps']:.2f}",
                f"{row['bar_force_kn']:.1f}",
                f"{100 * row['within_limits']:.1f} %",
                *(str(value) for value in row["values"].values()),
            ]
        )
    settings = [(f"{one['words']}, {one['unit']}", True) for one in facts["settings"]]
    return Table(
        (
            ("row", True),
            ("verdict", False),
            ("mean time s", True),
            ("lift mm", True),
            ("landing m/s", True),
            ("bar kN", True),
            ("within", True),
            *settings,
        ),
        rows,
        "The settings to choose from, on the same cars",
        f"Lift, landing, bar: what {facts['share_percent']:g} % of the cars stay at or below."
        f" Release: {STEP_FROM} %/s and more is one step.",
        chosen=[n for n, row in enumerate(facts["trade_off"]) if row["chosen"]],
        ids=[f"front-{n}" for n in range(len(rows))],
        sortable=True,
    )


def _check(facts: dict[str, Any]) -> Iterator[Table]:
    found = "found" if facts["limits_kept"] else "nearest"
    rows = []
    for text, key in SHARES:
        cells = [facts[side]["shares"].get(key) for side in SIDES]
        if cells[0] is not None:
            rows.append([text.strip(), *(f"{100 * cell:.1f} %" for cell in cells)])
    yield Table(
        (("share of the cars", False), ("without", True), ("start", True), (found, True)),
        rows,
        "Shares of the cars",
    )
    rows = []
    for text, key, decimals in FIGURES:
        cells = [facts[side]["percentiles_5_50_95"][key] for side in SIDES]
        rows.append([text, *(" / ".join(f"{value:.{decimals}f}" for value in cell) for cell in cells)])
    yield Table(
        (("5 / 50 / 95 % of the cars", False), ("without", True), ("start", True), (found, True)),
        rows,
        "Figures of the cars",
    )


def _settings(facts: dict[str, Any]) -> Table:
    found = "found" if facts["limits_kept"] else "nearest"
    return Table(
        (("setting", False), ("start", True), (found, True), ("sought from", True), ("to", True)),
        [
            (
                one["words"],
                str(one["start"]),
                Cell(str(one["found"]), "strong"),
                f"{one['least']} {one['unit']}",
                f"{one['greatest']} {one['unit']}",
            )
            for one in facts["settings"]
        ],
        "What was sought",
    )
