"""What a sweep says: what each setting would have taken, over all traces and on each."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from bench.document.blocks import Block, Bullets, Document, Picture, Section, Subject, Table, Text
from bench.document.calibration import calibration_section
from bench.document.provenance import provenance
from bench.document.traces import trace_hashes, trace_notes
from bench.replay import codes
from bench.sweep.facts import Sweep
from bench.sweep.figure import COLUMNS, differs, evenly, figures, setting_text
from bench.sweep.vary import written
from bench.trace.text import plural, shown

_SCREEN_ROWS = 64


def make_document(facts: dict[str, Any], sweep: Sweep) -> Document:
    """The document of a sweep; `facts` are those of bench.sweep.facts."""
    traces, calibration = facts["traces"], facts["calibration"]
    points = figures(facts)
    keys = ", ".join(one["key"] for one in facts["vary"])
    title = f"{shown(Path(calibration['file']).name, 40)} over {plural(len(traces), 'trace')}: {keys}"
    sections = [
        Section("What each setting would have taken", points),
        Section("Every setting", list(_settings(facts))),
        *([Section("Each trace", [_traces(facts)])] if len(traces) > 1 else []),
        Section("What was understood", list(_understood(facts))),
        calibration_section(sweep.calibration, "The calibration that was varied", warned=""),
    ]
    return Document(
        what="sweep",
        title=title,
        subjects=_subjects(facts),
        answer=[*_answer(facts), facts["open_loop"]],
        sections=sections,
        cautions=[facts["open_loop"], facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the calibration", calibration["sha256"]),
            *trace_hashes(traces),
        ],
        pictures=[Picture("sweep.svg", title, f"{_same(facts)} {facts['open_loop']}", partial(list, points))],
        files=["sweep.csv"],
    )


def _subjects(facts: dict[str, Any]) -> list[Subject]:
    calibration, traces = facts["calibration"], facts["traces"]
    seconds = sum(trace["duration_s"] for trace in traces)
    runs = plural(len(facts["settings"]) * len(traces), "run")
    return [
        Subject("traces", f"{len(traces)}, {seconds:.3f} s in all"),
        Subject("calibration", f"image CRC-32 {calibration['image_crc32']}", calibration["file"]),
        *(Subject("varied" if i == 0 else "", _varied(one)) for i, one in enumerate(facts["vary"])),
        Subject("stepped", f"{runs} by {codes.CORES[facts['core']]} on {facts['stepped_by']}"),
    ]


def _varied(one: dict[str, Any]) -> str:
    values = [written(value) for value in one["values"]]
    span = f"{values[0]} to {values[-1]}" if len(values) > 5 else ", ".join(values)
    there = one["in_file"]
    file = "not in the file" if there is None else f"file: {shown(written(there), 20)}"
    return f"{one['key']}: {plural(len(values), 'value')}, {span} ({file})"


def _understood(facts: dict[str, Any]) -> Iterator[Block]:
    settings = facts["settings"]
    warnings = []
    for warning in facts["warnings"]:
        which = warning["settings"]
        first = setting_text(settings[which[0]])
        some = f" (in {len(which)} of the settings, first {first})" if len(which) < len(settings) else ""
        warnings.append(f"{warning['text']}{some}")
    if warnings:
        yield Bullets(warnings, "Warnings about the calibration")
    yield from trace_notes([(Path(trace["file"]).name, trace["notes"]) for trace in facts["traces"]])


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    settings = facts["settings"]
    taken = [setting["over_all"]["full_cut_s"] for setting in settings]
    least, most = settings[taken.index(min(taken))], settings[taken.index(max(taken))]
    if min(taken) == max(taken):
        yield f"All {len(settings)} settings would have taken the same torque-time: {min(taken):.3f} s."
    else:
        yield (
            f"Of {len(settings)} settings the least would have taken {min(taken):.3f} s of torque-time"
            f" ({setting_text(least)}), the most {max(taken):.3f} s ({setting_text(most)})."
        )
    own = [setting for setting in settings if setting["as_in_file"]]
    if own:
        row = own[0]["over_all"]
        yield (
            f"As in the file: {row['full_cut_s']:.3f} s, a peak of {row['peak_reduction_permille'] / 10:.1f}"
            f" %, {plural(row['second_interventions'], 'second intervention')}."
        )
    seconds = [setting["over_all"]["second_interventions"] for setting in settings]
    if min(seconds) < max(seconds):
        few = [setting for setting in settings if setting["over_all"]["second_interventions"] == min(seconds)]
        best = min(few, key=lambda setting: setting["over_all"]["full_cut_s"])
        yield (
            f"Fewest second interventions ({min(seconds)}) with the least torque-time"
            f" ({best['over_all']['full_cut_s']:.3f} s): {setting_text(best)}."
        )
    same = _same(facts)
    if same:
        yield same


def _same(facts: dict[str, Any]) -> str:
    """What no setting changes."""
    row = facts["settings"][0]["over_all"]
    same = [
        f"{column.words} {column.text(row)} {column.unit}".rstrip()
        for column in COLUMNS
        if not differs(facts, column)
    ]
    return f"The same at every setting: {', '.join(same)}." if same else ""


# --- tables


def _settings(facts: dict[str, Any]) -> Iterator[Block]:
    settings, traces = facts["settings"], len(facts["traces"])
    peak, taken, *others = COLUMNS
    rows = []
    for setting in settings:
        row = setting["over_all"]
        share = "-" if row["share_taken"] is None else f"{100 * row['share_taken']:.1f}"
        values = [shown(written(value), 20) for value in setting["values"].values()]
        rows.append([*values, peak.text(row), taken.text(row), share, *(one.text(row) for one in others)])
    numbers = _on_screen(facts)
    yield Table(
        (*((one["key"].replace(".", ".\n"), True) for one in facts["vary"]), (peak.title, True),
         (taken.title, True), ("taken %", True), *((one.title, True) for one in others)),
        rows,
        f"Over all {traces} traces: the greatest peak, the rest added up" if traces > 1 else "Each setting",
        "Torque-time: the reduction added up over the runs, in seconds of no torque; taken: its share of the"
        " runs. Second: interventions after the first of a run. Changes: of the command.",
        chosen=[n for n, setting in enumerate(settings) if setting["as_in_file"]],
        chosen_as="as in the file",
        ids=[f"setting-{n}" for n in range(len(settings))],
        sortable=True,
        screen_rows=numbers,
    )  # fmt: skip
    left_out = len(settings) - len(numbers)
    if left_out:
        text = f"{left_out} settings between these are in sweep.csv (--out) and --json"
        yield Text([text], where="screen")


def _on_screen(facts: dict[str, Any]) -> list[int]:
    """The numbers of the settings that a terminal shows: all, or of the longest list of values so many,
    evenly chosen."""
    settings = facts["settings"]
    longest = max(facts["vary"], key=lambda one: len(one["values"]))
    values = longest["values"]
    room = max(2, _SCREEN_ROWS * len(values) // len(settings))
    some = [values[i] for i in evenly(len(values), room)]
    return [n for n, setting in enumerate(settings) if setting["values"][longest["key"]] in some]


def _traces(facts: dict[str, Any]) -> Table:
    rows = []
    for number, trace in enumerate(facts["traces"]):
        found = [setting["traces"][number] for setting in facts["settings"]]
        cells = []
        for column in COLUMNS:
            texts = [column.text(row) for row in sorted(found, key=lambda row: row[column.key])]
            cells.append(texts[0] if texts[0] == texts[-1] else f"{texts[0]}–{texts[-1]}")
        rows.append([Path(trace["file"]).name, str(found[0]["launches"]), *cells])
    return Table(
        (("trace", False), ("launches", True), *((column.title, True) for column in COLUMNS)),
        rows,
        "Each trace, from the least to the greatest over the settings",
    )
