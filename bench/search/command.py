"""liftlatch search: settings for a car, sought in its model."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from bench.facts import command_line, json_option, print_json
from bench.options import (
    SEED,
    Number,
    Whole,
    calibration_option,
    cluster_option,
    completes,
    distance_option,
    out_option,
    vehicle_option,
)

if TYPE_CHECKING:
    from bench.search.study import Found

# Of --quick, unless given.
_QUICK = {"population": 12, "generations": 18}
_QUICK_NEAR = 20.0


@click.command()
@vehicle_option("The car's file.")
@calibration_option("The calibration to begin with. What is not sought stays as it is there.")
@click.option(
    "--limit", "limit_texts", multiple=True, required=True, metavar="NAME_UNIT=MOST",
    shell_complete=completes("bench.search.words:limits"),
    help="What must be kept: lift_mm=350, landing_m_per_s=1.0, bar_kn=10; besides, unless given, reversals=15"
    " and, in half of the cars, latches=3 of the command. Give it again for each.",
)  # fmt: skip
@click.option(
    "--fix", "fixed", multiple=True, metavar="KEY", shell_complete=completes("bench.search.words:keys"),
    help="Leave this one as the calibration has it, such as hold_ms. Give it again for each.",
)  # fmt: skip
@click.option(
    "--range", "range_texts", multiple=True, metavar="KEY=A:B",
    shell_complete=completes("bench.search.words:ranges"),
    help="Seek this one only from A to B, such as hold_ms=20:100. Give it again for each.",
)  # fmt: skip
@click.option(
    "--near", type=Number(1, 100), metavar="PERCENT",
    help="Small steps: all others move by so many percent of their usual range at most.",
)  # fmt: skip
@click.option(
    "--share", "share_percent", type=Number(50, 100), default=95, show_default=True,
    metavar="PERCENT", help="In how many of the cars all limits must be kept.",
)  # fmt: skip
@distance_option("Least time to", "660")
@click.option(
    "--road", type=click.Choice(["level", "A", "B", "A+B", "C", "D"]), default="A+B", show_default=True,
    help="Roughness under the sensor by ISO 8608; the tracks differ within the class.",
)  # fmt: skip
@click.option(
    "--spread", type=click.Choice(["wide", "file"]), default="wide", show_default=True,
    help="wide: beside the file's scatter engines of 65 to 115 %, up to four times the sensor's noise, a lag"
    " of up to 20 ms more and other rear suspensions.",
)  # fmt: skip
@click.option(
    "--seed", type=SEED, default=1, show_default=True, metavar="N",
    help="Chooses cars, tracks and what is tried; the same seed gives the same result.",
)  # fmt: skip
@click.option(
    "--cars", type=Whole(8, 10_000), default=48, show_default=True, metavar="N",
    help="Cars that a setting drives in the search.",
)  # fmt: skip
@click.option(
    "--check", type=Whole(8, 100_000), default=200, show_default=True, metavar="N",
    help="Other cars on which the best settings are checked and chosen.",
)  # fmt: skip
@click.option(
    "--population", type=Whole(8, 1000), default=24, show_default=True, metavar="N",
    help="Settings kept from one generation to the next.",
)  # fmt: skip
@click.option(
    "--generations", type=Whole(1, 1000), default=23, show_default=True, metavar="N",
    help="How often each of them is changed.",
)  # fmt: skip
@click.option(
    "--quick", is_flag=True,
    help="A first look, for less than half of the work: coarser steps of the model, and unless given --near"
    " 20 --population 12 --generations 18. It may find nothing within limits: then search without it.",
)  # fmt: skip
@click.option(
    "--take", type=Whole(1), metavar="ROW",
    help="Write the calibration of this row of the trade-off instead of the chosen one. A search that is done"
    " is not done again: give the same command with it.",
)  # fmt: skip
@cluster_option("Drive")
@out_option(
    "Write calibration.toml, report.html, search.svg and summary.json there, and after each generation what"
    " is needed to go on: after Ctrl-C the same command does."
)
@json_option
def search(
    vehicle_path: Path,
    calibration_path: Path,
    limit_texts: tuple[str, ...],
    fixed: tuple[str, ...],
    range_texts: tuple[str, ...],
    near: float | None,
    share_percent: float,
    feet: int,
    road: str,
    spread: str,
    seed: int,
    cars: int,
    check: int,
    population: int,
    generations: int,
    quick: bool,
    take: int | None,
    cluster: str | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Seek settings for a car: the least time with lift, landing and bar within limits.

    Moves the ceilings, the greatest reduction, hold, release and look-ahead of a calibration, and drives a
    model of the car, scattered widely, on tracks of a kind, all settings with the same cars. A reversal of
    the command counts as 0.002 s more, and the search keeps 10 % below the limits asked for. Shows the
    trade-off between time, lift and landing and not one answer only, beside it what was found without
    look-ahead. Exit code 1: nothing that keeps the limits was found, or the row taken does not keep them.

    A model's guess, and an engineering aid, not a safety device: start mild, with bars where the class
    allows, on a prepared track, under the rules and the people responsible there.
    """
    from bench.calibration import load as load_calibration
    from bench.errors import UserError, printable
    from bench.result import replacing
    from bench.search.limits import read_limits, with_defaults
    from bench.search.progress import progress_line
    from bench.search.state import STATE
    from bench.search.study import Options
    from bench.search.study import search as seek
    from bench.search.wishes import read_wishes
    from bench.vehicle.vehicle_file import load as load_vehicle

    limits = with_defaults(read_limits(limit_texts))
    if take is not None and out is None:
        raise UserError("--take writes a calibration", "--take", "give --out DIR too")
    if quick:
        near = _QUICK_NEAR if near is None else near
        population, generations = (
            _QUICK[name] if _not_given(name) else given
            for name, given in (("population", population), ("generations", generations))
        )
    wishes = read_wishes(fixed, range_texts, near)
    vehicle = load_vehicle(vehicle_path)
    start = load_calibration(calibration_path)
    if cluster is not None:
        from bench.sweep.cluster import check_cluster

        check_cluster(cluster)
    options = Options(
        limits, share_percent / 100, feet, None if road == "level" else road, spread == "wide", cars,
        check, population, generations, seed, quick, wishes,
    )  # fmt: skip
    try:
        with progress_line() as watch:
            found = seek(vehicle, start, options, out, cluster, watch, replacing())
    except KeyboardInterrupt:
        if out is not None and (out / STATE).exists():
            kept = f"{printable(str(out))} keeps what was done; the same command goes on from there"
            click.echo(f"liftlatch: {kept}", err=True)
        raise
    if take is not None:
        found = found.take(take)
    _tell(found, out, as_json)
    return 0 if found.kept else 1


def _not_given(name: str) -> bool:
    return click.get_current_context().get_parameter_source(name) is ParameterSource.DEFAULT


def _tell(found: Found, out: Path | None, as_json: bool) -> None:
    """On the screen, and in the folder."""
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.files import whole_folder
    from bench.search.document import make_document
    from bench.search.facts import make_facts
    from bench.search.files import write_found

    facts = make_facts(found, command_line())
    document = make_document(facts, found)
    if out is not None:
        with whole_folder(out) as folder:
            write(folder, facts, document)
            write_found(folder, found)
    if as_json:
        print_json(facts)
    else:
        show(document, out)
