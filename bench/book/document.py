"""What the book says: its runs as a table and curves, what was changed, the sensor over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bench.document.blocks import Block, Bullets, Cell, Document, Group, Points, Section, Subject, Table, Text
from bench.document.provenance import provenance
from bench.trace.text import plural
from bench.vehicle.results import MARKS_FT

_SCREEN_RUNS = 20
_CURVES: tuple[tuple[str, str, str], ...] = (
    ("peak_lift_mm", "Peak lift", "peak lift, mm"),
    ("landing_m_per_s", "Landing", "nose, m/s"),
    ("torque_time_s", "Torque taken", "s of full torque"),
    ("time_60_ft_s", "Time to 60 ft", "s"),
    ("time_660_ft_s", "Time to 660 ft", "s"),
    ("density_altitude_m", "Density altitude", "m"),
)
_SENSOR = (
    ("noise_mm", "Sensor noise, car standing", "1 sd, mm"),
    ("rest_mm", "Rest height", "mm"),
    ("unused_share", "Readings not used", "share of the run"),
)


def make_document(facts: dict[str, Any]) -> Document:
    """The document of the book; `facts` are those of bench.book.facts."""
    runs = facts["runs"]
    return Document(
        what="book",
        title=f"The book: {plural(len(runs), 'run')}",
        subjects=[Subject("book", plural(len(runs), "run"), facts["book"])],
        alarm=[f"run {one['run']} cannot be read: {one['why']}" for one in facts["damaged"]],
        answer=list(_answer(facts)),
        remarks=facts["sensor"],
        sections=[
            Section("The runs", list(_runs(facts))),
            Section("Run by run", list(_curves(runs, _CURVES, lambda run: run)), wide=False, where="page"),
            Section("What was changed", list(_changes(facts))),
            Section(
                "The sensor over time",
                list(_curves(runs, _SENSOR, lambda run: run["sensor"] or {})),
                wide=False,
                where="page",
            ),
            *predicted_sections(facts),
        ],
        cautions=[facts["cautions"]],
        provenance=provenance(facts),
    )


def predicted_sections(facts: dict[str, Any]) -> list[Section]:
    """How far predictions were off, where there were some."""
    scored = facts.get("predictions")
    if not scored or not scored["scored"]:
        return []
    rows = [
        [
            str(one["run"]), str(one["from_run"]), one["figure"], f"{one['low']:.4g} to {one['high']:.4g}",
            f"{one['measured']:.4g}", "yes" if one["held"] else "no",
        ]
        for one in scored["scored"]
    ]  # fmt: skip
    columns = (("run", True), ("said after", True), ("figure", False), ("said, 80 %", True),
               ("measured", True), ("held", False))  # fmt: skip
    note = f"{scored['held']} of {len(rows)} ranges held; 80 of 100 are claimed"
    return [
        Section("Predictions and what came", [Table(columns, rows, "Predictions", note=note, screen_rows=8)])
    ]


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    runs, best = facts["runs"], facts["best"]
    if not runs:
        yield "There is no run in the book yet: add one with `liftlatch book add LOG`."
        return
    if best is not None:
        yield f"The best run is {best['run']}: {best['time_s']:.3f} s to {best['feet']} ft."
    last = runs[-1]
    yield f"The last one is run {last['run']}: {told(last)}."


def told(run: dict[str, Any]) -> str:
    """The figures of a run in words."""
    if run["peak_lift_mm"] is None:
        return "no launch was found in its log"
    words = [f"peak lift {run['peak_lift_mm']:.0f} mm"]
    if run["flights"] is not None:
        words.append(plural(run["flights"], "flight"))
        landing = run["landing_m_per_s"]
        words.append("no landing" if landing is None else f"landing {landing:.2f} m/s")
    if run["torque_time_s"] is not None:
        words.append(f"{run['torque_time_s']:.3f} s of full torque taken")
    return ", ".join(words)


def _number(value: Any, form: str) -> str:
    return "-" if value is None else format(value, form)


def _time(run: dict[str, Any], feet: int) -> str:
    value = run[f"time_{feet}_ft_s"]
    if value is None:
        return "-"
    return f"{value:.3f}" if feet in run["by_slip"] else f"~{value:.2f}"


def _runs(facts: dict[str, Any]) -> Iterator[Block]:
    runs, best = facts["runs"], facts["best"]
    columns = (("run", True), ("when", False), ("lift\nmm", True), ("flights", True), ("landing\nm/s", True),
               ("taken\ns", True), ("60 ft\ns", True), ("660 ft\ns", True), ("DA\nm", True),
               ("calibration", False))  # fmt: skip
    rows = [
        [
            Cell(str(run["run"]), link=run["report"]), run["when"].replace("T", " ")[2:16],
            _number(run["peak_lift_mm"], ".0f"),
            _number(run["flights"], "d"), _number(run["landing_m_per_s"], ".2f"),
            _number(run["torque_time_s"], ".3f"), _time(run, 60), _time(run, 660),
            _number(run["density_altitude_m"], ".0f"), run["image_crc32"],
        ]
        for run in runs
    ]  # fmt: skip
    chosen = [i for i, run in enumerate(runs) if best and run["run"] == best["run"]]
    yield Table(
        columns, rows, "The runs", "~ by the log's speed, from one foot on; else by the time slip",
        chosen=chosen, chosen_as="the best run", ids=[f"run-{run['run']}" for run in runs], sortable=True,
        screen_rows=list(range(max(0, len(rows) - _SCREEN_RUNS), len(rows))),
    )  # fmt: skip
    notes = [f"run {run['run']}: {run['note']}" for run in runs if run["note"]]
    if notes:
        yield Bullets(notes[-_SCREEN_RUNS:], "Notes")


def _changes(facts: dict[str, Any]) -> Iterator[Block]:
    lines, rows = [], []
    for run in facts["runs"]:
        settings = run["settings_changed"] or ()
        many = f", {plural(len(settings), 'setting')}" if settings else ""
        parts = [f"calibration {run['image_crc32']}{many}"] if run["calibration_changed"] else []
        parts += [run["changed"]] if run["changed"] else []
        if parts:
            lines.append(f"before run {run['run']}: {'; '.join(parts)}")
        rows += [[str(run["run"]), one["key"], one["from"], one["to"]] for one in settings]
    if not lines:
        yield Text(["Nothing was changed, as far as the book knows."], where="page")
        return
    yield Bullets(lines[-_SCREEN_RUNS:], "Changed between runs", where="screen")
    yield Bullets(lines, where="page")
    if rows:
        columns = (("before run", True), ("setting", False), ("was", False), ("became", False))
        yield Table(columns, rows, "Settings, the newest changes", where="page")


def _curves(
    runs: Sequence[dict[str, Any]], curves: Sequence[tuple[str, str, str]], of: Any
) -> Iterator[Block]:
    words = [str(run["run"]) for run in runs]
    for name, title, label in curves:
        known = [(at, run, of(run)[name]) for at, run in enumerate(runs) if of(run).get(name) is not None]
        if len(known) < 2:
            continue
        yield Points(
            name.replace("_", "-"), title, "run", label,
            [
                Group(
                    title, [at for at, _, _ in known], [value for *_, value in known], "run-1",
                    [f"run {run['run']}, {run['when']}: {value:.4g}" for _, run, value in known],
                    [f"run-{run['run']}" for _, run, _ in known], joined=True,
                )
            ],
            x_words=words,
            height=240,
        )  # fmt: skip


def said(run: dict[str, Any]) -> list[tuple[str, str]]:
    """All that the book has of a run, in words."""
    found = [
        ("when", run["when"].replace("T", " ")), ("lane", run["lane"]), ("note", run["note"]),
        ("changed before it", run["changed"]), ("calibration", run["image_crc32"]),
        ("air density", _unit(run["density_kg_m3"], ".3f", "kg/m³")),
        ("density altitude", _unit(run["density_altitude_m"], ".0f", "m")),
        ("reaction", _unit(run["reaction_s"], ".3f", "s")),
    ]  # fmt: skip
    for feet in MARKS_FT:
        speed = run["slip"].get(f"{feet}_ft_km_per_h")
        at = f" at {speed:.1f} km/h" if speed is not None else ""
        by = "" if feet in run["by_slip"] else " (by the log)"
        time = run[f"time_{feet}_ft_s"]
        found.append((f"{feet} ft", "" if time is None else f"{time:.3f} s{at}{by}"))
    sensor = run["sensor"] or {}
    found += [
        ("peak lift", _unit(run["peak_lift_mm"], ".0f", "mm") + (" or more" if run["beyond_sensor"] else "")),
        ("flights", _number(run["flights"], "d")),
        ("in the air", _unit(run["in_air_s"], ".2f", "s")),
        ("landing", _unit(run["landing_m_per_s"], ".2f", "m/s")),
        ("torque-time taken", _unit(run["torque_time_s"], ".3f", "s")),
        ("why it cut", ", ".join(run["reasons"] or ())),
        ("log and replay", {None: "", True: "agree", False: run["log_differs"]}[run["log_agrees"]]),
        ("sensor noise", _unit(sensor.get("noise_mm"), ".1f", "mm")),
        ("rest height", _unit(sensor.get("rest_mm"), ".0f", "mm")),
        ("height lost", f"{sensor.get('dropouts')} times" if sensor.get("dropouts") else ""),
    ]
    return [(name, text) for name, text in found if text not in ("", "-")]


def _unit(value: Any, form: str, unit: str) -> str:
    return "" if value is None else f"{value:{form}} {unit}"


def run_document(facts: dict[str, Any]) -> Document:
    """One run of the book, all of it."""
    run = facts["runs"][0]
    return Document(
        what="book",
        title=f"Run {run['run']}",
        subjects=[Subject("run", str(run["run"])), Subject("folder", "", f"{facts['book']}/{run['folder']}")],
        answer=[f"Run {run['run']}: {told(run)}."],
        sections=[
            Section("The run", [Table((("", False), ("", False)), said(run), "What the book has of it")])
        ],
        cautions=[facts["cautions"]],
        provenance=provenance(facts),
    )
