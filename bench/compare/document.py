"""What a comparison says: the answer in words, each run with all calibrations, and runs by their launch."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bench.compare import figure
from bench.compare.difference import JOINED_S
from bench.compare.facts import LETTERS
from bench.compare.maps import maps_beside
from bench.compare.study import Study
from bench.compare.texts import (
    change_rows,
    figures,
    logged_figures,
    map_lines,
    place,
    places,
    run_name,
    stretch,
)
from bench.document.blocks import Block, Cell, Document, Section, Subject, Table, Text
from bench.document.calibration import calibration_section
from bench.document.provenance import provenance
from bench.document.traces import trace_hashes, trace_notes
from bench.replay import codes
from bench.replay.cells import cells_of_runs
from bench.replay.logged_agreement import delay_text
from bench.replay.what_if import what_if
from bench.trace.text import percent, plural, quoted

_SCREEN_SPANS = 6
_MOST_MOVED = 4  # traces of which the page can run one again: each brings its inputs along


def make_document(facts: dict[str, Any], study: Study) -> Document:
    """The document of a comparison; `facts` are those of bench.compare.facts."""
    several = len(study.calibrations) > 1
    sections = []
    if several:
        sections.append(Section("What was changed", [*_changes(facts), *maps_beside(study.calibrations)]))
    for number, trace in enumerate(facts["traces"]):
        title = f"The run {trace['label']}" if len(facts["traces"]) > 1 else "The run"
        sections.append(Section(title, list(_trace(facts, trace, study, number))))
    if facts["runs_by_launch"]:
        # With one calibration that is what was asked for.
        at = len(sections) if several else 0
        sections.insert(at, Section("Runs by their launch", list(_by_launch(facts, study))))
    for number, (one, calibration) in enumerate(zip(facts["calibrations"], study.calibrations, strict=True)):
        letter = one["letter"]
        warned = f"Warnings about calibration {letter}"
        cells = cells_of_runs(study.recordings[0].sides[number].stepped)
        section = calibration_section(calibration, f"Calibration {letter}", warned, cells, f"maps-{letter}")
        sections.append(section)
    notes = [(trace["label"], trace["notes"]) for trace in facts["traces"]]
    sections.append(Section("What the traces are", trace_notes(notes), wide=False))
    *first, last = [calibration.path.name for calibration in study.calibrations]
    files = f"{', '.join(first)} and {last}" if first else last
    count = len(study.recordings)
    return Document(
        what="compare",
        title=f"{files} on {study.recordings[0].label if count == 1 else plural(count, 'trace')}",
        subjects=_subjects(facts),
        alarm=facts["harm"],
        answer=[*_answer(facts), facts["open_loop"]],
        key=list(_key(facts)),
        sections=sections,
        cautions=[facts["open_loop"], facts["cautions"]],
        provenance=[
            *provenance(facts),
            *((f"SHA-256 of {one['letter']}", one["sha256"]) for one in facts["calibrations"]),
            *trace_hashes(facts["traces"]),
        ],
        files=["differences.csv"],
    )


def _subjects(facts: dict[str, Any]) -> list[Subject]:
    traces, calibrations = facts["traces"], facts["calibrations"]
    seconds = sum(trace["duration_s"] for trace in traces)
    runs = plural(len(traces) * len(calibrations), "run")
    return [
        *(Subject(one["letter"], f"image CRC-32 {one['image_crc32']}", one["file"]) for one in calibrations),
        *([Subject("model", "says what gets worse", facts["vehicle"])] if facts["vehicle"] else []),
        Subject("traces", f"{len(traces)}, {seconds:.3f} s in all"),
        Subject("stepped", f"{runs} by {codes.CORES[facts['core']]}"),
    ]


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    for other in facts["calibrations"][1:]:
        letter, count = other["letter"], sum(len(change_rows(change)) for change in other["changes"])
        found = [
            (trace, difference)
            for trace in facts["traces"]
            for difference in trace["differences"]
            if difference["letter"] == letter and not difference["equal"]
        ]
        changed = f"{letter} changes {plural(count, 'value') if count else 'no key'} of A"
        if not found:
            yield f"{changed}, and commands the same in every tick."
            continue
        seconds = sum(difference["differs_s"] for _, difference in found)
        traces = len(facts["traces"])
        where = f" in {len(found)} of {traces} traces" if traces > 1 else ""
        most = max(
            (difference["greatest_reduction"] for _, difference in found if difference["greatest_reduction"]),
            key=lambda row: abs(row["b"]["reduction_permille"] - row["a"]["reduction_permille"]),
            default=None,
        )
        if most is not None:
            a, b = (most[side]["reduction_permille"] / 10 for side in "ab")
            when = f"{most['since_launch_s']:.3f} s after the launch"
            far = f" Furthest apart {when}: A {a:.1f} %, {letter} {b:.1f} %."
        else:
            far = f" Only the retard differs, by {_most_retard(found) / 10:.1f}° at most."
        yield f"{changed}, and commands otherwise for {seconds:.3f} s{where}.{far}"
    if len(facts["calibrations"]) == 1:
        yield from (_between(facts, one) for one in facts["runs_by_launch"])


def _most_retard(found: list[tuple[dict[str, Any], dict[str, Any]]]) -> int:
    """The greatest difference of the retard either way, 0.1 degree."""
    rows = [difference["greatest_retard"] for _, difference in found if difference["greatest_retard"]]
    return max(abs(int(row["b"]["retard_ddeg"]) - int(row["a"]["retard_ddeg"])) for row in rows)


def _between(facts: dict[str, Any], one: dict[str, Any]) -> str:
    """Two runs in a sentence."""
    first, other = (run_name(facts, one[side]) for side in "ab")
    lift, commands = one["greatest_lift_difference"], one["commands"]
    told = (
        f"{other} against {first}: the lift is furthest apart"
        f" {lift['since_launch_s']:.3f} s after the launch, {lift['b_mm']:z.0f} and {lift['a_mm']:z.0f} mm"
    )
    if commands["equal"]:
        return f"{told}; the commands are the same."
    since = commands["first"]["since_launch_s"]
    return f"{told}; the commands differ for {commands['differs_s']:.3f} s, from {since:.3f} s on."


def _key(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    for i, one in enumerate(facts["calibrations"]):
        launches = [launch for trace in facts["traces"] for launch in trace["sides"][i]["launches"]]
        taken = sum(launch["full_cut_s"] for launch in launches)
        yield f"{taken:.3f} s", f"torque-time taken by {one['letter']}, {Path(one['file']).name}"


def _changes(facts: dict[str, Any]) -> Iterator[Block]:
    for other in facts["calibrations"][1:]:
        letter = other["letter"]
        rows = [row for change in other["changes"] for row in change_rows(change)]
        lines = ["Both compile to the same image."] if other["same_image_as_a"] else map_lines(other)
        if rows:
            columns = (("key", False), ("A", False), (letter, False))
            yield Table(columns, rows, f"What {letter} changes of A", "\n".join(lines))
        else:
            what = "no key" if other["same_image_as_a"] else "no key but those of maps"
            yield Text(lines, f"{letter} changes {what} of A")


# --- one trace with all calibrations


def _trace(facts: dict[str, Any], trace: dict[str, Any], study: Study, number: int) -> Iterator[Block]:
    recording = study.recordings[number]
    name = f"trace-{number + 1}"
    base = recording.sides[0].stepped
    many = len(base.runs) > 1 or any(len(side["launches"]) > 1 for side in trace["sides"])
    if len(recording.sides) > len(figure.STYLES):
        drawn = LETTERS[len(figure.STYLES) - 1]
        text = f"Curves are drawn of A to {drawn}, as many as can be told apart; all else is of all."
        yield Text([text], where="page")
    if len(facts["traces"]) <= _MOST_MOVED:
        last = min(len(recording.sides), len(figure.STYLES)) - 1
        differs = figure.differs(LETTERS[last]) if last else ""
        again = what_if(recording.sides[last].stepped, name, LETTERS[last], differs)
        yield from [again] if again else []
    yield figure.of_trace(trace, recording, name)
    yield _taken(trace, many, f", {trace['label']}" if len(facts["traces"]) > 1 else "")
    if trace["sides"][0]["logged"] is not None:
        yield Text(list(_agreement(trace["sides"])), "Against the car's own controller")
    for difference in trace["differences"]:
        letter = difference["letter"]
        if difference["equal"]:
            yield Text([f"{letter} and A command the same in every tick."])
            continue
        count = difference["spans_in_all"]
        stretches = "1 stretch" if count == 1 else f"{count} stretches"
        share = f"{difference['differs_s']:.3f} s of {difference['compared_s']:.3f} s, {stretches}"
        yield Table(
            (("which", False), ("at s", True), ("A", True), (letter, True), ("A because of", False),
             (f"{letter} because of", False)),
            [
                [words, Cell(when, jump=figure.jump(name, base, row["tick"], row["tick"])), *rest]
                for words, row in places(difference)
                for when, *rest in [place(row, many)]
            ],
            f"{letter} commands otherwise than A in {share}",
        )  # fmt: skip
        left = count - len(difference["spans"])
        yield Table(
            (("from s", True), ("to s", True), ("reduction", True), ("retard", True), ("torque-time", True)),
            [
                [
                    Cell(when, jump=figure.jump(name, base, span["tick"], figure.last_tick(base, span))),
                    *rest,
                ]
                for span in difference["spans"]
                for when, *rest in [stretch(span, many)]
            ],
            f"{letter} minus A, stretch by stretch",
            f"Stretches less than {JOINED_S:g} s apart are one.{f' And {left} more.' if left else ''}",
            screen_rows=_SCREEN_SPANS,
        )


def _taken(trace: dict[str, Any], many: bool, label: str) -> Block:
    columns = (
        ("with", False), *([("launch", True)] if many else []), ("peak %", True), ("retard °", True),
        ("torque-\ntime s", True), ("taken %", True), ("cuts", True), ("first cut\nat s", True),
        ("given\nback at s", True), ("last\nat s", True), ("reasons", False),
    )  # fmt: skip
    rows = [
        [side["letter"], *([str(one["launch"])] if many else []), *figures(one)]
        for side in trace["sides"]
        for one in side["launches"]
    ]
    logged = trace["sides"][0]["logged"]
    rows += [
        ["car", *([str(one["launch"])] if many else []), *logged_figures(one)]
        for one in (logged["launches"] if logged else [])
    ]
    if not rows:
        return Text([f"No launch found{label}."])
    note = (
        "Times in seconds since the launch. Cuts: interventions; given back: the end of the first one that"
        " reduced, last: of the last one."
    )
    if logged:
        note += " Car: what its own controller did, as the trace has it."
    return Table(columns, rows, f"What each takes{label}", note)


def _agreement(sides: list[dict[str, Any]]) -> Iterator[str]:
    """How far each calibration's commands agree with the log's."""
    first = sides[0]["logged"]
    columns = ", ".join(f"{name} {quoted(title)}" for name, title in first["columns"].items())
    within = first["tolerance"]
    yield (
        f"The trace says what it did: {columns}. Agreement within {within['reduction_percent']:g} % and"
        f" {within['retard_deg']:g}°, the delay between the two taken off:"
    )
    for side in sides:
        logged = side["logged"]
        if logged["agree_share"] is None:
            yield f"{side['letter']}: no sample of the log lies in a run."
            continue
        yield (
            f"{side['letter']}: {percent(logged['agree_share'])} of the runs, {logged['agree_s']:.3f} s of"
            f" {logged['compared_s']:.3f} s, {delay_text(logged)}."
        )


# --- runs by their launch


def _by_launch(facts: dict[str, Any], study: Study) -> Iterator[Block]:
    labels = [run_name(facts, {"trace": run.trace + 1, "launch": run.launch}) for run in study.runs()]
    chosen = figure.furthest(facts)
    if len(chosen) < len(labels):
        text = (
            f"Drawn are {labels[0]} and the {len(chosen) - 1} runs whose lift is furthest from it;"
            f" the table has all {len(labels)}."
        )
        yield Text([text], where="page")
    yield figure.of_runs(facts, study, labels, chosen)
    rows: list[list[str | Cell]] = []
    for label, one in zip(labels[1:], facts["runs_by_launch"], strict=True):
        lift, commands = one["greatest_lift_difference"], one["commands"]
        first, at = commands["first"], lift["since_launch_s"]
        rows.append([
            label, f"{lift['b_mm'] - lift['a_mm']:+z.0f}", Cell(f"{at:.3f}", jump=figure.around(at)),
            f"{lift['b_mm']:z.0f}", f"{lift['a_mm']:z.0f}", f"{commands['differs_s']:.3f}",
            "-" if first is None else f"{first['since_launch_s']:.3f}",
        ])  # fmt: skip
    columns = (
        ("run", False), ("lift\napart mm", True), ("at s", True), ("its lift\nmm", True),
        ("first's\nlift mm", True), ("commands\ndiffer s", True), ("from s", True),
    )  # fmt: skip
    yield Table(columns, rows, f"Runs by their launch with A, against {labels[0]}, while both last")
