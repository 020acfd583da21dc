"""liftlatch predict: what a car would do with a calibration, and without one."""

from __future__ import annotations

from pathlib import Path

import click

from bench.facts import command_line, json_option, print_json
from bench.options import SEED, Number, Whole, calibration_option, distance_option, out_option, vehicle_option

_FITTED = 100  # cars, unless told otherwise


@click.command()
@vehicle_option("The car's file.")
@calibration_option("The calibration to run.")
@click.option(
    "--seed", type=SEED, default=1, show_default=True, metavar="N",
    help="Chooses noise, road and scatter; the same seed gives the same runs.",
)  # fmt: skip
@click.option(
    "--noise", "noise_mm", type=Number(0, 100), metavar="MM",
    help="Standard deviation of the sensor's noise, instead of the car's own.",
)  # fmt: skip
@click.option(
    "--road", type=click.Choice(["A", "B", "C", "D"]),
    help="Roughness under the sensor by ISO 8608; level unless given.",
)  # fmt: skip
@distance_option("How far to drive:", "1320")
@click.option(
    "--spread", type=Whole(0, 100_000), metavar="N",
    help="Also drive N cars scattered as the car's file says, and give shares of them."
    "  [default: 100 of a car that was fitted, else 0]",
)  # fmt: skip
@out_option(
    "Write report.html, predict.svg, summary.json, trace.csv (for replay), motion.csv and motion_without.csv"
    " there."
)
@json_option
def predict(
    vehicle_path: Path,
    calibration_path: Path,
    seed: int,
    noise_mm: float | None,
    road: str | None,
    feet: int,
    spread: int | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Drive a car with a calibration, and the same car without: what would it do?

    A planar model of the car and the controller in closed loop, through the sensor with its noise, its steps
    and its end. Gives lift, flights, landing, bar, torque taken and times by the strip. A model's guess from
    these inputs, and an engineering aid, not a safety device.
    """
    from bench.calibration import load as load_calibration
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.result import result_folder
    from bench.trace.progress import progress_bar
    from bench.vehicle.document import make_document
    from bench.vehicle.facts import make_facts
    from bench.vehicle.files import write_tables
    from bench.vehicle.predict import Options
    from bench.vehicle.predict import predict as drive
    from bench.vehicle.vehicle_file import load as load_vehicle

    vehicle = load_vehicle(vehicle_path)
    calibration = load_calibration(calibration_path)
    if spread is None:
        spread = _FITTED if vehicle.ways else 0
    options = Options(seed, noise_mm, road, feet, spread)
    # The folder first: a long prediction must not end with one that cannot be written.
    with result_folder(out) as folder:
        with progress_bar("driving") as progress:
            done = drive(vehicle, calibration, options, progress)
        facts = make_facts(done, command_line())
        document = make_document(facts, done)
        if folder is not None:
            write(folder, facts, document)
            write_tables(folder, done)
    if as_json:
        print_json(facts)
    else:
        show(document, out)
