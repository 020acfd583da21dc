"""`liftlatch trace`: every column of a recorded run, what was understood of it, and a layout that says it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import head, json_option, print_json
from bench.options import ANY_FILE, TRACE_FILE, replace_option
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.choice import ColumnChoice

SUMMARY_VERSION = 2


@click.group()
def trace() -> None:
    """Look at a recorded trace."""


@trace.command()
@click.argument("file", type=TRACE_FILE)
@trace_options
@json_option
def show(file: Path, choice: ColumnChoice, as_json: bool) -> None:
    """Show every column of FILE: what it holds, which signal it would be and why, what is missing.

    Needs no options: what cannot be read yet is said, with a layout file that would settle it. Where
    everything is there: time, rate, gaps, and the passes of the trace.
    """
    from bench.trace.progress import progress_bar
    from bench.trace.show import look_at, print_facts

    with progress_bar("reading") as progress:
        facts = look_at(file, choice, progress)
    if as_json:
        print_json({**head(SUMMARY_VERSION), **facts})
        return
    print_facts(facts)


@trace.command()
@click.argument("file", type=TRACE_FILE)
@click.option("--out", type=ANY_FILE, required=True, metavar="LAYOUT", help="The layout file to write.")
@replace_option
@trace_options
@json_option
def learn(file: Path, choice: ColumnChoice, out: Path, as_json: bool) -> None:
    """Write a layout of FILE with everything that was found: columns, units, delimiter, switches.

    Later files of the same logger are read with --layout LAYOUT, or by themselves where LAYOUT lies next to
    them. What is only likely is marked in it: check those lines.
    """
    from bench.result import write_result
    from bench.trace.show import look_at
    from bench.trace.text import shown_path

    facts = look_at(file, choice)
    write_result(out, facts["layout"])
    if as_json:
        wanted = ("file", "missing", "layout")
        print_json({**head(SUMMARY_VERSION), **{key: facts[key] for key in wanted}, "written": str(out)})
        return
    click.echo(f"Written: {shown_path(out)}")
    for what in facts["missing"]:
        click.echo(f"Still missing: {what}")
