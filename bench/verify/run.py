"""What is run on the device, one after the other: recorded traces, cars, cases of the conformance set."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.console import print_text
from bench.link.line import LinkError
from bench.link.protocol import Feature, Status
from bench.link.target import LocalTarget, RemoteTarget
from bench.trace.text import shown_path
from bench.verify.compare import Options, Tally, compare, context, plan
from bench.verify.facts import TraceResult, difference_text
from bench.verify.judge import Criterion, Difference, Field, Judge, Step
from bench.verify.source import TraceSource
from bench.verify.timing import Pace
from controller import Controller

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration import CalibrationFile
    from bench.conformance.cases import Case
    from bench.link.reading import Reading
    from bench.replay.run import Ints
    from bench.vehicle.step_source import VehicleSource


# What a run on a device may take at most: a device that is slower is of no use.
_RUN_S = 60.0
_TICK_S = 0.1


@dataclass(frozen=True)
class Subject:
    """What is run on the device: a recorded trace, a car that drives along, or a case that was made up.

    `image` and `tick_us` are those of its calibration; with `loads` the device is given it first. `numbers`:
    of its ticks, where they do not count up from FIRST_TICK. `replay_id` gives the id of a tick.
    """

    path: Path
    digest: str
    notes: list[str]
    start_s: float
    source: TraceSource | VehicleSource
    longest: int
    image: bytes
    tick_us: int
    replay_id: Callable[[int, Any], str]
    numbers: Ints | None = None
    loads: bool = False


def recorded(path: Path, reading: Reading, calibration: CalibrationFile) -> Subject:
    """A trace. Raises UserError as reading it does."""
    from bench.verify.replay_id import check_of, replay_id

    trace, inputs, records = reading.inputs(path, calibration)
    image = calibration.image

    def name(tick: int, given: Any) -> str:
        return replay_id(tick, check_of(image, given), path, calibration.path, reading)

    source = TraceSource(records)
    return Subject(
        path,
        trace.digest,
        inputs.notes,
        inputs.start_s,
        source,
        len(records),
        image,
        calibration.tick_us,
        name,
    )


def driven(path: Path, calibration: CalibrationFile, seed: int) -> Subject:
    """A car that moves under what the device commands. Raises UserError for a wrong vehicle file."""
    from bench.vehicle.run import slow
    from bench.vehicle.step_source import VehicleSource
    from bench.vehicle.track import Track
    from bench.vehicle.vehicle_file import load

    vehicle = load(path)
    why = slow()
    source = VehicleSource(vehicle.car, calibration, Track(seed, vehicle.car.sensor_noise))
    notes = [*vehicle.warnings, *([why] if why else [])]
    image, tick_us = calibration.image, calibration.tick_us
    # The car went where the device's own answers took it, so that no file holds its inputs.
    return Subject(
        path, vehicle.digest, notes, 0.0, source, source.longest, image, tick_us, lambda tick, given: ""
    )


def made_up(case: Case, name: str) -> Subject:
    """A case of the conformance set, or of the same kind; the device is given its calibration first."""
    from bench.conformance.cases import case_id, digest_of_case

    numbers, records = case.whole
    return Subject(
        Path(name), digest_of_case(case), [], 0.0, TraceSource(records), len(records), case.image,
        case.tick_us, lambda tick, given: case_id(case, tick), numbers, True,
    )  # fmt: skip


def run_all(
    target: RemoteTarget,
    options: Options,
    subjects: list[Subject],
    real_time: bool,
    criterion: Criterion,
    console: Console,
) -> list[TraceResult]:
    """What came of each subject, up to the first with which the link failed."""
    results: list[TraceResult] = []
    for subject in subjects:
        for note in subject.notes:
            print_text(console, f"{shown_path(subject.path.name)}: {note}", rest="  ")
        results.append(run_one(target, options, subject, real_time, criterion))
        print_verdict(console, results[-1])
        if results[-1].tally.error is not None:
            break
    return results


def run_one(
    target: RemoteTarget, options: Options, subject: Subject, real_time: bool, criterion: Criterion
) -> TraceResult:
    """What came of one subject."""
    host = target.host
    resent, damaged, begun = host.resent, host.damaged, host.line.now()
    pace = Pace(subject.tick_us) if real_time else None
    judge = None if criterion.exact else Judge(criterion, subject.image)
    tally, seconds = _loaded(target, subject)
    if tally is None:
        tally, seconds = _compare(target, subject, options, subject.source, subject.longest, pace, judge)
    records = subject.source.records
    found = tally.difference
    if found is not None and found.digest_only and found.since < found.tick and tally.error is None:
        # Only the state differed: once more, those ticks one by one.
        fine = replace(options, fine=range(found.since, found.tick + 1))
        again = TraceSource(records[: found.tick + 1])
        finer, _ = _compare(target, subject, fine, again, found.tick + 1, None, None)
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
        tick_us=subject.tick_us,
        start_s=subject.start_s,
        tally=tally,
        context=context(tally),
        seconds=seconds,
        resent=host.resent - resent,
        damaged=host.damaged - damaged,
        replay_id=subject.replay_id(tick, records),
        pace=pace,
        compared=criterion.compared(),
        lag=judge.lag if judge is not None and criterion.lag != range(1) else None,
    )


def _loaded(target: RemoteTarget, subject: Subject) -> tuple[Tally | None, float]:
    """Give the device the subject's calibration where it brings one; what is wrong then, None if nothing."""
    if not subject.loads:
        return None, 0.0
    tally = Tally()
    begun = target.host.line.now()
    try:
        verdict = target.load(subject.image)
        crc = int.from_bytes(subject.image[8:12], "little")
        if verdict:
            tally.difference = Difference(0, 0, (Field("verdict on the image", 0, verdict),))
        elif (target.greeting.image_crc, target.greeting.tick_us) != (crc, subject.tick_us):
            tally.difference = Difference(
                0, 0, (Field("image that is active", crc, target.greeting.image_crc),)
            )
    except LinkError as error:
        tally.error = error
    wrong = tally.difference is not None or tally.error is not None
    return tally if wrong else None, target.host.line.now() - begun


def _compare(
    target: RemoteTarget,
    subject: Subject,
    options: Options,
    source: TraceSource | VehicleSource,
    total: int,
    pace: Pace | None,
    judge: Judge | None,
) -> tuple[Tally, float]:
    """The comparison of one run of at most `total` ticks, and how long the device took."""
    from bench.trace.progress import progress_bar

    reference = LocalTarget(Controller())
    reference.load(subject.image)
    digest = reference.start()
    largest = target.greeting.largest
    steps: Iterator[Step | None] = plan(source, reference, largest, options, subject.numbers)
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
    limit = _RUN_S + total * max(_TICK_S, 2e-6 * subject.tick_us)
    with _live(subject.path.name, total, target) as live:
        tally = compare(target, steps, source, digest, options, live, pace, judge, limit)
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


def print_verdict(console: Console, result: TraceResult) -> None:
    """One line, and the replay id of a difference."""
    print_text(console, _verdict(result), rest="  ")
    if result.verdict == "different" and result.replay_id:
        # On one line however long it is, so that it can be copied.
        console.print(f"  replay id {result.replay_id}", markup=False, soft_wrap=True)


def _verdict(result: TraceResult) -> str:
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


def status_of(target: RemoteTarget) -> tuple[Status | None, LinkError | None]:
    """The device's counters, or why there are none."""
    if Feature.STATUS not in target.greeting.features:
        return None, None
    try:
        return target.status(), None
    except LinkError as error:
        return None, error


def no_counters(why: LinkError | None) -> str:
    """Why a device that gave no counters did not."""
    return str(why) if why is not None else "it keeps none"
