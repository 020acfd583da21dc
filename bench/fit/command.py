"""liftlatch fit: what recorded runs tell about the car."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import command_line, json_option, print_json
from bench.options import TOML_FILE, TRACE_FILE, completes, out_option, torque_from_option, vehicle_option
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.fit.measured import MeasuredRun
    from bench.trace.choice import ColumnChoice


@click.command()
@click.argument("traces", type=TRACE_FILE, nargs=-1, required=True, metavar="TRACE...")
@vehicle_option("The car's file to begin with; what cannot be fitted is kept from it.")
@click.option(
    "--calibration", "calibration_paths", type=TOML_FILE, multiple=True, metavar="FILE",
    help="The calibration that drove the recorded runs: one for all, or one for each TRACE in their order. "
    "The torque is as the trace's logged reduction and retard say, else what the calibration commands; "
    "without both it is full.",
)  # fmt: skip
@click.option(
    "--measured", "measured_paths", multiple=True, metavar="NAME",
    shell_complete=completes("bench.fit.words:measured"),
    help="A value that was weighed or measured at the car, such as body.cg_ahead_of_rear_axle: it is taken "
    "as right to 1 % instead of 10 %.",
)  # fmt: skip
@out_option("Write car.toml, report.html, fit.svg and summary.json there.")
@json_option
@torque_from_option
@trace_options
def fit(
    traces: tuple[Path, ...],
    vehicle_path: Path,
    calibration_paths: tuple[Path, ...],
    measured_paths: tuple[str, ...],
    out: Path | None,
    as_json: bool,
    torque_from: str | None,
    choice: ColumnChoice,
) -> int:
    """Fit the model of the car to the recorded run of each TRACE.

    Needs height, road speed and engine speed (or shaft speed) from the launch on, and a run in which the
    front wheels leave the ground. Says what the runs tell, how well, and what they cannot tell; that stays as
    given. Of several runs each is also predicted from the others. Exit code 1: the fitted car does not
    describe a run. A model's guess from these inputs, and an engineering aid, not a safety device.
    """
    from bench.calibration import load as load_calibration
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.errors import UserError
    from bench.fit.document import make_document
    from bench.fit.facts import Fit, make_facts
    from bench.fit.files import write_car
    from bench.fit.fit import fit as find
    from bench.fit.measured import measure
    from bench.result import result_folder
    from bench.trace.read import read_trace
    from bench.vehicle.compiled import available
    from bench.vehicle.vehicle_file import load as load_vehicle

    why_not = available()
    if why_not:
        raise UserError(f"a fit drives thousands of runs; {why_not}")
    vehicle = load_vehicle(vehicle_path)
    calibrations = [load_calibration(path) for path in calibration_paths]
    if len(calibrations) not in (0, 1, len(traces)):
        right = f"one for all traces, or one for each of the {len(traces)}"
        raise UserError(f"{len(calibrations)} calibrations given", "--calibration", right)
    by_run: list[CalibrationFile | None] = [None] * len(traces)
    if calibrations:
        by_run = [calibrations[i % len(calibrations)] for i in range(len(traces))]
    known = frozenset(_named(path) for path in measured_paths)
    # The folder first: a long fit must not end with one that cannot be written.
    with result_folder(out) as folder:
        runs = [
            measure(read_trace(path, choice), vehicle.car, calibration, torque_from)
            for path, calibration in zip(traces, by_run, strict=True)
        ]
        _refuse_twins(runs)
        with progress_line() as progress:
            done = Fit(vehicle, runs, by_run, known, find(vehicle.car, runs, known, progress))
        facts = make_facts(done, command_line())
        document = make_document(facts, done)
        if folder is not None:
            write(folder, facts, document)
            write_car(folder / "car.toml", facts, done)
    if as_json:
        print_json(facts)
    else:
        show(document, out)
    return 0 if facts["model_holds"] else 1


def _refuse_twins(runs: list[MeasuredRun]) -> None:
    """Refuse a recording that was given twice."""
    from bench.errors import UserError

    first: dict[str, Path] = {}
    for run in runs:
        if run.digest in first:
            what = f"the same recording as {first[run.digest]}"
            raise UserError(what, run.path, "give each run once; it would count twice")
        first[run.digest] = run.path


def _named(path: str) -> str:
    """The parameter of a name like body.mass."""
    from bench.errors import UserError
    from bench.fit.car_text import path_of
    from bench.fit.residuals import CANDIDATES, NEVER

    names = {path_of(name): name for name in (*CANDIDATES, *NEVER)}
    if path not in names:
        raise UserError(f"{path} is nothing that is fitted", "--measured", f"one of {', '.join(names)}")
    return names[path]


@contextmanager
def progress_line() -> Iterator[Callable[[float, int, float], None]]:
    """A line on standard error, only on a terminal that can wipe it, wiped at the end."""
    if not sys.stderr.isatty() or os.environ.get("TERM") in ("dumb", "unknown"):
        yield lambda window, step, cost: None
        return
    try:
        yield lambda window, step, cost: click.echo(
            f"\r\x1b[Kfitting the first {window:g} s: step {step}, cost {cost:.6g}", err=True, nl=False
        )
    finally:
        click.echo("\r\x1b[K", err=True, nl=False)
