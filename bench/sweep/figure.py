"""The figures of a sweep: each over the varied setting, tied to the rows of a table."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from bench.document.blocks import Group, Points
from bench.sweep.vary import is_number, written

Run = Literal["run-0", "run-1", "run-2", "run-3", "run-4", "run-5"]
_RUNS: tuple[Run, ...] = ("run-0", "run-1", "run-2", "run-3", "run-4", "run-5")


@dataclass(frozen=True)
class Column:
    """One figure of a sweep: its key in the facts, its name in words, its unit, the title of its column, how
    it is printed, and the unit's size in that of the facts."""

    key: str
    words: str
    unit: str
    title: str
    form: str
    scale: float = 1

    def text(self, row: dict[str, Any]) -> str:
        """The figure of a row as printed; "-" where there is none."""
        value = row[self.key]
        return "-" if value is None else format(value * self.scale, self.form)


COLUMNS = (
    Column("peak_reduction_permille", "peak reduction", "%", "peak %", ".1f", 0.1),
    Column("full_cut_s", "torque-time taken", "s", "torque-\ntime s", ".3f"),
    Column("second_interventions", "second interventions", "", "second", "d"),
    Column("out_of_sight_s", "out of sight", "s", "out of\nsight s", ".3f"),
    Column("command_changes", "changes of the command", "", "changes", "d"),
)


def evenly(count: int, room: int) -> list[int]:
    """At most `room` (two or more) of the numbers below `count`, the first and the last among them."""
    if count <= room:
        return list(range(count))
    return [round(i * (count - 1) / (room - 1)) for i in range(room)]


def figures(facts: dict[str, Any]) -> list[Points]:
    """One for each figure that is not the same everywhere; where all are, the torque-time."""
    rows = [row for setting in facts["settings"] for row in (setting["over_all"], *setting["traces"])]
    columns = [column for column in COLUMNS if len({column.text(row) for row in rows}) > 1]
    return [_points(facts, column) for column in columns or [COLUMNS[1]]]


def differs(facts: dict[str, Any], column: Column) -> bool:
    """Whether the settings differ in a figure, over all or on one of the traces."""
    each = [(setting["over_all"], *setting["traces"]) for setting in facts["settings"]]
    return any(len({column.text(row) for row in rows}) > 1 for rows in zip(*each, strict=True))


def setting_text(setting: dict[str, Any]) -> str:
    """A setting in words."""
    return ", ".join(f"{key} = {written(value)}" for key, value in setting["values"].items())


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
    style: Run | None,
    trace: int | None = None,
) -> Group:
    """The settings of some numbers as one line; without a style it is a pale one that is not pointed at."""
    settings = sorted((along.at(facts["settings"][n]), n) for n in numbers)
    rows = [
        facts["settings"][n]["over_all"] if trace is None else facts["settings"][n]["traces"][trace]
        for _, n in settings
    ]
    tips = [
        f"{setting_text(facts['settings'][n])}: {_row_text(row)}"
        for (_, n), row in zip(settings, rows, strict=True)
    ]
    return Group(
        label,
        [x for x, _ in settings],
        [float(row[column.key] or 0) * column.scale for row in rows],
        style or "pale",
        tips if style else [],
        [f"setting-{n}" for _, n in settings] if style else [],
        joined=not along.words,
    )


def _row_text(row: dict[str, Any]) -> str:
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
    styles = dict(zip(chosen or range(len(combinations)), _RUNS, strict=False))
    # The pale ones first, so that the others lie on them.
    for i in sorted(range(len(combinations)), key=lambda i: i in styles):
        fixed = dict(zip(keys, combinations[i], strict=True))
        numbers = [
            n
            for n, setting in enumerate(facts["settings"])
            if all(setting["values"][key] == value for key, value in fixed.items())
        ]
        label = ", ".join(
            f"{one['key'].split('.')[-1]} = {written(fixed[one['key']])}"
            f"{' (file)' if fixed[one['key']] == one['in_file'] else ''}"
            for one in along.others
        )
        first_pale = i not in styles and i == min(set(range(len(combinations))) - set(styles))
        yield _group(
            facts,
            numbers,
            column,
            along,
            label if i in styles else "others" if first_pale else "",
            styles.get(i),
        )
