"""liftlatch sweep: many calibrations over many traces."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import command_line, json_option, print_json
from bench.options import (
    TRACE_FILE,
    calibration_option,
    cluster_option,
    completes,
    core_option,
    input_options,
    out_option,
)
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.sweep.study import Study
    from bench.sweep.vary import Setting
    from bench.trace.choice import ColumnChoice


@click.command()
@click.argument("traces", type=TRACE_FILE, nargs=-1, required=True, metavar="TRACE...")
@calibration_option("The calibration to vary.")
@click.option(
    "--vary", "varied_texts", multiple=True, required=True, metavar="KEY=VALUES",
    shell_complete=completes("bench.sweep.words:varied"),
    help="A key of the calibration, or the end of one, and its values: from:to:step, or values with commas"
    " between them. After the key of a line .shift adds to it, .scale multiplies it, .2 is its second point;"
    " ceilings.all_mm is all ceilings. Give it again for a grid.",
)  # fmt: skip
@out_option("Write report.html, sweep.svg, sweep.csv and summary.json there. Without it nothing is written.")
@json_option
@core_option
@cluster_option("Step")
@input_options
@trace_options
def sweep(
    traces: tuple[Path, ...],
    calibration_path: Path,
    varied_texts: tuple[str, ...],
    out: Path | None,
    as_json: bool,
    core: str | None,
    cluster: str | None,
    max_gap: float,
    speed: float | None,
    launch_at: float | None,
    choice: ColumnChoice,
) -> None:
    """Run many calibrations over each TRACE: what would each have taken?

    Varies keys of one calibration and shows, for each setting, the peak reduction, the torque-time taken,
    second interventions, time out of sight and changes of the command, over all traces and for each. The
    lift stays the recorded one, whatever a setting takes. An engineering aid, not a safety device.

    For example: --vary latch.hold_ms=0:600:20 --vary latch.release_percent_per_s=100,200,400, or
    --vary ceilings.all_mm.shift=-40:40:20
    """
    from bench.calibration import load
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.replay.inputs import Options
    from bench.replay.run import core_to_use
    from bench.result import result_folder
    from bench.sweep.cluster import check_cluster
    from bench.sweep.document import make_document
    from bench.sweep.facts import Sweep, make_facts
    from bench.sweep.files import as_csv
    from bench.sweep.on_cluster import sweep_on_cluster
    from bench.sweep.study import Swept, Told, read_study, run_study
    from bench.sweep.vary import read_varied, settings
    from bench.trace.progress import progress_bar

    # A cluster's workers have cores of their own.
    core, remark = core_to_use("c" if cluster and not core else core)
    if remark:
        click.echo(f"liftlatch: {remark}", err=True)
    if cluster is not None:
        check_cluster(cluster)
    calibration = load(calibration_path)
    varied = read_varied(varied_texts, calibration)
    options = Options(max_gap, speed, launch_at)

    def read(some: Sequence[Setting]) -> Study:
        with progress_bar("reading") as progress:
            return read_study(traces, some, choice, options, progress)

    # The folder first: a long sweep must not end with one that cannot be written.
    with result_folder(out) as folder:
        if cluster is not None:
            with progress_bar("stepping") as progress:
                swept = sweep_on_cluster(cluster, calibration, varied, core, read, progress)
        else:
            with progress_bar("compiling") as progress:
                made = settings(calibration, varied, progress)
            study = read(made)
            with progress_bar("stepping") as progress:
                swept = Swept(study, [Told.of(one) for one in made], run_study(study, core, progress))
        where = f"the workers of {cluster}" if cluster else "this machine"
        recordings = swept.study.recordings
        found = Sweep(calibration, varied, swept.settings, recordings, swept.measures, core, where)
        facts = make_facts(found, command_line())
        document = make_document(facts, found)
        if folder is not None:
            write(folder, facts, document)
            (folder / "sweep.csv").write_text(as_csv(facts), encoding="utf-8")
    if as_json:
        print_json(facts)
    else:
        show(document, out)
