"""`liftlatch demo`: write the demo traces anew."""

from __future__ import annotations

from pathlib import Path

import click

from bench.facts import head, json_option, print_json
from bench.options import FOLDER

SUMMARY_VERSION = 1


@click.command()
@click.argument("folder", type=FOLDER)
@json_option
def demo(folder: Path, as_json: bool) -> None:
    """Write the demo traces anew into FOLDER: invented runs, the same bytes every time."""
    from bench.console import make_console, print_text
    from bench.demo.runs import RUNS, trace
    from bench.files import write_whole
    from bench.trace.text import shown_path

    console = make_console(err=as_json)
    written = []
    for run in RUNS:
        path = folder / f"{run.name}.csv"
        write_whole(path, trace(run))
        written.append({"file": str(path), "story": run.story})
        print_text(console, f"{shown_path(path)}: {run.story}", rest="  ")
    if as_json:
        print_json({**head(SUMMARY_VERSION), "written": written})
