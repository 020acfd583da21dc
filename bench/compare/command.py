"""liftlatch compare: calibrations against one another on recorded runs, and runs against one another."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import command_line, json_option, print_json
from bench.options import TOML_FILE, TRACE_FILE, core_option, input_options, out_option, vehicle_option
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.choice import ColumnChoice

_MOST = 26  # as many as there are letters


@click.command()
@click.argument("traces", type=TRACE_FILE, nargs=-1, required=True, metavar="TRACE...")
@click.option(
    "--calibration", "calibration_paths", type=TOML_FILE, multiple=True, required=True, metavar="FILE",
    help="A calibration. Give it again for each; all are compared with the first.",
)  # fmt: skip
@vehicle_option(
    "A car: says first what gets worse in the model of it with each calibration, against the first one and"
    " against no control.",
    required=False,
)
@out_option("Write report.html, differences.csv and summary.json there. Without it nothing is written.")
@json_option
@input_options
@core_option
@trace_options
def compare(
    traces: tuple[Path, ...],
    calibration_paths: tuple[Path, ...],
    vehicle_path: Path | None,
    out: Path | None,
    as_json: bool,
    max_gap: float,
    speed: float | None,
    launch_at: float | None,
    core: str | None,
    choice: ColumnChoice,
) -> None:
    """Run each calibration over each TRACE: what was changed, and where do the commands differ for it?

    Settings are compared by meaning: comments, order and units make no difference. Runs, of several traces or
    of one with several launches, are also compared with the first one by their launch. The lift stays the
    recorded one, whatever a calibration takes. A difference is no error: the exit code is 0 all the same. An
    engineering aid, not a safety device.
    """
    from bench.calibration import load
    from bench.compare.document import make_document
    from bench.compare.facts import make_facts
    from bench.compare.files import write_differences
    from bench.compare.study import read_and_run
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.errors import UserError
    from bench.replay.inputs import Options
    from bench.replay.run import core_to_use
    from bench.result import result_folder
    from bench.trace.progress import progress_bar
    from bench.vehicle.vehicle_file import load as load_vehicle

    if len(calibration_paths) > _MOST:
        raise UserError(f"{len(calibration_paths)} calibrations", "--calibration", f"at most {_MOST}")
    calibrations = [load(path) for path in calibration_paths]
    vehicle = load_vehicle(vehicle_path) if vehicle_path else None
    core, remark = core_to_use(core)
    if remark:
        click.echo(f"liftlatch: {remark}", err=True)
    # The folder first: a long comparison must not end with one that cannot be written.
    with result_folder(out) as folder:
        with progress_bar("stepping") as progress:
            options = Options(max_gap, speed, launch_at)
            study = read_and_run(traces, calibrations, choice, options, core, progress, vehicle)
        facts = make_facts(study, command_line())
        document = make_document(facts, study)
        if folder is not None:
            write(folder, facts, document)
            write_differences(folder / "differences.csv", study)
    if as_json:
        print_json(facts)
    else:
        show(document, out)
