"""liftlatch vectors: golden vectors of a trace, for a firmware developer without a serial port."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.errors import UserError
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.choice import ColumnChoice

MOST_TICKS = 200_000


@click.command()
@click.argument("trace", type=click.Path(path_type=Path))
@click.option(
    "--calibration", "calibration_path", type=click.Path(path_type=Path), metavar="FILE", required=True,
    help="The calibration to run.",
)  # fmt: skip
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", required=True,
    help="Write vectors.jsonl, vectors.h and vectors_main.c there.",
)  # fmt: skip
@click.option(
    "--ticks", type=click.IntRange(min=1), metavar="N", help="Only the first N ticks, for a small memory."
)
@trace_options
def vectors(
    trace: Path, calibration_path: Path, out: Path, ticks: int | None, choice: ColumnChoice
) -> None:
    """Write what the reference makes of TRACE as golden vectors: image, inputs, outputs and events.

    vectors.jsonl has a line for each tick; vectors.h the same for a C compiler, and vectors_main.c runs it
    through firmware_model/core. A port that reproduces them from power-up on equals the reference here.
    """
    from bench.calibration import load
    from bench.files import whole_folder
    from bench.replay.inputs import from_trace
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace
    from bench.twin.compare import with_ticks
    from bench.vectors.write import make_outputs, write_vectors

    calibration = load(calibration_path)
    with whole_folder(out) as folder:
        with progress_bar("reading") as progress:
            recorded = read_trace(trace, choice, progress)
        inputs = from_trace(recorded, calibration)
        made = min(inputs.n, ticks or inputs.n)
        if made > MOST_TICKS:
            right = f"take the first {MOST_TICKS} or fewer with --ticks"
            raise UserError(f"{made} ticks are too many for a file to compile", trace, right)
        columns = with_ticks({name: column[:made] for name, column in inputs.arrays.items()})
        source = f"{made} ticks of {calibration.tick_us} us from {trace.name} with {calibration.path.name}"
        write_vectors(calibration.image, columns, make_outputs(calibration.image, columns), folder, source)
    click.echo(f"{source}: vectors.jsonl, vectors.h and vectors_main.c in {out}")
