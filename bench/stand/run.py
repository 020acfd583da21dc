"""The stand test: every step on a device that a scripted nose feeds, or that streams and is watched."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.link.line import LinkError
from bench.link.protocol import INPUT, OUTPUT, Kind, Records, Streamed, pack_stream
from bench.stand.nose import Nose
from bench.stand.seen import Finding, Seen
from bench.stand.steps import STEPS, Step

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.link.host import Host
    from bench.link.target import Target

FIRST_TICK = 65000
"""The number of the first tick of a scripted test: the count wraps in its first second."""

_LISTEN_S = 0.1
_DRAIN_S = 0.002
_SILENT_S = 5.0


@dataclass(frozen=True)
class Result:
    """What came of one step: its findings, the ticks it is about, and where in the whole test they begin."""

    step: Step
    start: int
    seen: Seen
    findings: list[Finding]

    @property
    def passed(self) -> bool:
        """Whether everything is right."""
        return all(one.passed for one in self.findings)


class Watched:
    """The ticks of a test so far; `add` takes those of one step and looks at them."""

    def __init__(self, calibration: CalibrationFile) -> None:
        self._calibration = calibration
        self._inputs: list[Records] = []
        self._outputs: list[Records] = []
        self.results: list[Result] = []
        self.n = 0

    def add(self, step: Step, inputs: Records, outputs: Records, events: bytes | None) -> Result:
        """Judge a step by its ticks; one without any of its own by those of all steps."""
        start = self.n
        if len(inputs):
            self._inputs.append(inputs)
            self._outputs.append(outputs)
            self.n += len(inputs)
        else:
            start = 0
            inputs, outputs = np.concatenate(self._inputs), np.concatenate(self._outputs)
        seen = Seen(self._calibration, inputs, outputs, events)
        self.results.append(Result(step, start, seen, list(step.judge(seen))))
        return self.results[-1]


def run_scripted(
    target: Target,
    calibration: CalibrationFile,
    told: Callable[[Result], None] = lambda result: None,
    steps: Sequence[Step] = STEPS,
) -> list[Result]:
    """The steps on a device into which the calibration is loaded, from power-up; `told` is called with each.

    Raises UserError for a calibration that asks for nothing where its sensor sees, LinkError when the link
    fails.
    """
    scripts: list[tuple[Step, Records | None]] = []
    for number, step in enumerate(steps):
        nose = Nose(calibration, seed=number + 1)
        if step.script is not None:
            step.script(nose)
            scripts.append((step, nose.records()))
        else:
            scripts.append((step, None))
    watched = Watched(calibration)
    target.start()
    for step, inputs in scripts:
        if inputs is None:
            nothing = watched.results[0].seen
            result = watched.add(step, nothing.inputs[:0], nothing.outputs[:0], None)
        else:
            ran = target.run(FIRST_TICK + watched.n, inputs)
            result = watched.add(step, inputs, ran.outputs, ran.events)
        told(result)
    return watched.results


def run_watched(
    host: Host,
    calibration: CalibrationFile,
    done: Callable[[Step, Streamed | None], bool],
    told: Callable[[Result], None] = lambda result: None,
) -> list[Result]:
    """The same on a device that reads its own sensor and streams every tick. A step lasts until `done`, which
    is asked after each message (and after some time without one) and keeps the person informed, says so.

    Raises LinkError where the device runs another calibration, or where messages are lost on the way: a step
    is judged by all of its ticks.
    """
    demand_same(host, calibration)
    watched = Watched(calibration)
    host.ask(Kind.STREAM, pack_stream(1))
    try:
        for step in STEPS:
            if step.name == "events":
                continue  # a stream tells none
            ticks = _collect(host, step, done) if step.script is not None else []
            inputs = np.concatenate([one.inputs for one in ticks]) if ticks else np.zeros(0, INPUT)
            outputs = np.concatenate([one.outputs for one in ticks]) if ticks else np.zeros(0, OUTPUT)
            told(watched.add(step, inputs, outputs, None))
    finally:
        with suppress(LinkError):
            host.ask(Kind.STREAM, pack_stream(0))
    return watched.results


def demand_same(host: Host, calibration: CalibrationFile) -> None:
    """LinkError where the device runs another calibration than this one: what is seen would not be its."""
    greeting = host.hello()
    if greeting.image_crc != calibration.crc or greeting.tick_us == 0:
        what = f"the device runs image {greeting.image_crc:08x}, this file makes {calibration.crc:08x}"
        raise LinkError(what, host.line.name, "load it: liftlatch load --calibration FILE --port PORT")


def _collect(host: Host, step: Step, done: Callable[[Step, Streamed | None], bool]) -> list[Streamed]:
    """The messages of one step, one at least."""
    while host.listen(_DRAIN_S) is not None:
        pass  # what came before the step
    found: list[Streamed] = []
    heard = host.line.now()
    while True:
        got = host.listen(_LISTEN_S)
        if got is not None:
            heard = host.line.now()
            if found and (got.number - found[-1].number) & 0xFFFF != 1:
                raise LinkError(
                    "messages of the stream were lost", host.line.name,
                    "a faster line: each tick takes 53 bytes, 530 000 baud at a tick of 1 ms",
                )  # fmt: skip
            found.append(got)
        elif host.line.now() - heard > _SILENT_S:
            what = f"the device has streamed nothing for {_SILENT_S:g} s"
            raise LinkError(what, host.line.name, "check its supply and the line, and begin again")
        if done(step, got) and found:
            return found
