"""Very many frames over very bad lines, in virtual time: equal outputs or a reported error, never anything
else."""

from __future__ import annotations

import random

import pytest

from bench.device.behaviour import Behaviour
from bench.device.bugs import BUGS
from bench.device.faults import FAULTS
from bench.device.simulated import Device, Facts
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import Kind
from bench.link.target import RemoteTarget
from bench.verify.compare import Options, Step, Tally, compare, plan
from bench.verify.source import TraceSource
from controller import Controller
from tests.link_support import IMAGE, local, run_inputs

TICKS = 1300
BUG_TICK = 65536 - 65000
LONGEST_RUN_S = 3600.0
"""Virtual seconds: far above TICKS frames, each given up after 10 waits of 0.5 s at the latest."""

RATES = (0.0, 0.001, 0.01, 0.05, 0.2)


def planned() -> tuple[list[Step | None], int]:
    reference = local()
    digest = reference.start()
    options = Options(most=1, digest=False)
    return list(plan(TraceSource(run_inputs(TICKS)), reference, 128, options)), digest


def one_run(
    seed: int, steps: list[Step | None], digest: int
) -> tuple[Tally | LinkError, Device, MemoryLine, bool]:
    """One run of TICKS frames over a line with faults drawn from the seed; whether the device has a bug."""
    rng = random.Random(seed)
    rates = {name: rng.choice(RATES) for name in FAULTS}
    bug = rng.random() < 0.25
    restart = rng.randrange(1, 2 * TICKS) if rng.random() < 0.1 else None
    device = Device(BUGS["tick-wrap"] if bug else Controller, Facts(128, rng.randint(1, 16)), restart)
    line = MemoryLine(Behaviour(device, rates, seed), rng.choice([None, 115200, 921600]))
    window = rng.randint(1, 16)
    try:
        target = RemoteTarget(Host(line, 1 + seed % 65535))
        verdict = target.load(IMAGE)
    except LinkError as error:
        return error, device, line, bug
    assert verdict == 0
    options = Options(window, most=1, digest=False)
    tally = compare(target, iter(steps), TraceSource(run_inputs(100)), digest, options)
    return tally, device, line, bug


def check(result: tuple[Tally | LinkError, Device, MemoryLine, bool]) -> str:
    """The verdict of a run, which must be the right one."""
    tally, device, line, bug = result
    assert line.now() < LONGEST_RUN_S
    if isinstance(tally, LinkError):
        return "link"
    if tally.error is not None:
        # What was compared before must be right all the same, and never beyond what the device stepped.
        assert tally.difference is None or bug
        assert tally.ticks <= device.stepped
        return "link"
    if bug:
        assert tally.difference is not None
        assert tally.difference.tick == BUG_TICK
        return "different"
    assert tally.difference is None
    assert tally.ticks == TICKS
    assert device.stepped == TICKS, "a step was carried out twice or not at all"
    return "equal"


def run_many(frames: int, first_seed: int) -> dict[str, int]:
    steps, digest = planned()
    verdicts = {"equal": 0, "different": 0, "link": 0}
    seed, sent = first_seed, 0
    while sent < frames:
        result = one_run(seed, steps, digest)
        verdicts[check(result)] += 1
        sent += result[1].stepped
        seed += 1
        assert seed - first_seed < 10 * (frames // TICKS + 10), "too many links fail for this to say anything"
    return verdicts


@pytest.mark.slow
@pytest.mark.rule("W2")
def test_some_frames_over_bad_lines() -> None:
    verdicts = run_many(12_000, 1)
    assert verdicts["equal"] > 0
    assert verdicts["different"] > 0


@pytest.mark.rule("W2")
def test_a_device_that_steps_twice_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = Device._answer

    def forgets(self: Device, payload: bytes) -> bytes:
        sequence = int.from_bytes(payload[3:5], "little")
        if payload[0] == Kind.STEP and self._answers.pop(sequence, None) is not None:
            self._expected = sequence
        return whole(self, payload)

    monkeypatch.setattr(Device, "_answer", forgets)
    with pytest.raises(AssertionError):
        run_many(6_000, 1)


@pytest.mark.rule("W2")
@pytest.mark.slow
def test_a_million_frames_over_bad_lines() -> None:
    verdicts = run_many(1_000_000, 1000)
    assert verdicts["equal"] > 300
    assert verdicts["different"] > 100
    assert verdicts["link"] > 10
