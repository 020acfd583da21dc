"""What a device does whose host falls silent: the calibrated safe state, and word of it on return."""

from __future__ import annotations

import binascii
from typing import Any

import numpy as np
import pytest

from bench.calibration.image import pack
from bench.device.behaviour import Behaviour
from bench.device.simulated import Device
from bench.link.host import DeviceError, Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import (
    ARMED,
    INPUT,
    STALLED,
    Kind,
    Reason,
    Status,
    StepAnswer,
    pack_commit,
    pack_piece,
    pack_step,
)
from bench.link.target import RemoteTarget
from bench.verify.compare import Options, compare, plan
from bench.verify.source import TraceSource
from controller import Controller
from controller.constants import REASON_SAFE
from firmware_model import binding
from tests.link_support import IMAGE, InC, local, remote, run_inputs
from tests.support import values
from tests.tools import need_core

INPUTS = run_inputs(600)


def step(target: RemoteTarget, first: int, ticks: int) -> StepAnswer:
    body = pack_step(first, INPUTS[first : first + ticks], False)
    return StepAnswer.unpack(target.host.ask(Kind.STEP, body))


def loaded(stall_ms: int = 250, safe_reduction: int = 700) -> tuple[RemoteTarget, MemoryLine]:
    target, _, line = remote()
    image = pack(values(stall_ms=stall_ms, safe_reduction=safe_reduction, safe_retard=30))
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
def test_a_start_does_not_end_it_and_zero_turns_it_off() -> None:
    target, line = loaded()
    step(target, 0, 1)
    line.pass_time(line.now() + 1)
    assert target.status().stalls == 1
    with pytest.raises(DeviceError, match="armed, or torque is taken"):
        target.host.ask(Kind.START)
    assert acting(target.status()) == (700, 30)
    target.start()  # the target steps it with arming off first
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


@pytest.mark.rule("W3")
@pytest.mark.parametrize("make", [Controller, "c"], ids=["reference", "c"])
def test_the_safe_state_reaches_commands_and_events_alike(make: Any) -> None:
    """80 events at a command of 70 % skip 56 (C2: within 4, from the second cycle on); in a safe state of
    100 % all 80 (C3), and the next step ends that for both."""
    core: Any = Controller() if make is Controller else (need_core(), binding.Core())[1]
    core.load(pack(values(stall_ms=250, safe_reduction=1000, safe_retard=30)))
    core.step(0, 1000, 0, 1, 0, 0, 0, 0, 700, 55, 20)
    order = [1 + i % 8 for i in range(80)]
    assert core.acting() == (700, 55, 20)
    for cylinder in order[:8]:
        core.event(cylinder)
    assert abs(sum(core.event(cylinder) > 0 for cylinder in order) - 56) <= 4
    before = core.digest()
    core.safe()
    assert core.acting() == (1000, 30, REASON_SAFE)
    assert core.digest() == before
    assert (core.command.reduction, core.command.retard, core.command.reason) == (700, 55, 20)
    assert sum(core.event(cylinder) > 0 for cylinder in order) == 80
    core.step(1, 1000, 0, 1, 0, 0, 0, 0, 0, 0, 0)
    assert core.acting() == (0, 0, 0)
    assert sum(core.event(cylinder) > 0 for cylinder in order) == 0


@pytest.mark.rule("W3")
def test_without_an_image_there_is_no_safe_state() -> None:
    need_core()
    for core in (Controller(), binding.Core()):
        core.safe()
        assert core.acting() == (0, 0, 0)
        core.load(pack(values(safe_reduction=700)))
        core.safe()
        core.reset()
        assert core.acting() == (0, 0, 0)
        core.safe()
        core.load(IMAGE)
        assert core.acting() == (0, 0, 0)


@pytest.mark.rule("W3")
def test_over_the_wire_events_follow_the_safe_state() -> None:
    target, line = loaded(stall_ms=250, safe_reduction=1000)
    step(target, 0, 1)
    assert set(target.events(80)) == {0}
    line.pass_time(line.now() + 0.25)
    assert set(target.events(80)) == {7}
    assert target.status().reason == REASON_SAFE
    line.pass_time(line.now() + 10)
    assert set(target.events(80)) == {7}  # asking for events gives no inputs
    step(target, 1, 1)
    assert set(target.events(80)) == {0}


def test_the_crank_of_the_c_side_follows_the_safe_state(in_c: InC) -> None:
    """lift_event, called as an interrupt would: not by a request."""
    target = RemoteTarget(Host(MemoryLine(Behaviour(in_c)), 7))
    assert target.load(pack(values(stall_ms=250, safe_reduction=1000))) == 0
    target.start()
    in_c.tell_time(1000)
    step(target, 0, 1)
    assert [in_c.event(cylinder) for cylinder in range(1, 9)] == [0] * 8
    in_c.tell_time(1250)
    assert [in_c.event(cylinder) for cylinder in range(1, 9)] == [3] * 8
    step(target, 1, 1)
    assert [in_c.event(cylinder) for cylinder in range(1, 9)] == [0] * 8


ACTIVE = [(Kind.COMMIT, pack_commit(len(IMAGE), binascii.crc32(IMAGE))), (Kind.START, b""), (Kind.RESET, b"")]


@pytest.mark.rule("W3")
@pytest.mark.parametrize(("kind", "body"), ACTIVE, ids=["commit", "start", "reset"])
@pytest.mark.parametrize("why", ["armed", "taking", "safe state", "event only"])
def test_nothing_gives_torque_back_in_one_step(kind: Kind, body: bytes, why: str, in_c: InC) -> None:
    """While armed, while an outside request takes torque, and in the safe state; in Python and in C."""
    for device in (Device(Controller), in_c):
        line = MemoryLine(Behaviour(device))
        target = RemoteTarget(Host(line, 7))
        assert target.load(pack(values(stall_ms=250, safe_reduction=700))) == 0
        target.start()
        inputs = np.zeros(1, INPUT)
        if why == "armed":
            inputs["switches"] = ARMED
        elif why == "taking":
            inputs["request_reduction"] = 1
        elif why == "event only":
            inputs["request_retard"] = 1
        StepAnswer.unpack(target.host.ask(Kind.STEP, pack_step(0, inputs, False)))
        if why == "safe state":
            line.pass_time(line.now() + 0.3)
        for offset in range(0, len(IMAGE), 512):
            target.host.ask(Kind.PIECE, pack_piece(offset, IMAGE[offset : offset + 512]))
        was = target.status()
        with pytest.raises(DeviceError, match="arming input off") as told:
            target.host.ask(kind, body)
        assert told.value.reason == Reason.ACTIVE
        now = target.status()
        assert acting(now) == acting(was)
        assert now.ticks == was.ticks
        target.disarm()
        target.host.ask(kind, body)
        device.power_up()


def test_a_device_left_armed_is_refused_until_it_is_told_to_disarm() -> None:
    device = Device(Controller)
    first = RemoteTarget(Host(MemoryLine(Behaviour(device)), 7))
    first.load(IMAGE)
    first.start()
    first.run(0, INPUTS)
    second = RemoteTarget(Host(MemoryLine(Behaviour(device)), 8))
    with pytest.raises(DeviceError, match=r"liftlatch verify --disarm"):
        second.load(IMAGE)
    second.disarm()
    assert second.load(IMAGE) == 0


def test_a_target_leaves_its_device_at_rest() -> None:
    target, device, line = remote()
    target.load(IMAGE)
    target.start()
    target.run(0, INPUTS)
    target.leave()
    assert RemoteTarget(Host(line, 8)).load(IMAGE) == 0
    assert device.stepped > len(INPUTS)


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

    target = RemoteTarget(Host(MemoryLine(Behaviour(Worn(Controller))), 7))
    with pytest.raises(LinkError, match="its memory for the calibration failed"):
        target.load(IMAGE)
