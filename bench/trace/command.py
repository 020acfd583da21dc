"""`liftlatch trace show`: what was understood of a recorded run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.trace.choice import ColumnChoice
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from rich.console import Console

    from bench.trace.model import Channel, Trace

_SHOWN_GAPS = 5
_SHOWN_UNUSED = 8


@click.group()
def trace() -> None:
    """Look at a recorded trace."""


@trace.command()
@click.argument("file", type=click.Path(path_type=Path))
@trace_options
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of tables.")
def show(file: Path, choice: ColumnChoice, as_json: bool) -> None:
    """Show what was understood of FILE: columns, units, rate, gaps, what was assumed."""
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace

    with progress_bar("reading") as progress:
        recorded = read_trace(file, choice, progress)
    facts = as_facts(recorded)
    if as_json:
        import json

        click.echo(json.dumps(facts, indent=2))
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
        "gaps": [list(gap) for gap in trace.gaps],
        "channels": channels,
        "unused": [{"column": c.number, "name": c.name} for c in trace.columns if not c.role],
        "notes": trace.notes,
    }


def _bounds(trace: Trace, channel: Channel) -> dict[str, Any]:
    import numpy as np

    good = channel.values[channel.valid]
    steps = np.diff(trace.time_s[channel.valid])
    return {
        "empty": len(channel.values) - len(good),
        "rate_hz": float(1.0 / np.median(steps)) if len(steps) else None,
        "min": float(good.min()) if len(good) else None,
        "max": float(good.max()) if len(good) else None,
    }


def _print(facts: dict[str, Any]) -> None:
    from rich.table import Table
    from rich.text import Text

    from bench.console import make_console
    from bench.trace.text import plural, shown

    console = make_console()
    steps = "uneven" if facts["uneven"] else "even"
    dropped = [f"{facts[key]} {key}" for key in ("repeated", "backward", "untimed") if facts[key]]
    lines = {
        "file": shown(facts["file"], 200),
        "form": f"{facts['form']}, {facts['size_bytes']} bytes",
        "sha256": facts["sha256"],
        "rows": f"{facts['rows']}"
        + (f", {facts['rows_used']} used ({', '.join(dropped)})" if dropped else ""),
        "time": f"{facts['start_s']:.6g} s to {facts['end_s']:.6g} s, {facts['duration_s']:.6g} s in all",
        "rate": f"{facts['rate_hz']:.4g} rows a second (the usual step), {steps} steps",
    }
    for name, text in lines.items():
        _line(console, f"{name:<7} {text}")
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("signal", "column", "unit", "from", "Hz", "empty", "least", "greatest"):
        table.add_column(title, justify="right" if title in ("Hz", "empty", "least", "greatest") else "left")
    for channel in facts["channels"]:
        name = f"{channel['column']} {shown(channel['name'], 16)}".strip()
        unit = channel["unit"]
        if channel["unit_in_file"] not in (unit, ""):
            unit = f"{unit} < {channel['unit_in_file']}"
        cells = [
            channel["role"].replace("_", " "), name, unit, channel["unit_from"],
            _number(channel["rate_hz"]), str(channel["empty"]), _number(channel["min"]),
            _number(channel["max"]),
        ]  # fmt: skip
        table.add_row(*(Text(cell) for cell in cells))
    console.print()
    console.print(table)
    if facts["gaps"]:
        console.print()
        _line(console, f"{plural(len(facts['gaps']), 'gap')} in the recording:")
        for start, end in facts["gaps"][:_SHOWN_GAPS]:
            _line(console, f"  {start:.6g} s to {end:.6g} s ({end - start:.4g} s)")
        if len(facts["gaps"]) > _SHOWN_GAPS:
            _line(console, f"  and {len(facts['gaps']) - _SHOWN_GAPS} more")
    console.print()
    _line(console, "Understood and assumed:")
    for note in facts["notes"]:
        _line(console, f"  {note}")
    if facts["unused"]:
        names = [f"{c['column']} {shown(c['name'], 24)}".strip() for c in facts["unused"][:_SHOWN_UNUSED]]
        more = len(facts["unused"]) - _SHOWN_UNUSED
        console.print()
        _line(console, "Left unused: " + ", ".join(names) + (f" and {more} more" if more > 0 else ""))


def _line(console: Console, text: str) -> None:
    """One line as it is: no markup, since names come from a file; wrapped only on a terminal."""
    from rich.text import Text

    console.print(Text(text), soft_wrap=not console.is_terminal)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"
