"""liftlatch verify: a device against the reference, tick by tick."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.blackbox.options import within_option
from bench.cautions import CAUTIONS
from bench.facts import json_option, print_json
from bench.options import (
    SEED,
    TRACE_FILE,
    Number,
    Whole,
    baud_option,
    board_option,
    calibration_option,
    input_options,
    out_option,
    port_option,
    vehicle_option,
)
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration import CalibrationFile
    from bench.link.line import LinkError
    from bench.link.target import RemoteTarget
    from bench.verify.compare import Options
    from bench.verify.facts import TraceResult
    from bench.verify.judge import Criterion
    from bench.verify.made_up import Made
    from bench.verify.run import Subject


@click.command(epilog=CAUTIONS)
@click.argument("traces", type=TRACE_FILE, nargs=-1, metavar="[TRACE...]")
@vehicle_option(
    "Also, or instead, let a model of this car drive: the device's answers move it.", required=False
)
@click.option(
    "--seed", type=SEED, default=1, show_default=True, metavar="N",
    help="Chooses the noise of the car's sensor, or the first of the generated cases.",
)  # fmt: skip
@port_option
@click.option(
    "--emulated", is_flag=True, help="Start an emulated board with the firmware on it, and use that."
)
@board_option
@calibration_option("The calibration to load into the device.", required=False)
@click.option(
    "--conformance", is_flag=True,
    help="Instead of traces: the conformance set, which a port is held against; it brings its calibrations.",
)  # fmt: skip
@click.option(
    "--generated", type=Whole(1, 100_000), metavar="N",
    help="Instead of traces: N made-up cases, made from the seeds from --seed on.",
)  # fmt: skip
@click.option(
    "--black-box", is_flag=True,
    help="The port is that of a box, which plays to a controller that runs by itself and captures its sparks"
    " and injectors; the controller has --calibration already. Without TRACE: runs made for it.",
)  # fmt: skip
@within_option
@baud_option
@click.option(
    "--window", type=Whole(1, 255), default=1, show_default=True, metavar="N",
    help="Steps under way at a time; 1 is lock step. No more than the device allows.",
)  # fmt: skip
@click.option(
    "--ticks-per-frame", "ticks_per_frame", type=Whole(1, 255), metavar="K",
    help="Ticks in a step; as many as fit into the device's largest frame unless given, 1 in real time.",
)  # fmt: skip
@click.option(
    "--real-time", is_flag=True,
    help="Send each step at its moment and report latency, late ticks and jitter. Compares outputs, but"
    " not the state's digest.",
)  # fmt: skip
@click.option(
    "--max-late", type=Whole(0), metavar="N",
    help="With --real-time: more than N ticks late by the device are a finding, exit code 1; by this machine,"
    " no result, exit code 2. A USB serial adapter gathers bytes for a while (its latency timer, 16 ms with"
    " some) and makes every answer late.",
)  # fmt: skip
@click.option(
    "--timeout", type=Number(0.01, 60), default=0.5, show_default=True, metavar="S",
    help="Repeat a request that is not answered within this time, 9 times at most.",
)  # fmt: skip
@click.option(
    "--outputs", metavar="NAMES",
    help="Compare only these, for a controller of other make: for example reduction,retard,events.",
)  # fmt: skip
@click.option(
    "--tolerance", metavar="NAME=N,...",
    help="How far an output may be off, in its own unit: reduction=1 is 0.1 %, retard=1 is 0.1 degree;"
    " events=4 lets so many more or fewer be skipped since the start.",
)  # fmt: skip
@click.option(
    "--lag", metavar="FROM:TO",
    help="Let the device answer so many ticks late, the same all along; how many is found and said.",
)  # fmt: skip
@click.option(
    "--disarm", is_flag=True,
    help="A device that was left armed, or with torque taken, is first stepped with arming off until it is at"
    " rest; only for one that is fed over the line.",
)  # fmt: skip
@click.option("--firmware", metavar="TEXT", help="Refuse a device whose firmware calls itself otherwise.")
@out_option(
    "Write report.html, verify.json, junit.xml and, for a difference, its context as CSV and picture there."
)
@input_options
@json_option
@trace_options
def verify(traces: tuple[Path, ...], calibration_path: Path | None, as_json: bool, **given: Any) -> None:
    """Run TRACE on a device and on the reference, and compare every output of every tick.

    Loads the calibration into the device, feeds it each trace from power-up, and names the first tick at
    which it differs, and how. With --vehicle a model of the car drives, tick by tick, under what the device
    commands. With --conformance or --generated the cases are made up; a generated one that differs is made
    small, and its replay id told. With --black-box a controller that runs by itself is judged from outside.
    Exit code 0: equal; 1: different; 2: wrong usage or a failed link.
    """
    if given.pop("black_box"):
        from bench.blackbox.verify import black_box

        black_box(traces, calibration_path, as_json, given)
        return
    from bench.console import make_console
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.link.host import DeviceError
    from bench.link.line import LinkError
    from bench.result import result_folder
    from bench.verify.compare import Options
    from bench.verify.connect import board, connect, meet
    from bench.verify.document import make_document
    from bench.verify.facts import make_facts
    from bench.verify.files import write_tables
    from bench.verify.judge import parse
    from bench.verify.made_up import check_device
    from bench.verify.run import no_counters, run_all, status_of

    calibration, made, subjects = _what_to_run(traces, calibration_path, given)
    real_time: bool = given["real_time"]
    criterion = parse(given["outputs"], given["tolerance"], given["lag"], not real_time)
    options = Options(window=given["window"], most=given["ticks_per_frame"] or (1 if real_time else 0))
    out: Path | None = given["out"]
    console = make_console(err=as_json)
    with result_folder(out) as folder, board(given):
        target = meet(given, console) if calibration is None else connect(given, calibration, console)
        if made is not None:
            check_device(target)
        if not target.has_digest:
            criterion = replace(criterion, digest=False)
        options = replace(options, digest=criterion.digest)
        results = run_all(target, options, subjects(), real_time, criterion, console)
        failed = results[-1].tally.error
        besides, failed = _besides(made, target, results, options, criterion, console, failed)
        status, no_status = (None, failed) if failed else status_of(target)
        how = _how(given, calibration, options, target, criterion) | {"no_counters": no_counters(no_status)}
        facts = make_facts(results, target.greeting, status, how, besides)
        document = make_document(facts, results, calibration)
        if folder is not None:
            write(folder, facts, document)
            write_tables(folder, results, facts["made"])
        with suppress(LinkError):  # the verdict stands; a device that is gone takes no torque from us
            if not failed:
                target.leave()
        target.host.line.close()
    if as_json:
        print_json(facts)
    else:
        show(document, out)
    if failed is not None:
        raise failed
    if facts["verdict"] == "different" or target.host.twice:
        click.get_current_context().exit(1)
    if _too_late(results, given["max_late"]):
        click.get_current_context().exit(1)
    if no_status is not None and not isinstance(no_status, DeviceError):
        raise no_status


def _what_to_run(
    traces: tuple[Path, ...], calibration_path: Path | None, given: dict[str, Any]
) -> tuple[CalibrationFile | None, Made | None, Callable[[], list[Subject]]]:
    """(the calibration, or None where each case brings its own; the made-up cases, if any; what is run).

    Raises UserError for what does not go together, and as reading the files does.
    """
    from bench.calibration import load
    from bench.errors import UserError
    from bench.link.reading import Reading
    from bench.verify.made_up import check_use, chosen
    from bench.verify.run import driven, recorded

    for name, option, needs in (("within", "--within", "black_box"), ("max_late", "--max-late", "real_time")):
        if given[name] is not None and not given.get(needs):
            raise UserError(f"is for --{needs.replace('_', '-')}", option, "give both, or neither")
    if check_use(given, traces, calibration_path):
        made = chosen(given["conformance"], given["generated"], given["seed"])
        return None, made, made.subjects
    vehicle_path: Path | None = given["vehicle_path"]
    if not traces and vehicle_path is None:
        right = "name a trace, a car, or both; or give --conformance or --generated N"
        raise UserError("nothing to run", "TRACE, --vehicle", right)
    if calibration_path is None:
        raise UserError("is missing", "--calibration", "name the calibration to load into the device")
    reading = Reading(given["max_gap"], given["speed"], given["launch_at"], given["choice"])
    calibration = load(calibration_path)

    def subjects() -> list[Subject]:
        found = [recorded(path, reading, calibration) for path in traces]
        if vehicle_path is not None:
            found.append(driven(vehicle_path, calibration, given["seed"]))
        return found

    return calibration, None, subjects


def _besides(
    made: Made | None,
    target: RemoteTarget,
    results: list[TraceResult],
    options: Options,
    criterion: Criterion,
    console: Console,
    failed: LinkError | None,
) -> tuple[dict[str, Any] | None, LinkError | None]:
    """What made-up cases say besides their results, as plain values; and why the link failed, if it did."""
    from bench.link.line import LinkError
    from bench.verify.made_up import shrunk, wrong_images

    if made is None:
        return None, failed
    facts = made.facts(target.greeting.largest) | {"wrong_images": [], "shrunk": []}
    try:
        if failed is None:
            facts["wrong_images"] = wrong_images(target, made.images, made.cases[0].image, console)
        if failed is None and made.of_set is None:
            facts["shrunk"] = shrunk(target, made, results, options, criterion, console)
    except LinkError as error:
        failed = error
    return facts, failed


def _too_late(results: list[TraceResult], most: int | None) -> bool:
    """Whether the device answered too many ticks late. Raises UserError where this machine was late."""
    from bench.errors import UserError

    paces = [result.pace for result in results if result.pace is not None]
    if most is None:
        return False
    if any(pace.device_late_ticks > most for pace in paces):
        return True
    ours = sum(pace.host_late_ticks for pace in paces)
    if ours > most:
        right = "end other programs, or give more ticks a frame"
        raise UserError(f"this machine sent {ours} ticks too late, so nothing is known", "--max-late", right)
    return False


def _how(
    given: dict[str, Any],
    calibration: CalibrationFile | None,
    options: Options,
    target: RemoteTarget,
    criterion: Criterion,
) -> dict[str, Any]:
    """How it was run, as plain values."""
    from bench.link.protocol import Feature

    return {
        "port": given["port"],
        "window": min(options.window, target.greeting.window),
        "real_time": given["real_time"],
        "older_calibration_met": target.met.older,
        "own_calibration": Feature.OWN_CALIBRATION in target.greeting.features,
        "compared": criterion.compared(),
        "not_compared": criterion.not_compared(),
        "calibration": str(calibration.path) if calibration else None,
        "calibration_sha256": calibration.digest if calibration else None,
        "image_crc32": f"{calibration.crc:08x}" if calibration else None,
    }
