"""liftlatch vectors: golden vectors of a trace, for a firmware developer without a serial port."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.cautions import CAUTIONS
from bench.errors import UserError
from bench.facts import head, json_option, print_json
from bench.options import TRACE_FILE, Whole, calibration_option, out_option
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.trace.choice import ColumnChoice

MOST_TICKS = 200_000
SUMMARY_VERSION = 1
FILES = ("vectors.jsonl", "vectors.h", "vectors_main.c")


@click.command(epilog=CAUTIONS)
@click.argument("trace", type=TRACE_FILE, required=False)
@calibration_option("The calibration to run.", required=False)
@click.option(
    "--conformance", is_flag=True,
    help="Instead of a trace: the conformance set, which a port is held against.",
)  # fmt: skip
@out_option("Write the files there.", required=True)
@click.option("--ticks", type=Whole(1), metavar="N", help="Only the first N ticks, for a small memory.")
@json_option
@trace_options
def vectors(
    trace: Path | None,
    calibration_path: Path | None,
    conformance: bool,
    out: Path,
    ticks: int | None,
    as_json: bool,
    choice: ColumnChoice,
) -> None:
    """Write what the reference makes of TRACE as golden vectors: image, inputs, outputs and events.

    vectors.jsonl has a line for each tick; vectors.h the same for a C compiler, and vectors_main.c runs it
    through firmware_model/core. A port that reproduces them from power-up on equals the reference here. With
    --conformance: conformance.jsonl, and data.h, check.h, check.c and main.c for a C compiler.
    """
    if conformance:
        if trace is not None or calibration_path is not None or ticks is not None:
            right = "the set brings its own inputs and calibrations; give it alone"
            raise UserError("goes with no TRACE, --calibration or --ticks", "--conformance", right)
        _write_conformance(out, as_json)
        return
    if trace is None or calibration_path is None:
        what = "TRACE" if trace is None else "--calibration"
        raise UserError("is missing", what, "give TRACE and --calibration, or --conformance")
    from bench.calibration import load
    from bench.replay.inputs import from_trace
    from bench.result import result_folder
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace
    from bench.twin.compare import with_ticks
    from bench.vectors.write import make_outputs, write_vectors

    calibration = load(calibration_path)
    with result_folder(out) as folder:
        assert folder is not None
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
    if as_json:
        print_json({
            **head(SUMMARY_VERSION),
            "trace": {"file": str(trace), "sha256": recorded.digest},
            "calibration": {
                "file": str(calibration.path),
                "sha256": calibration.digest,
                "image_crc32": f"{calibration.crc:08x}",
            },
            "ticks": made,
            "tick_us": calibration.tick_us,
            "written": [str(out / name) for name in FILES],
            "notes": [*recorded.notes, *inputs.notes],
        })  # fmt: skip
        return
    from bench.console import make_console, print_text
    from bench.trace.text import shown_path

    ticks_of = f"{made} ticks of {calibration.tick_us} µs from {shown_path(trace)}"
    text = f"{ticks_of} with {shown_path(calibration.path)}: {', '.join(FILES)} in {shown_path(out)}"
    console = make_console()
    print_text(console, text)
    print_text(console, CAUTIONS)


def _write_conformance(out: Path, as_json: bool) -> None:
    from bench.conformance.chosen_set import conformance_set
    from bench.conformance.images import changed_images
    from bench.result import result_folder
    from bench.vectors.conformance import FILES, write_set

    of_set = conformance_set()
    with result_folder(out) as folder:
        assert folder is not None
        write_set(of_set, folder)
    ticks = sum(len(case.whole[0]) for case in of_set.cases)
    images = len(changed_images(of_set.cases[0]))
    if as_json:
        print_json({
            **head(SUMMARY_VERSION),
            "conformance": {"version": of_set.version, "sha256": of_set.digest},
            "cases": len(of_set.cases),
            "ticks": ticks,
            "images": images,
            "written": [str(out / name) for name in FILES],
        })  # fmt: skip
        return
    from bench.console import make_console, print_text
    from bench.trace.text import shown_path

    cases = f"{len(of_set.cases)} cases, {ticks} ticks, {images} changed images"
    text = f"conformance set, version {of_set.version}: {cases}: {', '.join(FILES)} in {shown_path(out)}"
    console = make_console()
    print_text(console, text)
    print_text(console, CAUTIONS)
