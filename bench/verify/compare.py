"""The run itself: steps to the device, answers against the reference, the first difference."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.protocol import INPUT, MOST_TICKS, OUTPUT, Kind, Records, StepAnswer, pack_step, split_stall
from bench.link.target import LocalTarget, RemoteTarget, fitting
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
class Step:
    """Some ticks to send, and the right answer."""

    start: int
    inputs: Records
    body: bytes
    expected: bytes


@dataclass(frozen=True)
class Field:
    """One output that differs."""

    name: str
    expected: int
    got: int


@dataclass(frozen=True)
class Context:
    """Ticks around the first difference, from `start` on: inputs, right and given outputs, arrays of one
    length."""

    start: int
    inputs: Records
    expected: Records
    got: Records


@dataclass(frozen=True)
class Difference:
    """The first difference. Where only the state's digest differs it arose in one of the ticks
    `since`..`tick`."""

    tick: int
    since: int
    fields: tuple[Field, ...]

    @property
    def digest_only(self) -> bool:
        """Whether all outputs were right and only the state was not."""
        return [f.name for f in self.fields] == ["digest"]


@dataclass
class Tally:
    """What was compared so far."""

    ticks: int = 0
    frames: int = 0
    misread: int = 0
    stalls: int = 0
    digests: int = 0
    difference: Difference | None = None
    error: LinkError | None = None
    recent: deque[tuple[Step, StepAnswer]] = field(default_factory=deque)


def plan(source: StepSource, reference: LocalTarget, largest: int, options: Options) -> Iterator[Step | None]:
    """The steps of a run with the right answers, in order; None where the source waits for answers."""
    start = 0
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
        ticks = fitting(rest, largest, most)
        body = pack_step(FIRST_TICK + start, rest[:ticks], options.digest)
        yield Step(start, rest[:ticks], body, reference.answer(body))
        start += ticks
        rest = rest[ticks:]


def compare(
    target: RemoteTarget,
    steps: Iterator[Step | None],
    source: StepSource,
    reference_digest: int,
    options: Options,
    progress: Callable[[Tally], None] = lambda tally: None,
    pace: Pace | None = None,
) -> Tally:
    """Start the device, send the steps and compare, until the end or shortly after the first difference.

    A link that fails ends the run; `error` of the tally then says how, and what was compared before counts.
    """
    tally = Tally()
    try:
        _compare(target, steps, source, reference_digest, options, progress, pace, tally)
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
    tally: Tally,
) -> None:
    host = target.host
    digest = target.start()
    if digest != reference_digest:
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
            if not _take(host, step, answer, tally):
                host.drain()
                return
            source.learn(tally.recent[-1][1])
            progress(tally)
        elif held is not None:
            host.idle(wait)
        elif more:
            raise LinkError("the source of the steps waits for answers to nothing", host.line.name)
        else:
            return


def _take(host: Host, step: Step, answer: bytes, tally: Tally) -> bool:
    """Compare one answer; whether to go on."""
    answer, stalled = split_stall(answer)
    tally.stalls += stalled
    if answer != step.expected and tally.difference is None:
        # Damage that the CRC of a frame misses is rare but not impossible: a difference counts once it was
        # said twice.
        again, _ = split_stall(host.again())
        if again != answer:
            if again != step.expected:
                raise LinkError(
                    "the device repeats an answer in other words", host.line.name, "check firmware"
                )
            tally.misread += 1
            answer = again
    stepped = StepAnswer.unpack(answer)
    right = StepAnswer.unpack(step.expected)
    if stepped.request_crc != right.request_crc:
        what = f"the device got other inputs at tick {step.start} than were sent"
        raise LinkError(what, host.line.name, "try again; the line is too bad for the CRC of a frame")
    _remember(tally, step, stepped)
    if tally.difference is None:
        found = _first_difference(step, right, stepped) if answer != step.expected else None
        if found is None:
            tally.ticks = step.start + len(step.inputs)
            tally.frames += 1
            tally.digests += stepped.flags & 1
            return True
        tally.ticks = found.tick
        tally.difference = found
    return not _complete(tally)


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


def _first_difference(step: Step, right: StepAnswer, got: StepAnswer) -> Difference | None:
    last = step.start + len(step.inputs) - 1
    if len(got.outputs) != len(right.outputs) or len(got.events) != len(right.events):
        counts = (
            Field("ticks", len(right.outputs), len(got.outputs)),
            Field("events", len(right.events), len(got.events)),
        )
        return Difference(step.start, step.start, tuple(f for f in counts if f.expected != f.got))
    due = np.concatenate(([0], np.cumsum(step.inputs["events"], dtype=np.int64)))
    for i in np.flatnonzero(right.outputs != got.outputs)[:1].tolist():
        place = _event_difference(right, got, due, i)
        fields = [
            Field(name, int(right.outputs[name][i]), int(got.outputs[name][i]))
            for name in OUTPUT.names or ()
            if right.outputs[name][i] != got.outputs[name][i]
        ]
        if place is not None and place[0] < i:
            break
        return Difference(step.start + i, step.start + i, tuple(fields + ([place[1]] if place else [])))
    place = _event_difference(right, got, due, len(step.inputs))
    if place is not None:
        return Difference(step.start + place[0], step.start + place[0], (place[1],))
    if right.digest != got.digest:
        return Difference(last, step.start, (Field("digest", right.digest, got.digest),))
    return Difference(last, step.start, (Field("flags", right.flags, got.flags),))


def _event_difference(
    right: StepAnswer, got: StepAnswer, due: npt.NDArray[np.int64], until: int
) -> tuple[int, Field] | None:
    """(tick of the frame, what differs) of the first event that differs, up to a tick."""
    for at, (expected, given) in enumerate(zip(right.events, got.events, strict=True)):
        if expected != given:
            tick = int(np.searchsorted(due, at, side="right")) - 1
            return (tick, Field("event", expected, given)) if tick <= until else None
    return None


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
