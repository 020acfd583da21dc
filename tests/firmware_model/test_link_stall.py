"""What a device does whose host falls silent: the calibrated safe state, and word of it on return."""

from __future__ import annotations

import numpy as np
import pytest

from bench.calibration.image import pack
from bench.device.simulated import Device
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import STALLED, Kind, Reason, Status, StepAnswer, pack_step
from bench.link.target import RemoteTarget
from bench.verify.compare import Options, compare, plan
from bench.verify.source import TraceSource
from tests.link_support import IMAGE, local, remote, run_inputs
from tests.support import values

INPUTS = run_inputs(600)


def step(target: RemoteTarget, first: int, ticks: int) -> StepAnswer:
    body = pack_step(first, INPUTS[first : first + ticks], False)
    return StepAnswer.unpack(target.host.ask(Kind.STEP, body))


def loaded(stall_ms: int = 250) -> tuple[RemoteTarget, MemoryLine]:
    target, _, line = remote()
    image = pack(values(stall_ms=stall_ms, safe_reduction=700, safe_retard=30))
    assert target.load(image) == 0
    target.start()
    return target, line


def acting(status: Status) -> tuple[int, int]:
    return status.reduction, status.retard


@pytest.mark.rule("W3")
def test_silence_brings_the_safe_state_and_the_next_step_says_so() -> None:
    target, line = loaded()
    line.pass_time(line.now() + 10)
    first = step(target, 0, 20)
    assert not first.flags & STALLED  # before the first step nobody has to give inputs
    line.pass_time(line.now() + 0.249)
    assert (acting(target.status()), target.status().stalls) == ((0, 0), 0)
    line.pass_time(line.now() + 0.001)
    assert (acting(target.status()), target.status().stalls) == ((700, 30), 1)
    line.pass_time(line.now() + 60)
    assert target.status().stalls == 1
    assert step(target, 20, 20).flags == STALLED
    rest = [step(target, first, 20) for first in range(40, 540, 20)]
    assert not any(answer.flags & STALLED for answer in rest)
    command = rest[-1].outputs[-1]
    assert command["reduction"] > 0
    assert acting(target.status()) == (command["reduction"], command["retard"])


@pytest.mark.rule("W3")
def test_a_start_ends_it_too_and_zero_turns_it_off() -> None:
    target, line = loaded()
    step(target, 0, 1)
    line.pass_time(line.now() + 1)
    assert target.status().stalls == 1
    target.start()
    assert acting(target.status()) == (0, 0)
    assert not step(target, 0, 1).flags & STALLED
    target, line = loaded(stall_ms=0)
    step(target, 0, 1)
    line.pass_time(line.now() + 3600)
    assert (acting(target.status()), target.status().stalls) == ((0, 0), 0)


@pytest.mark.rule("W3")
def test_the_controller_goes_on_where_it_was() -> None:
    """A stall changes what acts, not the run: the outputs are those of a run without it."""
    target, line = loaded()
    given = []
    for first in range(0, 600, 20):
        given.append(step(target, first, 20).outputs)
        line.pass_time(line.now() + (1 if first % 100 == 0 else 0))
    assert target.status().stalls == 6
    assert (np.concatenate(given) == local().run(0, INPUTS).outputs).all()


def test_verify_counts_a_stall_and_finds_no_difference() -> None:
    target, _, line = remote()
    target.load(IMAGE)

    class Slow(TraceSource):
        def learn(self, stepped: StepAnswer) -> None:
            line.pass_time(line.now() + 0.3)

    reference = local()
    source = Slow(INPUTS)
    options = Options(most=100)
    steps = plan(source, reference, target.greeting.largest, options)
    tally = compare(target, steps, source, local().start(), options)
    assert (tally.difference, tally.error, tally.ticks) == (None, None, len(INPUTS))
    assert tally.stalls == tally.frames - 1 > 5


def test_a_store_that_fails_is_said() -> None:
    class Worn(Device):
        def _commit(self, body: bytes) -> bytes | Reason:
            return Reason.STORE

    from bench.device.behaviour import Behaviour
    from controller import Controller

    target = RemoteTarget(Host(MemoryLine(Behaviour(Worn(Controller))), 7))
    with pytest.raises(LinkError, match="its memory for the calibration failed"):
        target.load(IMAGE)
