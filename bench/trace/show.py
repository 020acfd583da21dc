"""What `liftlatch trace show` says of a file: facts as plain values, and the same as text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import numpy as np

from bench.trace.choice import ColumnChoice
from bench.trace.learn import layout_text
from bench.trace.model import Channel, Trace
from bench.trace.passes import look_for_passes
from bench.trace.read import is_mdf, read_trace
from bench.trace.roles import name_of
from bench.trace.source import Progress
from bench.trace.survey import as_json, number_text, plan, survey
from bench.trace.text import plural, shown, shown_path

_SHOWN_GAPS = 5
_TICK_US = 10_000
_LONGEST_S = 7200.0
_UNIT = 60


def look_at(path: Path, choice: ColumnChoice, progress: Progress | None = None) -> dict[str, Any]:
    """All that can be said of a file: its columns, what each would be, what is missing, the layout that would
    settle it; where nothing is missing the trace, its passes and what is doubtful too.

    Raises UserError for what is no trace at all, and for a damaged cell of a column that is used.
    """
    name = shown_path(path.stem, 40)
    if is_mdf(path):
        from bench.trace.mdf import survey_mdf

        facts, form = survey_mdf(path)
        found = plan(facts, True, choice, str(path), own_time=True)
        layout = layout_text([one.column for one in facts], None, found, choice, None, name)
    else:
        from bench.trace.csv import open_csv

        opened = open_csv(path, choice)
        dialect, form = opened.dialect, opened.form
        facts = survey(opened, progress)
        found = plan(facts, dialect.headed, opened.choice, str(path), opened.layout)
        columns = [one.column for one in facts]
        layout = layout_text(columns, dialect, found, opened.choice, opened.layout, name)
    said: dict[str, Any] = {
        "file": str(path),
        "form": form,
        "columns": [as_json(one, found.verdicts[one.column.number]) for one in facts],
        "missing": found.missing,
        "read": not found.missing,
        "layout": layout,
    }
    for one in said["columns"]:
        # of a column that would be a signal: whether it is read as that already, without a word more
        one["taken"] = one["role"] in found.chosen
    if not found.missing:
        trace = read_trace(path, choice)
        said |= trace_facts(trace)
        said |= _passes(trace)
    return said


def _passes(trace: Trace) -> dict[str, Any]:
    if trace.duration_s > _LONGEST_S:
        return {"passes": [], "doubts": [], "run": None}
    found, taken, doubts, unit = look_for_passes(trace, _TICK_US)
    start = float(trace.time_s[0])

    def time_s(tick: int) -> float:
        return round(start + tick * _TICK_US / 1e6, 3)

    passes = [
        {
            "number": one.number,
            "start_s": time_s(one.start),
            "end_s": time_s(min(one.end, round(trace.duration_s * 1e6 / _TICK_US))),
            "kind": one.kind(unit),
            "rise": one.rise,
            "rise_unit": unit,
            "greatest_kmh": one.top_kmh,
            "greatest_rpm": one.top_rpm,
            "score": round(one.score, 3),
            "text": one.told(time_s(one.start), unit),
        }
        for one in found
    ]
    return {"passes": passes, "doubts": doubts, "run": taken.number if taken else None}


def trace_facts(trace: Trace) -> dict[str, Any]:
    """The facts of a trace as plain values; a channel without a valid cell has no bounds."""
    by_role = {column.role: column for column in trace.columns if column.role}
    channels = [
        {
            "role": role,
            "column": by_role[role].number,
            "name": channel.name,
            "unit": channel.unit,
            "unit_in_file": by_role[role].unit,
            "unit_from": by_role[role].unit_from,
            "delay_s": channel.delay_s,
            "source": channel.source,
            **_bounds(trace, channel),
        }
        for role, channel in trace.channels.items()
    ]
    gaps = zip(trace.gaps, trace.gap_rows, strict=True)
    return {
        "file": str(trace.path),
        "form": trace.form,
        "size_bytes": trace.size_bytes,
        "sha256": trace.digest,
        "rows": trace.rows,
        "rows_used": len(trace.time_s),
        "start_s": float(trace.time_s[0]),
        "end_s": float(trace.time_s[-1]),
        "epoch_ns": trace.epoch_ns,
        "duration_s": trace.duration_s,
        "rate_hz": trace.rate_hz,
        "uneven": trace.uneven,
        "repeated": trace.repeated,
        "backward": trace.backward,
        "untimed": trace.untimed,
        "gaps_s": [list(gap) for gap in trace.gaps],
        "gaps": [
            {"after_row": row, "since_start_s": round(gap[0] - float(trace.time_s[0]), 9),
             "length_s": round(gap[1] - gap[0], 9)}
            for gap, row in gaps
        ],
        "channels": channels,
        "unused": [{"column": c.number, "name": c.name} for c in trace.columns if not c.role],
        "notes": trace.notes,
    }  # fmt: skip


def _bounds(trace: Trace, channel: Channel) -> dict[str, Any]:
    if channel.valid.all():  # no copies: there may be a hundred million rows
        good = channel.values
        rate: float | None = trace.rate_hz
    else:
        good = channel.values[channel.valid]
        steps = np.diff(trace.time_s[channel.valid])
        rate = float(1.0 / np.median(steps)) if len(steps) else None
    return {
        "empty": len(channel.values) - len(good),
        "rate_hz": rate,
        "min": float(good.min()) if len(good) else None,
        "max": float(good.max()) if len(good) else None,
    }


# --- as text


def print_facts(facts: dict[str, Any]) -> None:
    """Print what `look_at` gave."""
    from bench.console import make_console, print_head, print_list, print_text

    console = make_console()
    print_head(console, _head_lines(facts))
    print_list(console, "Look at this first", facts.get("doubts", []))
    print_list(console, "What is missing", facts["missing"])
    _print_columns(console, facts["columns"])
    if facts["read"]:
        _print_trace(console, facts)
    console.print()
    title = "A layout that says it, once its lines are right" if facts["missing"] else "The same as a layout"
    print_text(console, f"{title} (`liftlatch trace learn` writes it to a file):", style="bold")
    console.print()
    click.echo(facts["layout"], nl=False)  # as it is: it may be copied from here


def _head_lines(facts: dict[str, Any]) -> list[tuple[str, str]]:
    lines = [("file", shown_path(facts["file"], 67)), ("form", facts["form"])]
    if not facts["read"]:
        return lines
    steps = "uneven" if facts["uneven"] else "even"
    dropped = [f"{facts[key]} {key}" for key in ("repeated", "backward", "untimed") if facts[key]]
    used = f", {facts['rows_used']} used ({', '.join(dropped)})" if dropped else ""
    times = f"{facts['start_s']:.6g} s to {facts['end_s']:.6g} s, {facts['duration_s']:.6g} s in all"
    return [
        lines[0],
        ("form", f"{facts['form']}, {facts['size_bytes']} bytes"),
        ("sha256", facts["sha256"]),
        ("rows", f"{facts['rows']}{used}"),
        ("time", times),
        ("rate", f"{facts['rate_hz']:.4g} rows a second (the usual step), {steps} steps"),
    ]


def _print_columns(console: Any, columns: list[dict[str, Any]]) -> None:
    """Every column in two or three lines: names stand whole, and what a column is stands below its name."""
    from bench.console import print_text

    console.print()
    print_text(console, "Columns", style="bold")
    for one in columns:
        name = shown(one["name"], 4096) or "(no name)"
        print_text(console, name, f"{one['column']:>4}  ", " " * 6)
        print_text(console, _held(one), " " * 6)
        for why in one["why"]:
            print_text(console, why, "      > " if one["role"] else "      - ", " " * 8)


def _held(one: dict[str, Any]) -> str:
    """What a column holds, in a line."""
    if one["kind"] == "empty":
        return "empty"
    samples = ", ".join(shown(text, 24) for text in one["samples"])
    parts = [f"unit {shown(one['unit_in_file'], _UNIT)}" if one["unit_in_file"] else "no unit"]
    if one["kind"] == "number":
        parts.append(f"{number_text(one['min'])} to {number_text(one['max'])}")
    parts.append(f"such as {samples}")
    changes = one["changes"]
    parts.append("never changes" if not changes else f"changes {plural(changes, 'time')}")
    if one["empty"]:
        parts.append(f"{plural(one['empty'], 'empty cell')}")
    if one["not_numbers"]:
        parts.append(f"{plural(one['not_numbers'], 'cell')} no number")
    return "; ".join(parts)


def _print_trace(console: Any, facts: dict[str, Any]) -> None:
    from bench.console import make_table, print_list, print_table

    table = make_table(
        ("signal", False), ("column", True), ("unit", False), ("from", False), ("Hz", True),
        ("empty", True), ("least", True), ("greatest", True),
    )  # fmt: skip
    for channel in facts["channels"]:
        unit = channel["unit"]
        if channel["unit_in_file"] not in (unit, ""):
            unit = f"{unit} < {channel['unit_in_file']}"
        table.add_row(
            name_of(channel["role"]), str(channel["column"]), unit, channel["unit_from"],
            _number(channel["rate_hz"]), str(channel["empty"]), _number(channel["min"]),
            _number(channel["max"]),
        )  # fmt: skip
    print_table(console, "Signals", table)
    passes = [
        f"{one['number']}: {one['text']}" + (" (taken)" if one["number"] == facts["run"] else "")
        for one in facts["passes"]
    ]
    print_list(console, plural(len(passes), "pass").replace("passs", "passes"), passes)
    gaps = [
        f"after row {gap['after_row']} of the data, {gap['since_start_s']:.6g} s from its start:"
        f" {pair[0]:.6g} s to {pair[1]:.6g} s ({gap['length_s']:.4g} s)"
        for gap, pair in zip(facts["gaps"], facts["gaps_s"], strict=True)
    ]
    more = [f"and {len(gaps) - _SHOWN_GAPS} more"] if len(gaps) > _SHOWN_GAPS else []
    print_list(console, f"{plural(len(gaps), 'gap')} in the recording", gaps[:_SHOWN_GAPS] + more)
    print_list(console, "Understood and assumed", facts["notes"])


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"
