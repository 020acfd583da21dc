"""What a replay says: the answer in words, the run to look into, and everything it was made from."""

from __future__ import annotations

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
    Subject,
    Table,
    Text,
)
from bench.document.calibration import calibration_section
from bench.document.provenance import provenance
from bench.replay import codes, figure
from bench.replay.cells import cells_of_runs
from bench.replay.decimate import Decimated
from bench.replay.figure import Axis
from bench.replay.figure_data import MEAN_S, window
from bench.replay.findings import Findings, Launch, Replay
from bench.replay.key_figures import key_figures
from bench.replay.logged_document import logged_section
from bench.replay.readiness import LOUD
from bench.replay.what_if import what_if
from bench.trace.text import plural, shown

MOST_PICTURES = 3
"""Launches with a picture of their own: a long trace may have hundreds, and the page shows them all."""
_SCREEN_ROWS = 12
_SPANS = 4
_KEY = ("lift", "cut", "taken", "interventions", "events")  # of the key figures, on a page's top
_ESTIMATES = {
    "events": "skipped events and retard",
    "command": "command, no events",
    "log": "of what the log says was commanded",
}


def make_document(facts: dict[str, Any], s: Replay, found: Findings) -> Document:
    """The document of a replay; `facts` are those of bench.replay.facts."""
    axis = Axis(s, found)
    ticks = Decimated(s.run.n, axis.windows)
    again = what_if(s, figure.NAME)
    run: list[Block] = [*([again] if again else []), figure.strip(s, found, facts, axis, ticks)]
    if ticks.thinned:
        run.insert(0, Text([ticks.note], where="page"))
    sections = [
        Section("The run", run),
        *logged_section(facts, axis),
        Section("In figures", list(_tables(facts, axis)), wide=False),
        calibration_section(s.calibration, cells=cells_of_runs(s)),
        Section("What the trace is", [Bullets(facts["notes"], "Understood and assumed")]),
    ]
    title = f"{Path(facts['trace']['file']).name} with {s.calibration.path.name}"
    loud = [one["text"] for one in facts["look_at"] if one["code"] in LOUD]
    return Document(
        what="replay",
        title=title,
        subjects=_subjects(facts),
        alarm=loud,
        answer=list(_answer(facts)),
        remarks=[one["text"] for one in facts["look_at"] if one["text"] not in loud],
        key=_key(s, found),
        sections=sections,
        provenance=_provenance(facts),
        cautions=[facts["cautions"]],
        pictures=list(_pictures(shown(title, 80), s, found)),
        files=["ticks.csv", "events.csv"],
    )


def _subjects(facts: dict[str, Any]) -> list[Subject]:
    trace, calibration, ticks = facts["trace"], facts["calibration"], facts["ticks"]
    steps = f"{ticks['count']} ticks of {ticks['tick_us'] / 1000:g} ms by {codes.CORES[facts['core']]}"
    return [
        Subject("trace", f"{trace['duration_s']:.3f} s, {trace['rate_hz']:.4g} rows/s", trace["file"]),
        Subject("calibration", f"image CRC-32 {calibration['image_crc32']}", calibration["file"]),
        Subject("stepped", steps),
    ]


def _provenance(facts: dict[str, Any]) -> list[tuple[str, str]]:
    trace, calibration = facts["trace"], facts["calibration"]
    return [
        *provenance(facts),
        ("SHA-256 of the trace", trace["sha256"]),
        ("Its form", f"{trace['form']}, {trace['rows']} rows"),
        ("SHA-256 of the calibration", calibration["sha256"]),
        ("Its image", f"version {calibration['image_version']}"),
        ("Torque estimate", f"{facts['torque_law']}; drawn as a mean over {1000 * MEAN_S:.0f} ms"),
    ]


def _pictures(title: str, s: Replay, found: Findings) -> Iterator[Picture]:
    """One for each of the first launches, or one of a trace without."""
    if not found.launches:
        yield Picture("run.svg", title, "NO LAUNCH FOUND", partial(figure.picture, s, found, None))
    for launch in found.launches[:MOST_PICTURES]:
        file = "run.svg" if launch.number == 1 else f"run_{launch.number}.svg"
        draw = partial(figure.picture, s, found, launch)
        yield Picture(file, f"{title}, launch {launch.number}", _subtitle(s, found, launch), draw)


def _subtitle(s: Replay, found: Findings, launch: Launch) -> str:
    over = "over " if any(one.beyond and one.launch == launch.number for one in found.lifts) else ""
    parts = [
        f"lift {over}{launch.greatest_lift_mm:.0f} mm at most",
        f"{100 * launch.share_taken:.1f} % of torque-time taken in {launch.run_s:.2f} s",
    ]
    _, stop = window(s, found, launch)
    if launch.end_tick > stop:
        parts.append(f"drawn to {s.seconds(stop - launch.tick):.1f} s, nothing is taken after")
    if launch.fault_at_launch:
        parts.append("FAULT AT LAUNCH")
    return " · ".join(parts)


# --- the answer


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    """The answer in sentences, the most important first."""
    if facts["launches"]:
        yield f"{_rose(facts)} {_took(facts)}"
        yield f"{_why(facts)}{_faults(facts)}"


def _rose(facts: dict[str, Any]) -> str:
    launches, lifts = facts["launches"], [lift for lift in facts["lifts"] if lift["launch"] is not None]
    highest = max(launches, key=lambda launch: launch["greatest_lift_mm"])
    which = f" in launch {highest['number']} of {len(launches)}" if len(launches) > 1 else ""
    over = any(lift["beyond"] for lift in lifts if lift["launch"] == highest["number"])
    more = "more than " if over else ""
    if not lifts:
        return (
            f"The front axle rose by {highest['greatest_lift_mm']:z.0f} mm at most{which}, never above"
            f" {facts['lift_threshold_mm']:g} mm."
        )
    peak = max(lifts, key=lambda lift: lift["peak_lift_mm"])
    air = sum(lift["in_air_s"] for lift in lifts)
    when = f", {peak['peak_since_launch_s']:.2f} s after the launch" if len(launches) == 1 else ""
    times = "" if len(lifts) == 1 else f" in {len(lifts)} lifts"
    if any(lift["unknown_s"] for lift in lifts):
        times += " (the height was not believed for part of it)"
    return (
        f"The front axle rose by {more}{highest['greatest_lift_mm']:.0f} mm at most{which}{when}, and the"
        f" front was up for {air:.2f} s{times}."
    )


def _took(facts: dict[str, Any]) -> str:
    torque = facts["torque"]
    most = max(launch["greatest_reduction_permille"] for launch in facts["launches"])
    several = "s" if len(facts["launches"]) > 1 else ""
    if not torque["reduced_s"]:
        return "No cylinder event was asked to be skipped." + (
            " Only the spark was retarded." if torque["retarded_s"] else ""
        )
    return (
        f"The controller skipped up to {most / 10:.1f} % of the cylinder events, {torque['full_cut_s']:.3f} s"
        f" of full torque in all ({100 * torque['share_taken']:.1f} % of the run{several})."
    )


def _why(facts: dict[str, Any]) -> str:
    """Who set the reduction, in a sentence."""
    if not facts["reasons"]:
        return ""
    first, *others = facts["reasons"]
    text = f"{100 * first['share']:.0f} % of the reduction time was {first['name']}"
    return text + "".join(f", {100 * one['share']:.0f} % {one['name']}" for one in others) + ". "


def _faults(facts: dict[str, Any]) -> str:
    faults = _faults_in_runs(facts)
    if not faults:
        return "No fault in the runs."
    return "Faults in the runs: " + ", ".join(f"{f['text']} ({f['in_runs_s']:.3f} s)" for f in faults) + "."


def _faults_in_runs(facts: dict[str, Any]) -> list[dict[str, Any]]:
    by_speed = facts["calibration"]["progress_unit"] == "km/h"
    return [f for f in facts["faults"] if f["in_runs_s"] and (by_speed or f["name"] != "speed")]


def _key(s: Replay, found: Findings) -> list[tuple[str, str]]:
    if not found.launches:
        return []
    return [(one.text, one.title.lower()) for one in key_figures(s, found) if one.key in _KEY]


# --- tables


def _tables(facts: dict[str, Any], axis: Axis) -> Iterator[Table]:
    """The tables of the run, each row a way to its place in the figure."""
    if facts["launches"]:
        yield _launches(facts, axis)
    if facts["lifts"]:
        yield _lifts(facts, axis)
    if facts["interventions"]:
        yield _interventions(facts, axis)
    if facts["reasons"] or facts["askers"]:
        yield _who(facts)
    if facts["events"]["count"]:
        yield _events(facts["events"])
    faults = _faults_in_runs(facts)
    if faults:
        columns = (("fault", False), ("times", True), ("in runs s", True), ("first at s since launch", False))
        yield Table(columns, [_fault_row(one, axis) for one in faults], "Faults in the runs")


def _launches(facts: dict[str, Any], axis: Axis) -> Table:
    rows = [
        (
            Cell(str(one["number"]), jump=axis.launch(one["number"])), f"{one['time_s']:.3f}",
            f"{one['run_s']:.3f}", f"{one['rest_mm']:.1f}", f"{one['greatest_lift_mm']:z.0f} mm",
            f"{one['greatest_reduction_permille'] / 10:.1f} %", f"{one['full_cut_s']:.3f} s",
            f"{100 * one['share_taken']:.1f} %",
        )
        for one in facts["launches"]
    ]  # fmt: skip
    note = (
        "Torque-time taken: the reduction added up over the run, in seconds of no torque at all, and as a"
        " share of the run (launch to disarm or end of the trace)."
    )
    if len(rows) > MOST_PICTURES:
        note += f" There are pictures of the first {MOST_PICTURES} launches; the page has all."
    return Table(
        (("launch", True), ("trace s", True), ("run s", True), ("rest mm", True), ("greatest lift", True),
         ("reduction", True), ("torque-time", True), ("share", True)),
        rows,
        "1 launch" if len(rows) == 1 else f"{len(rows)} launches",
        note,
        screen_rows=_SCREEN_ROWS,
    )  # fmt: skip


def _lifts(facts: dict[str, Any], axis: Axis) -> Table:
    lifts = facts["lifts"]
    note = f"A lift ends below {facts['lift_ends_below_mm']:g} mm. Threshold: {facts['lift_threshold_from']}."
    if any(one["unknown_s"] for one in lifts):
        note += "\n? The height was not believed for part of the time, so the front may have landed earlier."
    if any(one["open_end"] for one in lifts):
        note += "\n+ still up when the trace ends"
    return Table(
        (("run", True), ("start s", True), ("in air s", True), ("peak lift", True), ("peak height", True),
         ("at s", True)),
        [_lift_row(one, axis) for one in lifts],
        f"{plural(len(lifts), 'lift')} above {facts['lift_threshold_mm']:g} mm (seconds since launch)",
        note,
        screen_rows=_SCREEN_ROWS,
    )  # fmt: skip


def _lift_row(one: dict[str, Any], axis: Axis) -> list[str | Cell]:
    over = "over " if one["beyond"] else ""
    air = f"{one['in_air_s']:.3f}{'?' if one['unknown_s'] else ''}{'+' if one['open_end'] else ''}"
    return [
        Cell(_run(one), jump=axis.lift(one)), f"{one['since_launch_s']:.3f}", air,
        f"{over}{one['peak_lift_mm']:.0f} mm", f"{over}{one['peak_height_mm']:.0f} mm",
        f"{one['peak_since_launch_s']:.3f}",
    ]  # fmt: skip


def _interventions(facts: dict[str, Any], axis: Axis) -> Table:
    found = facts["interventions"]
    return Table(
        (("run", True), ("start s", True), ("lasted", True), ("reduction", True), ("retard", True),
         ("at peak", True), ("hold", True), ("release", True), ("reason", False)),
        [
            (
                Cell(_run(one), jump=axis.cut(one)), f"{one['since_launch_s']:.3f}",
                f"{one['duration_s']:.3f}{'+' if one['open_end'] else ''}",
                f"{one['peak_reduction_permille'] / 10:.1f} %", f"{one['peak_retard_ddeg'] / 10:.1f}°",
                f"{one['at_peak_s']:.3f}", f"{one['hold_s']:.3f}" if one["hold_s"] else "-",
                f"{one['release_s']:.3f}", one["reason"],
            )
            for one in found
        ],
        f"{plural(len(found), 'intervention')} (seconds since launch)",
        "+ still on when the trace ends" if any(one["open_end"] for one in found) else "",
        screen_rows=_SCREEN_ROWS,
    )  # fmt: skip


def _run(one: dict[str, Any]) -> str:
    return "-" if one["launch"] is None else str(one["launch"])


def _who(facts: dict[str, Any]) -> Table:
    """Who set the reduction, and who asked for one or for a retard, won or not."""
    set_by = {one["name"]: one for one in facts["reasons"]}
    asked = {one["name"]: f"{one['asked_s']:.3f}" for one in facts["askers"]}
    rows = [
        (
            name, f"{set_by[name]['time_s']:.3f}" if name in set_by else "-",
            f"{100 * set_by[name]['share']:.0f} %" if name in set_by else "-", asked.get(name, "-"),
        )
        for name in dict.fromkeys((*set_by, *asked))
    ]  # fmt: skip
    note = (
        f"The command changed {plural(facts['command_changes'], 'time')} and changed direction"
        f" {plural(facts['command_reversals'], 'time')}."
    )
    torque = facts["torque"]
    if torque["estimated_share_left"] is not None:
        source = _ESTIMATES[torque["estimate_from"]]
        left = 100 * torque["estimated_share_left"]
        note += f"\nTorque left over the runs, an estimate: {left:.1f} % ({source})."
    columns = (("who", False), ("set the reduction s", True), ("share", True), ("asked s", True))
    return Table(columns, rows, "Why it cut", note)


def _events(events: dict[str, Any]) -> Table:
    cylinders = events["cylinders"]
    share = 100 * events["skipped"] / events["count"]
    return Table(
        (("cylinder", False), *((str(one["cylinder"]), True) for one in cylinders)),
        [
            ("events", *(str(one["events"]) for one in cylinders)),
            ("skipped", *(str(one["skipped"]) for one in cylinders)),
            ("skipped %", *(f"{100 * (one['share'] or 0):.1f}" for one in cylinders)),
        ],
        f"Cylinder events of the runs, in firing order: {events['count']}, skipped {events['skipped']}"
        f" ({share:.1f} %)",
    )


def _fault_row(one: dict[str, Any], axis: Axis) -> list[str | Cell]:
    spans = [span for span in one["first"] if span["launch"] is not None]
    first = ", ".join(f"{span['since_launch_s']:.3f}" for span in spans[:_SPANS])
    return [
        Cell(one["text"], jump=axis.fault(one["first"][0])), str(one["times"]), f"{one['in_runs_s']:.3f}",
        first + (" ..." if len(spans) > _SPANS else ""),
    ]  # fmt: skip
