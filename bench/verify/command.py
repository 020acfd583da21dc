"""liftlatch verify: a device against the reference, tick by tick."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

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
    vehicle_option,
)
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration import CalibrationFile
    from bench.link.line import LinkError
    from bench.link.protocol import Status
    from bench.link.reading import Reading
    from bench.link.target import RemoteTarget
    from bench.trace.choice import ColumnChoice
    from bench.vehicle.step_source import VehicleSource
    from bench.verify.compare import Options, Tally
    from bench.verify.facts import TraceResult
    from bench.verify.judge import Criterion, Judge
    from bench.verify.source import TraceSource
    from bench.verify.timing import Pace


@click.command(epilog=CAUTIONS)
@click.argument("traces", type=TRACE_FILE, nargs=-1, metavar="[TRACE...]")
@vehicle_option(
    "Also, or instead, let a model of this car drive: the device's answers move it.", required=False
)
@click.option(
    "--seed", type=SEED, default=1, show_default=True, metavar="N",
    help="Chooses the noise of the car's sensor.",
)  # fmt: skip
@click.option(
    "--port", metavar="PORT",
    help="Serial port of the device: /dev/ttyUSB0, COM3, socket://HOST:PORT, rfc2217://HOST:PORT.",
)  # fmt: skip
@click.option(
    "--emulated", is_flag=True, help="Start an emulated board with the firmware on it, and use that."
)
@board_option
@calibration_option("The calibration to load into the device.")
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
def verify(traces: tuple[Path, ...], calibration_path: Path, as_json: bool, **given: Any) -> None:
    """Run TRACE on a device and on the reference, and compare every output of every tick.

    Loads the calibration into the device, feeds it each trace from power-up, and names the first tick at
    which it differs, and how. With --vehicle a model of the car drives, tick by tick, under what the device
    commands. Exit code 0: equal; 1: different; 2: wrong usage or a failed link.
    """
    from bench.calibration import load
    from bench.console import make_console
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.errors import UserError
    from bench.files import whole_folder
    from bench.link.host import DeviceError
    from bench.link.line import LinkError
    from bench.link.reading import Reading
    from bench.verify.compare import Options
    from bench.verify.connect import board, connect
    from bench.verify.document import make_document
    from bench.verify.facts import make_facts
    from bench.verify.files import write_tables
    from bench.verify.judge import parse

    if given["max_late"] is not None and not given["real_time"]:
        raise UserError("is for --real-time", "--max-late", "give both, or neither")
    vehicle_path: Path | None = given["vehicle_path"]
    if not traces and vehicle_path is None:
        raise UserError("nothing to run", "TRACE, --vehicle", "name a trace, a car, or both")
    choice: ColumnChoice = given["choice"]
    reading = Reading(given["max_gap"], given["speed"], given["launch_at"], choice)
    real_time: bool = given["real_time"]
    criterion = parse(given["outputs"], given["tolerance"], given["lag"], not real_time)
    options = Options(window=given["window"], most=given["ticks_per_frame"] or (1 if real_time else 0))
    calibration = load(calibration_path)
    out: Path | None = given["out"]
    console = make_console(err=as_json)
    with whole_folder(out) if out else nullcontext(None) as folder, board(given):
        subjects = [_recorded(path, reading, calibration) for path in traces]
        if vehicle_path is not None:
            subjects.append(_driven(vehicle_path, calibration, given["seed"]))
        target = connect(given, calibration, console)
        if not target.has_digest:
            criterion = replace(criterion, digest=False)
        options = replace(options, digest=criterion.digest)
        results = _run_all(target, calibration, options, subjects, real_time, criterion, console)
        failed = results[-1].tally.error
        status, no_status = (None, failed) if failed else _status(target)
        how = _how(given, calibration, options, target, criterion) | {"no_counters": _no_counters(no_status)}
        facts = make_facts(results, target.greeting, status, how)
        document = make_document(facts, results, calibration)
        if folder is not None:
            write(folder, facts, document)
            write_tables(folder, results)
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
    if any(result.verdict == "different" for result in results) or target.host.twice:
        click.get_current_context().exit(1)
    if _too_late(results, given["max_late"]):
        click.get_current_context().exit(1)
    if no_status is not None and not isinstance(no_status, DeviceError):
        raise no_status


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


def _run_all(
    target: RemoteTarget,
    calibration: CalibrationFile,
    options: Options,
    subjects: list[_Subject],
    real_time: bool,
    criterion: Criterion,
    console: Console,
) -> list[TraceResult]:
    """What came of each subject, up to the first with which the link failed."""
    from bench.console import print_text
    from bench.trace.text import shown_path

    results: list[TraceResult] = []
    for subject in subjects:
        for note in subject.notes:
            print_text(console, f"{shown_path(subject.path.name)}: {note}", rest="  ")
        results.append(_run(target, calibration, options, subject, real_time, criterion))
        _print_verdict(console, results[-1])
        if results[-1].tally.error is not None:
            break
    return results


def _how(
    given: dict[str, Any],
    calibration: CalibrationFile,
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
        "calibration": str(calibration.path),
        "calibration_sha256": calibration.digest,
        "image_crc32": f"{calibration.crc:08x}",
    }


@dataclass(frozen=True)
class _Subject:
    """What is run on the device: a recorded trace, or a car that drives along."""

    path: Path
    digest: str
    notes: list[str]
    start_s: float
    source: TraceSource | VehicleSource
    longest: int
    replay_id: Callable[[int, bytes, Any], str]


def _recorded(path: Path, reading: Reading, calibration: CalibrationFile) -> _Subject:
    from bench.verify.replay_id import check_of, replay_id
    from bench.verify.source import TraceSource

    trace, inputs, records = reading.inputs(path, calibration)

    def name(tick: int, image: bytes, given: Any) -> str:
        return replay_id(tick, check_of(image, given), path, calibration.path, reading)

    source = TraceSource(records)
    return _Subject(path, trace.digest, inputs.notes, inputs.start_s, source, len(records), name)


def _driven(path: Path, calibration: CalibrationFile, seed: int) -> _Subject:
    from bench.vehicle.run import slow
    from bench.vehicle.step_source import VehicleSource
    from bench.vehicle.track import Track
    from bench.vehicle.vehicle_file import load

    vehicle = load(path)
    why = slow()
    source = VehicleSource(vehicle.car, calibration, Track(seed, vehicle.car.sensor_noise))
    notes = [*vehicle.warnings, *([why] if why else [])]
    # The car went where the device's own answers took it, so that no file holds its inputs.
    return _Subject(path, vehicle.digest, notes, 0.0, source, source.longest, lambda tick, image, given: "")


def _run(
    target: RemoteTarget,
    calibration: CalibrationFile,
    options: Options,
    subject: _Subject,
    real_time: bool,
    criterion: Criterion,
) -> TraceResult:
    from bench.verify.compare import context
    from bench.verify.facts import TraceResult
    from bench.verify.judge import Judge
    from bench.verify.source import TraceSource
    from bench.verify.timing import Pace

    host = target.host
    resent, damaged, begun = host.resent, host.damaged, host.line.now()
    pace = Pace(calibration.tick_us) if real_time else None
    name = subject.path.name
    judge = None if criterion.exact else Judge(criterion, calibration.image)
    source, longest = subject.source, subject.longest
    tally, seconds = _compare(target, calibration, options, name, source, longest, pace, judge)
    records = subject.source.records
    found = tally.difference
    if found is not None and found.digest_only and found.since < found.tick and tally.error is None:
        # Only the state differed: once more, those ticks one by one.
        fine = replace(options, fine=range(found.since, found.tick + 1))
        again = TraceSource(records[: found.tick + 1])
        finer, _ = _compare(target, calibration, fine, name, again, found.tick + 1, None, None)
        if finer.difference is not None:
            tally = finer
    if pace is None:
        begun = host.line.now() - begun
    tick = tally.difference.tick if tally.difference else 0
    return TraceResult(
        name=subject.path.stem,
        path=str(subject.path),
        trace_sha256=subject.digest,
        total=len(records),
        tick_us=calibration.tick_us,
        start_s=subject.start_s,
        tally=tally,
        context=context(tally),
        seconds=seconds,
        resent=host.resent - resent,
        damaged=host.damaged - damaged,
        replay_id=subject.replay_id(tick, calibration.image, records),
        pace=pace,
        compared=criterion.compared(),
        lag=judge.lag if judge is not None and criterion.lag != range(1) else None,
    )


def _compare(
    target: RemoteTarget,
    calibration: CalibrationFile,
    options: Options,
    name: str,
    source: TraceSource | VehicleSource,
    total: int,
    pace: Pace | None,
    judge: Judge | None,
) -> tuple[Tally, float]:
    """The comparison of one run of at most `total` ticks, and how long the device took."""
    from bench.link.target import LocalTarget
    from bench.trace.progress import progress_bar
    from bench.verify.compare import compare, plan
    from bench.verify.judge import Step
    from bench.verify.source import TraceSource
    from controller import Controller

    reference = LocalTarget(Controller())
    reference.load(calibration.image)
    digest = reference.start()
    steps: Iterator[Step | None] = plan(source, reference, target.greeting.largest, options)
    if isinstance(source, TraceSource):
        # The right answers first, so that the reference costs no time between two steps.
        known: list[Step | None] = []
        with progress_bar("reference") as progress:
            for step in steps:
                known.append(step)
                if step is not None:
                    progress((step.start + len(step.inputs)) / total)
        steps = iter(known)
    begun = target.host.line.now()
    with _live(name, total, target) as live:
        tally = compare(target, steps, source, digest, options, live, pace, judge)
    return tally, target.host.line.now() - begun


@contextmanager
def _live(name: str, total: int, target: RemoteTarget) -> Iterator[Callable[[Tally], None]]:
    """A progress line on the terminal: ticks, rate, retries, first difference."""
    if not sys.stderr.isatty():
        yield lambda tally: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    line = Progress(
        TextColumn(name), BarColumn(), TextColumn("{task.fields[text]}"), TimeRemainingColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip
    task = line.add_task(name, total=total, text="")
    begun = target.host.line.now()

    def report(tally: Tally) -> None:
        rate = tally.ticks / max(target.host.line.now() - begun, 1e-3)
        found = f"differs at tick {tally.difference.tick}" if tally.difference else "equal so far"
        text = f"{tally.ticks}/{total} ticks, {rate:.0f} a second, {target.host.resent} retries, {found}"
        line.update(task, completed=tally.ticks, text=text)

    with line:
        yield report


def _print_verdict(console: Console, result: TraceResult) -> None:
    from bench.console import print_text

    print_text(console, _verdict(result), rest="  ")
    if result.verdict == "different" and result.replay_id:
        # On one line however long it is, so that it can be copied.
        console.print(f"  replay id {result.replay_id}", markup=False, soft_wrap=True)


def _verdict(result: TraceResult) -> str:
    from bench.trace.text import shown_path
    from bench.verify.facts import difference_text

    tally = result.tally
    name = shown_path(Path(result.path).name)
    retries = f", {result.resent} retries" if result.resent else ""
    if result.verdict == "different":
        return f"{name}: different at {difference_text(result)}"
    compared = f"{tally.ticks} ticks"
    if result.verdict == "link":
        return f"{name}: {compared} of {result.total} equal, then the link failed{retries}"
    text = (
        f"{name}: equal, {compared} in {tally.frames} frames ({result.compared}), {result.rate:.0f} a second"
        f"{retries}"
    )
    if result.lag is not None:
        text += f"\nit answers {result.lag} ticks late"
    if tally.stalls:
        text += f"\nits outputs went to the safe state {tally.stalls} times, for want of inputs"
    if result.pace is not None and (facts := result.pace.facts()):
        text += (
            f"\nlatency median {facts['latency_ms_median']:.3f} ms, 99 % {facts['latency_ms_99']:.3f} ms,"
            f" worst {facts['latency_ms_worst']:.3f} ms; {facts['device_late_ticks']} ticks late by the"
            f" device, {facts['host_late_ticks']} by this machine;"
            f" sent up to {facts['send_jitter_ms_worst']:.3f} ms after their moment"
        )
        if facts["behind_ms_at_end"] * 1000 > result.tick_us:
            text += f", and {facts['behind_ms_at_end']:.3f} ms behind at the end: it did not catch up"
    return text


def _status(target: RemoteTarget) -> tuple[Status | None, LinkError | None]:
    """The device's counters, or why there are none."""
    from bench.link.line import LinkError
    from bench.link.protocol import Feature

    if Feature.STATUS not in target.greeting.features:
        return None, None
    try:
        return target.status(), None
    except LinkError as error:
        return None, error


def _no_counters(why: LinkError | None) -> str:
    """Why a device that gave no counters did not."""
    return str(why) if why is not None else "it keeps none"
