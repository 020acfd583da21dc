"""`liftlatch demo`: write the demo traces anew."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
def demo(folder: Path) -> None:
    """Write the demo traces anew into FOLDER: invented runs, the same bytes every time."""
    from bench.demo.runs import RUNS, trace
    from bench.files import write_whole

    for run in RUNS:
        path = folder / f"{run.name}.csv"
        write_whole(path, trace(run))
        click.echo(f"{path}: {run.story}")
