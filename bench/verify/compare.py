"""The run itself: steps to the device, answers against the reference, the first difference."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.protocol import (
    INPUT,
    MOST_TICKS,
    Feature,
    Kind,
    Malformed,
    Records,
    StepAnswer,
    pack_step,
    split_stall,
)
from bench.link.target import LocalTarget, RemoteTarget, fitting
from bench.verify.judge import Difference, Field, Judge, Step, first_difference
from bench.verify.source import StepSource
from bench.verify.timing import Pace

FIRST_TICK = 65000
"""Number of a run's first tick: soon enough before the counter wraps that every run longer than 536 ticks
tries it."""

BEFORE = 60
AFTER = 40
"""How many ticks before and after the first difference are kept."""


@dataclass(frozen=True)
class Options:
    """How to run. `window` 1 is lock step; `most` 0 is as many ticks in a frame as fit."""

    window: int = 1
    most: int = 0
    digest: bool = True
    fine: range = range(0)
    """Ticks to be sent one in a frame."""


@dataclass(frozen=True)
class Context:
    """Ticks around the first difference, from `start` on: inputs, right and given outputs, arrays of one
    length."""

    start: int
    inputs: Records
    expected: Records
    got: Records


@dataclass
class Tally:
    """What was compared so far. `misread` counts answers that were given twice, differently: a finding."""

    ticks: int = 0
    frames: int = 0
    misread: int = 0
    stalls: int = 0
    digests: int = 0
    difference: Difference | None = None
    error: LinkError | None = None
    recent: deque[tuple[Step, StepAnswer]] = field(default_factory=deque)


def plan(
    source: StepSource,
    reference: LocalTarget,
    largest: int,
    options: Options,
    numbers: npt.NDArray[Any] | None = None,
) -> Iterator[Step | None]:
    """The steps of a run with the right answers, in order; None where the source waits for answers.

    `numbers`: of the run's ticks, uint16[n]; they count up from FIRST_TICK where none are given.
    """
    start = 0
    ends = _stretches(numbers) if numbers is not None else None
    rest: Records = np.zeros(0, INPUT)
    ended = False
    while True:
        most = options.most or MOST_TICKS
        more = None if ended or len(rest) >= most else source.next(most - len(rest))
        if more is not None:
            ended = not len(more)
            rest = np.concatenate((rest, more))
        if not len(rest):
            if ended:
                return
            yield None
            continue
        if start in options.fine:
            most = 1
        elif start < options.fine.start:
            most = min(most, options.fine.start - start)
        first = FIRST_TICK + start
        if numbers is not None and ends is not None:
            first, most = int(numbers[start]), min(most, int(ends[start]) - start)
        ticks = fitting(rest, largest, most)
        body = pack_step(first, rest[:ticks], options.digest)
        yield Step(start, rest[:ticks], body, reference.answer(body))
        start += ticks
        rest = rest[ticks:]


def _stretches(numbers: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """For each tick (numbers uint16[n], whose differences wrap) where the stretch of ticks ends of which each
    has the number after that of the last."""
    breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
    edges = np.append(breaks, len(numbers))
    return edges[np.searchsorted(breaks, np.arange(len(numbers)), side="right")]


def compare(
    target: RemoteTarget,
    steps: Iterator[Step | None],
    source: StepSource,
    reference_digest: int,
    options: Options,
    progress: Callable[[Tally], None] = lambda tally: None,
    pace: Pace | None = None,
    judge: Judge | None = None,
    limit_s: float = math.inf,
) -> Tally:
    """Start the device, send the steps and compare, until the end or shortly after the first difference.

    Without a `judge` every bit of an answer must be the reference's; with one, what its criterion says.

    A link that fails ends the run, and so does a device that takes more than `limit_s`; `error` of the tally
    then says how, and what was compared before counts.
    """
    tally = Tally()
    try:
        with target.host.within(limit_s, "this run"):
            _compare(target, steps, source, reference_digest, options, progress, pace, judge, tally)
    except LinkError as error:
        tally.error = error
    return tally


def _compare(
    target: RemoteTarget,
    steps: Iterator[Step | None],
    source: StepSource,
    reference_digest: int,
    options: Options,
    progress: Callable[[Tally], None],
    pace: Pace | None,
    judge: Judge | None,
    tally: Tally,
) -> None:
    host = target.host
    digest = target.start()
    has_digest = Feature.DIGEST in target.greeting.features and (judge is None or judge.criterion.exact)
    if has_digest and digest != reference_digest:
        tally.difference = Difference(0, 0, (Field("digest", reference_digest, digest),))
        return
    window = min(options.window, target.greeting.window)
    waiting: deque[Step] = deque()
    held: Step | None = None
    more = True
    while True:
        if held is None and more:
            try:
                held = next(steps)
            except StopIteration:
                more = False
        may_send = held is not None and host.under_way < window
        wait = pace.wait(held.start, host.line.now()) if pace and held and may_send else 0.0
        if held is not None and may_send and wait <= 0:
            host.post(Kind.STEP, held.body)
            waiting.append(held)
            held = None
        elif waiting:
            answer = host.next_answer(wait if may_send else None)
            if answer is None:
                continue
            step = waiting.popleft()
            if pace:
                pace.answered(step.start, len(step.inputs), host.sent_at, host.latency_s)
            if not _take(host, step, answer, tally, judge):
                host.drain()
                return
            source.learn(tally.recent[-1][1])
            progress(tally)
        elif held is not None:
            host.idle(wait)
        elif more:
            raise LinkError("the source of the steps waits for answers to nothing", host.line.name)
        else:
            tally.difference = _answered_twice(host, tally)
            return


def _take(host: Host, step: Step, answer: bytes, tally: Tally, judge: Judge | None) -> bool:
    """Compare one answer; whether to go on."""
    told = answer
    answer, stalled = split_stall(answer)
    tally.stalls += stalled
    right = StepAnswer.unpack(step.expected)
    stepped, found = right, None
    malformed: Malformed | None = None
    try:
        stepped = StepAnswer.unpack(answer)
        if judge is not None and tally.difference is None:
            found = judge.take(step, right, stepped)
        elif answer != step.expected:
            found = first_difference(step, right, stepped)
    except Malformed as error:
        malformed = error
    other = stepped.request_crc != right.request_crc
    if (found or malformed or other) and tally.difference is None:
        # An answer is kept and must come again byte for byte: damage that the CRC of a frame missed, or a
        # device that does not keep its answers, shows itself here and is said, whichever of the two is right.
        again = host.again()
        if again != told:
            host.twice.append((told, again))
        elif malformed:
            raise malformed
    _remember(tally, step, stepped)
    if tally.difference is None:
        twice = _answered_twice(host, tally)
        if twice is None and other:
            what = f"the device got other inputs at tick {step.start} than were sent"
            raise LinkError(what, host.line.name, "try again; the line is too bad for the CRC of a frame")
        found = twice or found
        if found is None:
            tally.ticks = step.start + len(step.inputs)
            tally.frames += 1
            tally.digests += stepped.flags & 1
            return True
        tally.ticks = found.tick
        tally.difference = found
    return not _complete(tally)


def _answered_twice(host: Host, tally: Tally) -> Difference | None:
    """The finding that a request was answered twice, differently; None where none was."""
    if not host.twice:
        return None
    first, second = host.twice[0]
    host.twice.clear()
    tally.misread += 1
    step = tally.recent[-1][0] if tally.recent else Step(0, np.zeros(0, INPUT), b"", b"")
    for known, _ in tally.recent:
        if first[:4] == known.expected[:4]:
            step = known
    fields = (Field("answer", len(second), len(first)),)
    try:
        found = first_difference(step, StepAnswer.unpack(second), StepAnswer.unpack(first))
    except Malformed:
        found = None
    if found is None:
        return Difference(step.start, step.start, fields, twice=True)
    return Difference(found.tick, found.since, found.fields, twice=True)


def _remember(tally: Tally, step: Step, stepped: StepAnswer) -> None:
    tally.recent.append((step, stepped))
    if tally.difference is None:
        while len(tally.recent) > 1 and tally.recent[1][0].start + BEFORE < step.start:
            tally.recent.popleft()


def _complete(tally: Tally) -> bool:
    """Whether enough was seen after the difference."""
    assert tally.difference is not None
    step, _ = tally.recent[-1]
    return step.start + len(step.inputs) > tally.difference.tick + AFTER


def context(tally: Tally) -> Context | None:
    """The ticks around the difference; None without one."""
    if tally.difference is None or not tally.recent:
        return None
    pairs = [
        (step, StepAnswer.unpack(step.expected).outputs, got.outputs)
        for step, got in tally.recent
        if len(got.outputs) == len(step.inputs)
    ]
    if not pairs:
        return None
    start = pairs[0][0].start
    inputs = np.concatenate([step.inputs for step, _, _ in pairs])
    right = np.concatenate([outputs for _, outputs, _ in pairs])
    got = np.concatenate([outputs for _, _, outputs in pairs])
    low = max(0, tally.difference.since - BEFORE - start)
    high = tally.difference.tick + AFTER + 1 - start
    return Context(start + low, inputs[low:high], right[low:high], got[low:high])
