"""`liftlatch trace show`: what was understood of a recorded run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.facts import head, json_option, print_json
from bench.options import TRACE_FILE
from bench.trace.choice import ColumnChoice
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.model import Channel, Trace

SUMMARY_VERSION = 1
_SHOWN_GAPS = 5
_SHOWN_UNUSED = 8


@click.group()
def trace() -> None:
    """Look at a recorded trace."""


@trace.command()
@click.argument("file", type=TRACE_FILE)
@trace_options
@json_option
def show(file: Path, choice: ColumnChoice, as_json: bool) -> None:
    """Show what was understood of FILE: columns, units, rate, gaps, what was assumed."""
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace

    with progress_bar("reading") as progress:
        recorded = read_trace(file, choice, progress)
    facts = as_facts(recorded)
    if as_json:
        print_json(facts)
        return
    _print(facts)


def as_facts(trace: Trace) -> dict[str, Any]:
    """The facts of a trace as plain values for JSON; a channel without a valid cell has no bounds."""
    by_role = {column.role: column for column in trace.columns if column.role}
    channels = [
        {
            "role": role,
            "column": by_role[role].number,
            "name": channel.name,
            "unit": channel.unit,
            "unit_in_file": by_role[role].unit,
            "unit_from": by_role[role].unit_from,
            **_bounds(trace, channel),
        }
        for role, channel in trace.channels.items()
    ]
    return {
        **head(SUMMARY_VERSION),
        "file": str(trace.path),
        "form": trace.form,
        "size_bytes": trace.size_bytes,
        "sha256": trace.digest,
        "rows": trace.rows,
        "rows_used": len(trace.time_s),
        "start_s": float(trace.time_s[0]),
        "end_s": float(trace.time_s[-1]),
        "duration_s": trace.duration_s,
        "rate_hz": trace.rate_hz,
        "uneven": trace.uneven,
        "repeated": trace.repeated,
        "backward": trace.backward,
        "untimed": trace.untimed,
        "gaps_s": [list(gap) for gap in trace.gaps],
        "channels": channels,
        "unused": [{"column": c.number, "name": c.name} for c in trace.columns if not c.role],
        "notes": trace.notes,
    }


def _bounds(trace: Trace, channel: Channel) -> dict[str, Any]:
    import numpy as np

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


def _print(facts: dict[str, Any]) -> None:
    from bench.console import make_console, make_table, print_list, print_table, print_text
    from bench.trace.text import plural, shown, shown_path

    console = make_console()
    steps = "uneven" if facts["uneven"] else "even"
    dropped = [f"{facts[key]} {key}" for key in ("repeated", "backward", "untimed") if facts[key]]
    lines = {
        "file": shown_path(facts["file"], 71),
        "form": f"{facts['form']}, {facts['size_bytes']} bytes",
        "sha256": facts["sha256"],
        "rows": f"{facts['rows']}"
        + (f", {facts['rows_used']} used ({', '.join(dropped)})" if dropped else ""),
        "time": f"{facts['start_s']:.6g} s to {facts['end_s']:.6g} s, {facts['duration_s']:.6g} s in all",
        "rate": f"{facts['rate_hz']:.4g} rows a second (the usual step), {steps} steps",
    }
    for name, text in lines.items():
        print_text(console, text, f"{name:<8}")
    table = make_table(
        ("signal", False), ("column", False), ("unit", False), ("from", False), ("Hz", True),
        ("empty", True), ("least", True), ("greatest", True),
    )  # fmt: skip
    for channel in facts["channels"]:
        name = f"{channel['column']} {shown(channel['name'], 16)}".strip()
        unit = channel["unit"]
        if channel["unit_in_file"] not in (unit, ""):
            unit = f"{unit} < {channel['unit_in_file']}"
        table.add_row(
            channel["role"].replace("_", " "), name, unit, channel["unit_from"],
            _number(channel["rate_hz"]), str(channel["empty"]), _number(channel["min"]),
            _number(channel["max"]),
        )  # fmt: skip
    print_table(console, "Signals", table)
    gaps = [f"{start:.6g} s to {end:.6g} s ({end - start:.4g} s)" for start, end in facts["gaps_s"]]
    more = [f"and {len(gaps) - _SHOWN_GAPS} more"] if len(gaps) > _SHOWN_GAPS else []
    print_list(console, f"{plural(len(gaps), 'gap')} in the recording", gaps[:_SHOWN_GAPS] + more)
    print_list(console, "Understood and assumed", facts["notes"])
    if facts["unused"]:
        names = [f"{c['column']} {shown(c['name'], 24)}".strip() for c in facts["unused"][:_SHOWN_UNUSED]]
        left = len(facts["unused"]) - _SHOWN_UNUSED
        console.print()
        tail = f" and {left} more" if left > 0 else ""
        print_text(console, f"Left unused: {', '.join(names)}{tail}")


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"
