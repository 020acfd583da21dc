"""The page of a comparison: the answer in words, each run with all calibrations, and runs by their launch."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bench.compare import apart
from bench.compare.apart import JOINED_S
from bench.compare.report import LETTERS
from bench.compare.screen import (
    change_rows,
    figures,
    maps_lines,
    place,
    places,
    run_name,
    stretch,
)
from bench.compare.study import Recording, Side, Study
from bench.document.blocks import (
    Bands,
    Block,
    Bullets,
    Cell,
    Document,
    Jump,
    Line,
    Panel,
    Place,
    Row,
    Section,
    Series,
    Strip,
    Style,
    Table,
    Text,
    Zero,
)
from bench.document.calibration import calibration_section
from bench.document.columns import Column
from bench.document.html import write_page
from bench.document.patterns import REASON_BARS
from bench.document.provenance import provenance
from bench.replay import codes
from bench.replay.figure_data import window
from bench.replay.findings import Replay
from bench.trace.text import plural

_LOOKS: tuple[Style, ...] = ("run-0", "run-1", "run-2", "run-3", "run-4", "run-5")
_LIMITS: tuple[Style, ...] = (
    "limit", "limit-dashed", "limit-dotted", "limit-long", "limit-mixed", "limit-pairs",
)  # fmt: skip
_AROUND_S = 0.3
_BY_LAUNCH = "by-launch"


def write(path: Path, facts: dict[str, Any], study: Study) -> None:
    """Write the page of a comparison; `facts` is what summary.json holds."""
    write_page(path, page(facts, study))


def page(facts: dict[str, Any], study: Study) -> Document:
    """The page of a comparison."""
    sections = []
    if len(study.calibrations) > 1:
        sections.append(Section("What was changed", list(_changes(facts))))
    for number, trace in enumerate(facts["traces"]):
        sections.append(Section(_heading(facts, trace), list(_trace(trace, study, number))))
    if facts["runs_by_launch"]:
        # With one calibration that is what was asked for.
        place_of = len(sections) if len(study.calibrations) > 1 else 0
        sections.insert(place_of, Section("Runs by their launch", list(_by_launch(facts, study))))
    notes = [
        Bullets(trace["notes"], f"Understood and assumed of {trace['label']}") for trace in facts["traces"]
    ]
    sections.append(Section("What the traces are", notes, wide=False))
    for one, calibration in zip(facts["calibrations"], study.calibrations, strict=True):
        sections.append(calibration_section(calibration, f"Calibration {one['letter']}"))
    *first, last = [calibration.path.name for calibration in study.calibrations]
    files = f"{', '.join(first)} and {last}" if first else last
    count = len(study.recordings)
    return Document(
        what="compare",
        title=f"{files} on {study.recordings[0].label if count == 1 else plural(count, 'trace')}",
        answer=list(_answer(facts)),
        key=list(_key(facts)),
        sections=sections,
        cautions=[facts["open_loop"], facts["cautions"]],
        provenance=list(_made(facts)),
    )


def _heading(facts: dict[str, Any], trace: dict[str, Any]) -> str:
    return f"The run {trace['label']}" if len(facts["traces"]) > 1 else "The run"


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
        yield from (_apart(facts, one) for one in facts["runs_by_launch"])
    yield facts["open_loop"]


def _most_retard(found: list[tuple[dict[str, Any], dict[str, Any]]]) -> int:
    """The greatest difference of the retard either way, 0.1 degree."""
    rows = [difference["greatest_retard"] for _, difference in found if difference["greatest_retard"]]
    return max(abs(int(row["b"]["retard_ddeg"]) - int(row["a"]["retard_ddeg"])) for row in rows)


def _apart(facts: dict[str, Any], one: dict[str, Any]) -> str:
    """Two runs in a sentence."""
    first, other = (run_name(facts, one[side], 40) for side in "ab")
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


def _made(facts: dict[str, Any]) -> Iterator[tuple[str, str]]:
    yield from provenance(facts)
    for one in facts["calibrations"]:
        yield f"Calibration {one['letter']}", one["file"]
        yield "Its SHA-256", one["sha256"]
        yield "Its image", f"CRC-32 {one['image_crc32']}"
    for trace in facts["traces"]:
        yield "Trace", trace["file"]
        yield "Its SHA-256", trace["sha256"]
    yield "Replay by", codes.ENGINES[facts["engine"]]


def _changes(facts: dict[str, Any]) -> Iterator[Block]:
    for other in facts["calibrations"][1:]:
        letter = other["letter"]
        rows = [row for change in other["changes"] for row in change_rows(change)]
        lines = ["Both compile to the same image."] if other["same_image_as_a"] else maps_lines(other)
        if rows:
            columns = (("key", False), ("A", True), (letter, True))
            yield Table(columns, rows, f"{other['file']} ({letter}) against A", " ".join(lines))
        else:
            what = "no key" if other["same_image_as_a"] else "no key but those of maps"
            yield Text([f"{letter} ({other['file']}) changes {what} of A.", *lines])


# --- one trace with all calibrations


def _trace(trace: dict[str, Any], study: Study, number: int) -> Iterator[Block]:
    recording = study.recordings[number]
    name = f"trace-{number + 1}"
    base = recording.sides[0].stepped
    many = len(base.runs) > 1 or any(len(side["launches"]) > 1 for side in trace["sides"])
    if len(recording.sides) > len(_LOOKS):
        last = LETTERS[len(_LOOKS) - 1]
        yield Text([f"Curves are drawn of A to {last}, as many as can be told apart; all else is of all."])
    yield _strip(trace, recording, name)
    columns = [
        ("calibration", False), *([("launch", True)] if many else []), ("peak %", True), ("retard °", True),
        ("torque-time s", True), ("taken %", True), ("cuts", True), ("first cut at s", True),
        ("given back at s", True), ("last at s", True), ("reasons", False),
    ]  # fmt: skip
    rows = [
        [side["letter"], *([str(one["launch"])] if many else []), *figures(one)]
        for side in trace["sides"]
        for one in side["launches"]
    ]
    note = (
        "Times in seconds since the launch. Cuts: interventions; given back: the end of the first one that"
        " reduced, last: of the last one."
    )
    yield Table(columns, rows, "What each takes", note)
    for difference in trace["differences"]:
        letter = difference["letter"]
        if difference["equal"]:
            yield Text([f"{letter} and A command the same in every tick."])
            continue
        places_columns = (
            ("difference", False), ("at s", True), ("A", True), (letter, True), ("A because of", False),
            (f"{letter} because of", False),
        )  # fmt: skip
        yield Table(
            places_columns,
            [
                [words, Cell(when, jump=_jump(name, base, row["tick"], row["tick"])), *rest]
                for words, row in places(difference)
                for when, *rest in [place(row, many)]
            ],
            f"Where {letter} and A differ",
        )
        spans_columns = (
            ("from s", True),
            ("to s", True),
            ("reduction", True),
            ("retard", True),
            ("torque-time", True),
        )
        left = difference["spans_in_all"] - len(difference["spans"])
        yield Table(
            spans_columns,
            [
                [Cell(when, jump=_jump(name, base, span["tick"], _last(base, span))), *rest]
                for span in difference["spans"]
                for when, *rest in [stretch(span, many)]
            ],
            f"{letter} less A, stretch by stretch",
            f"Stretches less than {JOINED_S:g} s apart are one.{f' And {left} more.' if left else ''}",
        )


def _last(s: Replay, span: dict[str, Any]) -> int:
    return int(span["tick"] + round(span["duration_s"] / s.tick_s))


def _jump(figure: str, s: Replay, start: int, stop: int) -> Jump:
    begin, end = (round(s.inputs.time_s(tick), 6) for tick in (start, stop))
    mark = (begin, end) if stop > start else None
    return Jump(figure, begin - _AROUND_S, end + _AROUND_S, begin, mark)


def _strip(trace: dict[str, Any], recording: Recording, name: str) -> Strip:
    base, found = recording.sides[0].stepped, recording.sides[0].found
    lettered = list(zip(LETTERS, recording.sides, strict=False))
    series = {
        letter: Series(_columns(side.stepped), first=side.stepped.inputs.start_s, step=side.stepped.tick_s)
        for letter, side in lettered
    }
    apart_rows = []
    for letter, side in lettered[1:]:
        pair = apart.of_one_trace(base, side.stepped)
        differs = np.zeros(base.run.n, np.uint8)
        differs[pair.a[pair.differs]] = 1
        name_of = f"differs-{letter}"
        series["A"].columns[name_of] = Column(differs)
        apart_rows.append(Row(f"{letter} not A", name_of, {1: "solid"}, {1: "differs"}, series="A"))
    reason_rows = [
        Row(f"{letter} by", "reason", REASON_BARS, _reasons(side.stepped), series=letter)
        for letter, side in lettered
    ]
    bands = "Where the commands differ, and who set the reduction" if apart_rows else "Who set the reduction"
    many = len(found.launches) > 1
    zeros = [
        Zero(
            round(base.inputs.time_s(one.tick), 6),
            f"s since launch {one.number}" if many else "s since the launch",
        )
        for one in found.launches
    ]
    seen = window(base, found, found.launches[0]) if found.launches else (0, base.run.n)
    view = (round(base.inputs.time_s(seen[0]), 6), round(base.inputs.time_s(seen[1]), 6))
    return Strip(
        name,
        "All calibrations over this run, tick by tick",
        series,
        [
            *_panels(lettered[: len(_LOOKS)], _same_lift(recording)),
            Bands(bands, [*apart_rows, *reason_rows]),
        ],
        view,
        axis="s of the trace",
        cursor=zeros[0].at if zeros else None,
        zeros=zeros,
        places=list(_places(trace, base, name)),
    )  # fmt: skip


def _reasons(s: Replay) -> dict[int, str]:
    return {int(reason): codes.reason_name(int(reason)) for reason in np.unique(s.ticks["reason"]) if reason}


def _same_lift(recording: Recording) -> bool:
    """Whether every calibration sees the same lift."""
    first, *others = (side.stepped.ticks["lift"] for side in recording.sides)
    return all(np.array_equal(first, other) for other in others)


def _columns(s: Replay) -> dict[str, Column]:
    t = s.ticks
    by_speed = s.calibration.progress_unit == "km/h"
    full = s.calibration.ceilings.at(t["progress"] / (10 if by_speed else 1))[2]
    columns = {
        "lift": Column(t["lift"], 16, "mm", 1),
        "reduction": Column(t["reduction"], 10, "%", 1),
        "retard": Column(t["retard"], 10, "°", 1),
        "reason": Column(t["reason"]),
        "progress": Column(t["progress"], 10 if by_speed else 1, s.calibration.progress_unit, int(by_speed)),
        "full": Column.of(full, 0, "mm", 1),
    }
    return columns


def _same_full(sides: list[tuple[str, Side]]) -> list[list[str]]:
    """The letters of the calibrations, those together whose lift of full reduction is the same all along."""
    found: list[tuple[Any, list[str]]] = []
    for letter, side in sides:
        full = _columns(side.stepped)["full"].numbers
        for other, letters in found:
            if np.array_equal(full, other):
                letters.append(letter)
                break
        else:
            found.append((full, [letter]))
    return [letters for _, letters in found]


def _panels(sides: list[tuple[str, Side]], same_lift: bool) -> Iterator[Panel]:
    letters = [letter for letter, _ in sides]
    lifts = [Line("lift", "lift", "main", "A")]
    if not same_lift:
        lifts = [Line(f"lift, {letter}", "lift", _LOOKS[i], letter) for i, letter in enumerate(letters)]
    for look, shared in zip(_LIMITS, _same_full(sides), strict=False):
        every = len(shared) == len(letters)
        label = "full reduction" if every else f"full reduction, {' and '.join(shared)}"
        lifts.append(Line(label, "full", look, shared[0]))
    yield Panel("Lift at the front axle", "mm", lifts, height=220, bottom=0.0, least_top=60.0)
    for title, unit, column, height, top in (
        ("Reduction of the cylinder events", "%", "reduction", 190, 10.0),
        ("Retard", "degrees of crank", "retard", 120, 5.0),
    ):
        lines = [Line(letter, column, _LOOKS[i], letter, stepped=True) for i, letter in enumerate(letters)]
        yield Panel(title, unit, lines, height=height, bottom=0.0, least_top=top)


def _places(trace: dict[str, Any], base: Replay, name: str) -> Iterator[Place]:
    many = len(base.runs) > 1
    for difference in trace["differences"]:
        letter = difference["letter"]
        for span in difference["spans"]:
            _, _, reduction, retard, time = stretch(span, False)
            parts = [
                *([f"reduction {reduction}"] if reduction != "-" else []),
                *([f"retard {retard}"] if retard != "-" else []),
            ]
            title = f"{letter} less A: {', '.join(parts)}"
            detail = f"{_when(span, many)}, {span['duration_s']:.3f} s long, torque-time {time}"
            yield Place(title, detail, _jump(name, base, span["tick"], _last(base, span)), "cut")


def _when(span: dict[str, Any], many: bool) -> str:
    if span["launch"] is None:
        return f"at {span['since_launch_s']:.3f} s of the trace"
    return f"{span['since_launch_s']:.3f} s after launch{' ' + str(span['launch']) if many else ''}"


# --- runs by their launch


def _by_launch(facts: dict[str, Any], study: Study) -> Iterator[Block]:
    runs = study.runs()
    found = facts["runs_by_launch"]
    lifts = [one["greatest_lift_difference"] for one in found]
    labels = [run_name(facts, {"trace": run.trace + 1, "launch": run.launch}, 40) for run in runs]
    drawn = _drawn(lifts)
    series, until = {}, 0.0
    for i in drawn:
        run = runs[i]
        side = study.recordings[run.trace].sides[0]
        s = side.stepped
        start, _ = s.runs[run.launch - 1]
        seen = window(s, side.found, side.found.launches[run.launch - 1])
        begin, end = seen[0], s.runs[run.launch - 1][1]
        until = max(until, (seen[1] - start) * s.tick_s)
        columns = {
            name: Column(column.numbers[begin:end], column.per, column.unit, column.decimals)
            for name, column in _columns(s).items()
        }
        series[f"run-{i}"] = Series(columns, first=round((begin - start) * s.tick_s, 6), step=s.tick_s)

    def panel(title: str, unit: str, column: str, height: int, top: float) -> Panel:
        stepped = column in ("reduction", "retard")
        lines = [
            Line(labels[i], column, look, f"run-{i}", stepped) for i, look in zip(drawn, _LOOKS, strict=False)
        ]
        return Panel(title, unit, lines, height=height, bottom=0.0, least_top=top)

    if len(drawn) < len(runs):
        yield Text(
            [
                f"Drawn are {labels[0]} and the {len(drawn) - 1} runs whose lift is furthest from it;"
                f" the table has all {len(runs)}."
            ]
        )
    yield Strip(
        _BY_LAUNCH,
        f"Runs with calibration A, laid on their launch; the first is {labels[0]}",
        series,
        [
            panel("Lift at the front axle", "mm", "lift", 260, 60.0),
            panel("Reduction of the cylinder events", "%", "reduction", 150, 10.0),
            panel("Retard", "degrees of crank", "retard", 110, 5.0),
            panel("Progress", study.calibrations[0].progress_unit, "progress", 130, 1.0),
        ],
        (-_AROUND_S, until),
        axis="s since the launch",
        cursor=0.0,
        places=[
            Place(
                f"{label}: {lift['b_mm'] - lift['a_mm']:+z.0f} mm of lift",
                f"at {lift['since_launch_s']:.3f} s, where it is furthest from the first",
                _around(lift["since_launch_s"]),
                "lift",
            )
            for label, lift in ((labels[i], lifts[i - 1]) for i in drawn[1:])
        ],
    )
    titles = (
        ("run", False), ("lift apart, mm", True), ("at s", True), ("its lift, mm", True),
        ("the first's, mm", True), ("commands differ, s", True), ("from s", True),
    )  # fmt: skip
    rows: list[list[str | Cell]] = []
    for label, one, lift in zip(labels[1:], found, lifts, strict=True):
        commands = one["commands"]
        first = commands["first"]
        at = lift["since_launch_s"]
        rows.append([
            label, f"{lift['b_mm'] - lift['a_mm']:+z.0f}", Cell(f"{at:.3f}", jump=_around(at)),
            f"{lift['b_mm']:z.0f}", f"{lift['a_mm']:z.0f}", f"{commands['differs_s']:.3f}",
            "-" if first is None else f"{first['since_launch_s']:.3f}",
        ])  # fmt: skip
    yield Table(titles, rows, f"Against {labels[0]}, for as long as both runs last")


def _drawn(lifts: list[dict[str, Any]]) -> list[int]:
    """The numbers of the runs that are drawn: the first, and those furthest from it in lift."""
    apart = [abs(lift["b_mm"] - lift["a_mm"]) for lift in lifts]
    furthest = sorted(range(len(apart)), key=lambda i: -apart[i])[: len(_LOOKS) - 1]
    return [0, *(i + 1 for i in sorted(furthest))]


def _around(at: float) -> Jump:
    return Jump(_BY_LAUNCH, at - _AROUND_S, at + _AROUND_S, at)
