"""liftlatch replay: run the controller over a recorded trace, tick by tick."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import command_line, json_option, print_json
from bench.options import (
    TRACE_FILE,
    calibration_option,
    core_option,
    input_options,
    out_option,
    torque_from_option,
)
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.choice import ColumnChoice


@click.command()
@click.argument("trace", type=TRACE_FILE)
@calibration_option("The calibration to run.", required=False)
@out_option(
    "Write report.html, run.svg, ticks.csv, events.csv and summary.json there. Without it nothing is written."
)
@json_option
@input_options
@core_option
@click.option(
    "--expect", "expected", metavar="TOLERANCE",
    help="Demand that the trace's logged commands agree with the replay: within so many % of reduction, or"
    " reduction=2,retard=1 (% and degrees). Where they do not, one line says why and the exit code is 1.",
)  # fmt: skip
@torque_from_option
@trace_options
def replay(
    trace: Path,
    calibration_path: Path | None,
    out: Path | None,
    as_json: bool,
    max_gap: float,
    speed: float | None,
    launch_at: float | None,
    core: str | None,
    expected: str | None,
    torque_from: str | None,
    choice: ColumnChoice,
) -> None:
    """Run the controller over TRACE with a calibration: what would it have done?

    Shows the launches, lifts and interventions with their reasons, the torque-time taken, faults, and what
    looks wrong with the calibration on this trace. The sensor's heights are given to the controller as its
    ADC would read them. An engineering aid, not a safety device.

    Where the trace has what the car's own controller commanded, that is laid over the replay: the delay
    between the two, where they disagree, and the totals side by side.

    A replay id printed by another command may stand in the place of TRACE; it brings its calibration along.
    """
    if _showed(str(trace), as_json):
        return
    if calibration_path is None:
        raise click.UsageError("Missing option '--calibration'.")
    from bench.calibration import load
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.errors import printable
    from bench.replay.account import account
    from bench.replay.files import write_tables
    from bench.replay.findings import Replay
    from bench.replay.inputs import Options, from_trace
    from bench.replay.logged import lay_log, parse_tolerance
    from bench.replay.logged_agreement import disagreement
    from bench.replay.run import core_to_use, run
    from bench.result import result_folder
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace

    tolerance = parse_tolerance(expected or "2")
    calibration = load(calibration_path)
    core, remark = core_to_use(core)
    if remark:
        click.echo(f"liftlatch: {remark}", err=True)
    # The folder first: a long replay must not end with one that cannot be written.
    with result_folder(out) as folder:
        with progress_bar("reading") as progress:
            recorded = read_trace(trace, choice, progress, calibration.tick_us)
        inputs = from_trace(recorded, calibration, Options(max_gap, speed, launch_at), compact=True)
        logged, torque_from = lay_log(recorded, inputs, torque_from)
        # Its samples are of no more use, and those of a long trace are large.
        recorded.channels.clear()
        with progress_bar("stepping") as progress:
            done = run(core, calibration.image, inputs.arrays, progress)
        stepped = Replay(inputs, done, calibration, logged, torque_from)
        told = account(recorded, stepped, command_line(), tolerance)
        facts = told.facts
        why = disagreement(facts["logged"], trace) if expected is not None else ""
        if folder is not None:
            write(folder, facts, told.document)
            write_tables(folder, stepped)
    if as_json:
        print_json(facts)
    else:
        show(told.document, out)
    if why:
        click.echo(f"liftlatch: not as expected: {printable(why)}", err=True)
        click.get_current_context().exit(1)


def _showed(replay_id: str, as_json: bool) -> bool:
    """Show what a replay id stands for; False where it is none."""
    from bench.replay.ids import shower_of

    shower = shower_of(replay_id)
    if shower is None:
        return False
    module, function = shower.split(":")
    getattr(import_module(module), function)(replay_id, as_json)
    return True
