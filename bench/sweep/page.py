"""The page of a sweep: each figure over the varied setting, tied to the rows of a table."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

from bench.document.blocks import Block, Bullets, Cell, Document, Group, Points, Section, Table
from bench.document.calibration import calibration_section
from bench.document.html import write_page
from bench.document.provenance import provenance
from bench.sweep.report import COLUMNS, Column, Sweep, evenly
from bench.sweep.vary import is_number, written
from bench.trace.text import plural

Run = Literal["run-0", "run-1", "run-2", "run-3", "run-4", "run-5"]
_RUNS: tuple[Run, ...] = ("run-0", "run-1", "run-2", "run-3", "run-4", "run-5")


def write(path: Path, facts: dict[str, Any], sweep: Sweep) -> None:
    """Write the page of a sweep; `facts` is what summary.json holds."""
    write_page(path, page(facts, sweep))


def page(facts: dict[str, Any], sweep: Sweep) -> Document:
    """The page of a sweep."""
    keys = ", ".join(one["key"] for one in facts["vary"])
    traces = facts["traces"]
    varying = [column for column in COLUMNS if _differs(facts, column)]
    pictures: list[Block] = [_points(facts, column) for column in varying]
    notes: list[Block] = []
    warnings = [_warning(facts, warning) for warning in facts["warnings"]]
    if warnings:
        notes.append(Bullets(warnings, "Warnings about the calibration"))
    for trace in traces:
        notes.append(Bullets(trace["notes"], f"Understood and assumed of {Path(trace['file']).name}"))
    sections = [
        *([Section("What each setting would have taken", pictures)] if pictures else []),
        Section("Every setting", [_table(facts)]),
        *([Section("Each trace", [_traces(facts)])] if len(traces) > 1 else []),
        Section("What was understood", notes),
        calibration_section(sweep.calibration, "The calibration that was varied"),
    ]
    calibration = facts["calibration"]
    return Document(
        what="sweep",
        title=f"{Path(calibration['file']).name} over {plural(len(traces), 'trace')}: {keys}",
        answer=list(_answer(facts)),
        sections=sections,
        cautions=[facts["open_loop"], facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("Calibration", calibration["file"]),
            ("Its SHA-256", calibration["sha256"]),
            ("Its image", f"CRC-32 {calibration['image_crc32']}"),
            *(
                pair
                for trace in traces
                for pair in (
                    ("Trace", f"{trace['file']}, {trace['duration_s']:.3f} s"),
                    ("Its SHA-256", trace["sha256"]),
                )
            ),
            (
                "Stepped",
                f"{plural(len(facts['settings']) * len(traces), 'run')} by"
                f" {'the C core' if facts['engine'] == 'c' else 'the reference'} on {facts['stepped_by']}",
            ),
        ],
    )


def _differs(facts: dict[str, Any], column: Column) -> bool:
    """Whether the settings differ in a figure, over all or on one of the traces."""
    each = [(setting["over_all"], *setting["traces"]) for setting in facts["settings"]]
    return any(len({column.text(row) for row in rows}) > 1 for rows in zip(*each, strict=True))


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    settings = facts["settings"]
    taken = [setting["over_all"]["full_cut_s"] for setting in settings]
    least, most = settings[taken.index(min(taken))], settings[taken.index(max(taken))]
    if min(taken) == max(taken):
        yield f"All {len(settings)} settings would have taken the same torque-time: {min(taken):.3f} s."
    else:
        yield (
            f"Of {len(settings)} settings the least would have taken {min(taken):.3f} s of torque-time"
            f" ({_setting(least)}), the most {max(taken):.3f} s ({_setting(most)})."
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
            f" ({best['over_all']['full_cut_s']:.3f} s): {_setting(best)}."
        )
    same = [
        f"{column.words} {column.text(settings[0]['over_all'])} {column.unit}".rstrip()
        for column in COLUMNS
        if not _differs(facts, column)
    ]
    if same:
        yield f"The same at every setting: {', '.join(same)}."
    yield facts["open_loop"]


def _setting(setting: dict[str, Any]) -> str:
    return ", ".join(f"{key} = {written(value)}" for key, value in setting["values"].items())


def _warning(facts: dict[str, Any], warning: dict[str, Any]) -> str:
    which, settings = warning["settings"], facts["settings"]
    if len(which) == len(settings):
        return str(warning["text"])
    return f"{warning['text']} (in {len(which)} of the settings, first {_setting(settings[which[0]])})"


# --- the pictures


class _Along:
    """Which key runs along the axis, and where its values stand there."""

    def __init__(self, facts: dict[str, Any]) -> None:
        numeric = [one for one in facts["vary"] if all(is_number(value) for value in one["values"])]
        self.vary = max(numeric or facts["vary"][:1], key=lambda one: len(one["values"]))
        self.key: str = self.vary["key"]
        values = self.vary["values"]
        # Numbers stand where they belong, words in the order given.
        self.values = sorted(values) if numeric else list(values)
        self.words = [] if numeric else [written(value) for value in values]
        self.others = [one for one in facts["vary"] if one is not self.vary]

    def at(self, setting: dict[str, Any]) -> float:
        value = setting["values"][self.key]
        return float(self.values.index(value)) if self.words else float(value)


def _points(facts: dict[str, Any], column: Column) -> Points:
    along = _Along(facts)
    unit = f", {column.unit}" if column.unit else ""
    there = along.vary["in_file"]
    low, high = (0.0, 0.0) if along.words else (float(min(along.values)), float(max(along.values)))
    limits: list[tuple[Literal["x", "y"], float, str]] = []
    if not along.words and there is not None and is_number(there) and low <= there <= high:
        limits.append(("x", float(there), f"in the file: {written(there)}"))
    return Points(
        f"sweep-{column.key}",
        f"{column.words.capitalize()}{unit}",
        along.key,
        f"{column.words}{unit}",
        list(_combinations(facts, column, along) if along.others else _by_trace(facts, column, along)),
        limits,
        x_words=along.words,
        height=260,
    )


def _group(
    facts: dict[str, Any],
    numbers: list[int],
    column: Column,
    along: _Along,
    label: str,
    look: Run | None,
    trace: int | None = None,
) -> Group:
    """The settings of some numbers as one line; without a look it is a pale one that is not pointed at."""
    settings = sorted((along.at(facts["settings"][n]), n) for n in numbers)
    rows = [
        facts["settings"][n]["over_all"] if trace is None else facts["settings"][n]["traces"][trace]
        for _, n in settings
    ]
    tips = [
        f"{_setting(facts['settings'][n])}: {_told(row)}" for (_, n), row in zip(settings, rows, strict=True)
    ]
    return Group(
        label,
        [x for x, _ in settings],
        [float(row[column.key] or 0) * column.scale for row in rows],
        look or "pale",
        tips if look else [],
        [f"setting-{n}" for _, n in settings] if look else [],
        joined=not along.words,
    )


def _told(row: dict[str, Any]) -> str:
    return ", ".join(f"{column.words} {column.text(row)} {column.unit}".rstrip() for column in COLUMNS)


def _by_trace(facts: dict[str, Any], column: Column, along: _Along) -> Iterator[Group]:
    everything = list(range(len(facts["settings"])))
    traces = facts["traces"]
    if len(traces) == 1:
        yield _group(facts, everything, column, along, Path(traces[0]["file"]).name, "run-0")
        return
    together = f"all {len(traces)} traces" + (" (the greatest)" if "peak" in column.key else " (added up)")
    for number, trace in enumerate(traces):
        named = len(traces) < len(_RUNS)
        label = Path(trace["file"]).name if named else "each trace" if number == 0 else ""
        yield _group(facts, everything, column, along, label, _RUNS[number + 1] if named else None, number)
    yield _group(facts, everything, column, along, together, "run-0")


def _combinations(facts: dict[str, Any], column: Column, along: _Along) -> Iterator[Group]:
    keys = [one["key"] for one in along.others]
    combinations = list(itertools.product(*(one["values"] for one in along.others)))
    chosen = evenly(len(combinations), len(_RUNS)) if len(combinations) > len(_RUNS) else None
    looks = dict(zip(chosen or range(len(combinations)), _RUNS, strict=False))
    # The pale ones first, so that the others lie on them.
    for i in sorted(range(len(combinations)), key=lambda i: i in looks):
        fixed = dict(zip(keys, combinations[i], strict=True))
        numbers = [
            n
            for n, setting in enumerate(facts["settings"])
            if all(setting["values"][key] == value for key, value in fixed.items())
        ]
        label = ", ".join(f"{key.split('.')[-1]} = {written(value)}" for key, value in fixed.items())
        first_pale = i not in looks and i == min(set(range(len(combinations))) - set(looks))
        yield _group(
            facts,
            numbers,
            column,
            along,
            label if i in looks else "others" if first_pale else "",
            looks.get(i),
        )


# --- tables


def _table(facts: dict[str, Any]) -> Table:
    settings = facts["settings"]
    columns = [
        *((one["key"], True) for one in facts["vary"]),
        *((f"{column.words}{', ' + column.unit if column.unit else ''}", True) for column in COLUMNS),
        ("taken", True),
    ]
    rows: list[list[str | Cell]] = []
    for setting in settings:
        row = setting["over_all"]
        share = row["share_taken"]
        rows.append(
            [
                *(written(value) for value in setting["values"].values()),
                *(column.text(row) for column in COLUMNS),
                "–" if share is None else f"{100 * share:.1f} %",
            ]
        )
    traces = len(facts["traces"])
    return Table(
        columns,
        rows,
        f"Over all {traces} traces: the greatest peak, the rest added up" if traces > 1 else "Each setting",
        "Torque-time: the reduction added up over the runs, in seconds of no torque; taken: its share of the"
        " runs. Second interventions: those after the first of a run. The row that stands out is as in the"
        " file.",
        chosen=[n for n, setting in enumerate(settings) if setting["as_in_file"]],
        ids=[f"setting-{n}" for n in range(len(settings))],
        sortable=True,
    )


def _traces(facts: dict[str, Any]) -> Table:
    rows = []
    for number, trace in enumerate(facts["traces"]):
        found = [setting["traces"][number] for setting in facts["settings"]]
        cells = []
        for column in COLUMNS:
            ordered = [column.text(row) for row in sorted(found, key=lambda row: row[column.key])]
            cells.append(ordered[0] if ordered[0] == ordered[-1] else f"{ordered[0]} to {ordered[-1]}")
        rows.append([Path(trace["file"]).name, str(found[0]["launches"]), *cells])
    return Table(
        (
            ("trace", False),
            ("launches", True),
            *((f"{column.words}{', ' + column.unit if column.unit else ''}", True) for column in COLUMNS),
        ),
        rows,
        "From the least to the greatest over the settings",
    )
