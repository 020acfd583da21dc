"""liftlatch sensor: recordings of the height sensor, and what they mean for a calibration."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.facts import command_line, json_option, print_json
from bench.options import TRACE_FILE, Number, calibration_option, out_option
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.trace.choice import ColumnChoice
    from bench.trace.model import Trace


@click.command()
@click.argument("recordings", type=TRACE_FILE, nargs=-1, required=True, metavar="RECORDING...")
@calibration_option("The calibration whose sensor it is.")
@click.option(
    "--heights", metavar="MM,MM,...",
    help="Known heights of one RECORDING, one for each time the height stands, in their order.",
)  # fmt: skip
@click.option(
    "--heights-are", "kind", type=click.Choice(["blocks", "lifts", "distances"]), default="blocks",
    show_default=True,
    help="Blocks laid under the sensor, lifts of the front axle, or distances from the sensor.",
)  # fmt: skip
@click.option(
    "--rest-height", "rest_mm", type=Number(0, 10_000), metavar="MM",
    help="The sensor's height over the ground with the car standing on it, by a rule.  [default: the file's]",
)  # fmt: skip
@click.option(
    "--against", metavar="NAME|NUMBER[:UNIT]",
    help="A column that follows the same movement: how long after it does the height come?",
)  # fmt: skip
@out_option("Write report.html, sensor.svg, summary.json and, where it fits, calibration.toml there.")
@json_option
@trace_options
def sensor(
    recordings: tuple[Path, ...],
    calibration_path: Path,
    heights: str | None,
    kind: str,
    rest_mm: float | None,
    against: str | None,
    out: Path | None,
    as_json: bool,
    choice: ColumnChoice,
) -> None:
    """Measure the height sensor: each RECORDING of the car standing still, of known heights, of the nose
    moved by hand, of a sensor that sees nothing, of a run; any of them.

    Gives the curve, the rest height, noise, drift and spikes, the sensor's own period, what it reads when it
    sees nothing, and how fast it moved; then the keys that follow, each with its reason, beside what stands
    in the calibration, which stays as it is. Record with the engine off, the car on level ground, and nobody
    under it that holds it up by hand.
    """
    from bench.calibration import load
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.result import result_folder
    from bench.sensor.document import make_document
    from bench.sensor.facts import make_facts
    from bench.sensor.study import Known, study
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace

    known = Known(tuple(_numbers(heights)) if heights is not None else (), kind, rest_mm)
    calibration = load(calibration_path)
    with result_folder(out) as folder:
        with progress_bar("reading") as progress:
            traces = [read_trace(path, choice, progress) for path in recordings]
            others = _read_others(recordings, choice, against) if against else []
        found = study(traces, others, calibration, known)
        facts = make_facts(found, command_line(), against)
        document = make_document(facts, found)
        if folder is not None:
            write(folder, facts, document)
            if facts["proposed_calibration"]:
                (folder / "calibration.toml").write_text(facts["proposed_calibration"], encoding="utf-8")
    if as_json:
        print_json(facts)
    else:
        show(document, out)


def _read_others(paths: Sequence[Path], choice: ColumnChoice, against: str) -> list[Trace | None]:
    """The same files with another column as the height; None for one that has it not, as long as one has."""
    from bench.errors import UserError
    from bench.trace.read import read_trace

    other = replace(choice, columns={**choice.columns, "height": against})
    found: list[Trace | None] = []
    wrong: list[UserError] = []
    for path in paths:
        try:
            found.append(read_trace(path, other))
        except UserError as error:
            found.append(None)
            wrong.append(error)
    if len(wrong) == len(found):
        raise UserError(wrong[0].what, f"{paths[0]}: --against", wrong[0].right)
    return found


def _numbers(text: str) -> list[float]:
    """The heights of --heights. Raises UserError for anything else."""
    from math import isfinite

    from bench.errors import UserError

    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = []
    if len(found) < 2 or not all(map(isfinite, found)):
        raise UserError(f"{text!r} is no list of heights", "--heights", "millimetres such as 0,50,100")
    if len(set(found)) < len(found):
        raise UserError(f"{text!r} has a height twice", "--heights", "each height once")
    return found
