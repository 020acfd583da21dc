"""liftlatch replay: run the controller over a recorded trace, tick by tick."""

from __future__ import annotations

from contextlib import nullcontext
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import command_line, json_option, print_json
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.choice import ColumnChoice

_MAX_GAP_S = 0.1  # as bench.replay.inputs has it, which would load numpy for --help


@click.command()
@click.argument("trace", type=click.Path(path_type=Path))
@click.option(
    "--calibration", "calibration_path", type=click.Path(path_type=Path), metavar="FILE",
    help="The calibration to run.",
)  # fmt: skip
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR",
    help="Write run.png, ticks.csv, events.csv and summary.json there. Without it nothing is written.",
)  # fmt: skip
@json_option
@click.option(
    "--max-gap", type=float, default=_MAX_GAP_S, show_default=True, metavar="S",
    help="A longer gap between samples of the height is a lost sensor, a shorter one a straight line.",
)  # fmt: skip
@click.option("--speed", type=float, metavar="KMH", help="A constant road speed, instead of the trace's.")
@click.option(
    "--launch-at", type=float, metavar="S", help="Launch at this time of the trace, whatever it shows."
)
@click.option(
    "--engine", type=click.Choice(["reference", "c"]),
    help="What steps: the reference in Python, or the C core, which must give the same and is faster.  "
    "[default: c where it is built]",
)  # fmt: skip
@trace_options
def replay(
    trace: Path,
    calibration_path: Path | None,
    out: Path | None,
    as_json: bool,
    max_gap: float,
    speed: float | None,
    launch_at: float | None,
    engine: str | None,
    choice: ColumnChoice,
) -> None:
    """Run the controller over TRACE with a calibration: what would it have done?

    Shows the launches, lifts and interventions with their reasons, the torque-time taken, faults, and what
    looks wrong with the calibration on this trace. The sensor's heights are given to the controller as its
    ADC would read them. An engineering aid, not a safety device.

    A replay id printed by another command may stand in the place of TRACE; it brings its calibration along.
    """
    from bench.replay.ids import shower_of

    shower = shower_of(str(trace))
    if shower is not None:
        module, function = shower.split(":")
        getattr(import_module(module), function)(str(trace), as_json)
        return
    if calibration_path is None:
        raise click.UsageError("Missing option '--calibration'.")
    from bench.calibration import load
    from bench.files import whole_folder
    from bench.replay import files
    from bench.replay.findings import Stepped, find
    from bench.replay.inputs import Options, from_trace
    from bench.replay.looks import looks
    from bench.replay.run import engine_to_use, run
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace

    calibration = load(calibration_path)
    engine, remark = engine_to_use(engine)
    if remark:
        click.echo(f"liftlatch: {remark}", err=True)
    # The folder first: a long replay must not end with one that cannot be written.
    with whole_folder(out) if out else nullcontext(None) as folder:
        with progress_bar("reading") as progress:
            recorded = read_trace(trace, choice, progress)
        inputs = from_trace(recorded, calibration, Options(max_gap, speed, launch_at))
        # Its samples are of no more use, and those of a long trace are large.
        recorded.channels.clear()
        with progress_bar("stepping") as progress:
            done = run(engine, calibration.image, inputs.arrays, progress)
        stepped = Stepped(inputs, done, calibration)
        found = find(stepped)
        remarks = looks(stepped, found)
        facts = files.summary(recorded, stepped, found, remarks, command_line())
        if folder is not None:
            files.write_all(folder, facts, stepped, found)
    if as_json:
        print_json(facts)
        return
    from bench.replay.screen import show

    show(facts, out)
