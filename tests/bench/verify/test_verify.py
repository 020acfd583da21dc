"""Verify: equal devices are called equal, and each difference is found at its first tick."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from bench.calibration.image import pack
from bench.device.behaviour import Behaviour
from bench.device.bugs import BUGS
from bench.device.faults import FAULTS
from bench.device.simulated import Device, Facts
from bench.link.frames import Decoder, encode
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.protocol import OUTPUT, Kind, Reason, Records, StepAnswer
from bench.link.reading import to_records
from bench.link.stepper import Core
from bench.link.target import LocalTarget, RemoteTarget
from bench.replay.run import INPUT_TYPES, run
from bench.verify.compare import FIRST_TICK, Context, Options, Tally, compare, context, plan
from bench.verify.source import TraceSource
from bench.verify.timing import Pace
from controller import Controller
from controller.constants import HOLD, PEAK, RELEASE
from tests.link_support import local, remote, run_inputs
from tests.support import counts_of, values


def lingering(n: int = 1500) -> Records:
    """The nose comes half-way down and stays there, so that a released demand is still above 0."""
    inputs = run_inputs(n)
    ticks = np.arange(n)
    height = np.interp(ticks, [0, 300, 700, 900, 1000, n + 1000], [130, 130, 480, 480, 360, 360])
    inputs["counts"] = [counts_of(mm) for mm in height]
    return inputs


def verify(
    make: Callable[[], Core] = Controller,
    inputs: Records | None = None,
    options: Options | None = None,
    image: bytes | None = None,
    **link: object,
) -> Tally:
    inputs = run_inputs() if inputs is None else inputs
    options = options or Options()
    image = image or pack(values())
    target, _, _ = remote(make, **link)  # type: ignore[arg-type]
    assert target.load(image) == 0
    reference = LocalTarget(Controller())
    reference.load(image)
    digest = reference.start()
    source = TraceSource(inputs)
    steps = list(plan(source, reference, target.greeting.largest, options))
    return compare(target, iter(steps), source, digest, options)


def outputs_of(inputs: Records, image: bytes | None = None) -> Records:
    """What the reference makes of the inputs."""
    return local(image or pack(values())).run(FIRST_TICK, inputs).outputs


@pytest.mark.parametrize("window", [1, 5])
@pytest.mark.parametrize("most", [0, 1, 7])
def test_an_equal_device_is_called_equal(window: int, most: int) -> None:
    tally = verify(inputs=run_inputs(700), options=Options(window, most))
    assert (tally.difference, tally.error, tally.misread) == (None, None, 0)
    assert tally.ticks == 700
    assert tally.frames == tally.digests == -(-700 // (most or 26))


def test_what_is_compared_with_is_what_a_replay_gives() -> None:
    """The right answers over the line, from the packed inputs, against the replay's own stepping of the same
    run."""
    rng = np.random.default_rng(4)
    records = run_inputs()
    arrays = {name: records[name] for name in INPUT_TYPES if name in (records.dtype.names or ())}
    for bit, name in enumerate(("speed_valid", "armed", "launch")):
        arrays[name] = records["switches"] >> bit & 1
    arrays["engine"] = rng.integers(0, 9000, len(records)).astype(np.uint16)
    arrays = {name: arrays[name].astype(kind) for name, kind in INPUT_TYPES.items()}
    image = pack(values())
    replayed = run("reference", image, arrays)
    packed = to_records(arrays, 8, 1000)
    steps = list(plan(TraceSource(packed), local(image), 512, Options()))
    answers = [StepAnswer.unpack(step.expected) for step in steps if step is not None]
    outputs = np.concatenate([answer.outputs for answer in answers])
    for name, column in replayed.ticks.items():
        assert (outputs[name] == column).all(), name
    events = b"".join(answer.events for answer in answers)
    assert [event & 3 for event in events] == replayed.event_bits.tolist()
    assert len(events) > 400
    assert np.repeat(np.arange(len(packed)), packed["events"]).tolist() == replayed.event_tick.tolist()


def first(where: np.ndarray) -> int:
    found = np.flatnonzero(where)
    assert len(found), "the run does not bring the bug about"
    return int(found[0])


def expect_hold_short() -> tuple[Records, bytes, int]:
    """The hold is H = 300 ticks after the last tick at the peak (L3): one short, and its last tick
    differs."""
    inputs, image = run_inputs(), pack(values(hold_ticks=300))
    right = outputs_of(inputs, image)
    at_peak = np.flatnonzero((right["state"] == PEAK) & (right["demand"] == 600))
    return inputs, image, int(at_peak[-1]) + 300


def expect_peak_lost() -> tuple[Records, bytes, int]:
    """The first tick at which the demand is below the peak although the output must not follow (L2, L3)."""
    inputs, image = run_inputs(), pack(values())
    right = outputs_of(inputs, image)
    return inputs, image, first((right["state"] == HOLD) & (right["demand"] < right["latched"]))


def expect_release_low() -> tuple[Records, bytes, int]:
    """A ramp of 1/2 of 0.1 % a tick from 60 %; the first tick at which it lies below the demand (L4)."""
    inputs, image = lingering(), pack(values(release_q16=1 << 15))
    right = outputs_of(inputs, image)
    released = first(right["state"] == RELEASE)
    for tick in range(released, len(right)):
        ramp = (600 * 65536 - (tick - released + 1) * 32768) // 65536
        if ramp < right["demand"][tick]:
            return inputs, image, tick
    raise AssertionError("the ramp never meets the demand")


def expect_tick_wrap() -> tuple[Records, bytes, int]:
    """The tick whose number is 65536, that is 0."""
    return run_inputs(), pack(values()), 65536 - FIRST_TICK


def expect_table_edge() -> tuple[Records, bytes, int]:
    """The first tick in the run at or beyond the last point of the lift axis, 300 mm (M1)."""
    inputs, image = run_inputs(), pack(values())
    right = outputs_of(inputs, image)
    return inputs, image, first((right["entry"] >= 300 * 16) & (right["launched"] == 1))


EXPECTED = {
    "hold-short": (expect_hold_short, "latched"),
    "peak-lost": (expect_peak_lost, "latched"),
    "release-low": (expect_release_low, "latched"),
    "tick-wrap": (expect_tick_wrap, "faults"),
    "table-edge": (expect_table_edge, "demand"),
}


def test_every_bug_is_tried() -> None:
    assert set(EXPECTED) == set(BUGS)


@pytest.mark.parametrize("bug", EXPECTED)
@pytest.mark.parametrize(
    "options", [Options(), Options(window=6), Options(window=3, most=1, digest=False)], ids=str
)
def test_each_bug_is_found_at_its_first_tick(bug: str, options: Options) -> None:
    expected, field = EXPECTED[bug]
    inputs, image, tick = expected()
    tally = verify(BUGS[bug], inputs, options, image)
    assert tally.error is None
    assert tally.difference is not None
    assert (tally.difference.tick, tally.difference.since) == (tick, tick)
    assert tally.ticks == tick
    assert field in [f.name for f in tally.difference.fields]
    assert all(f.expected != f.got for f in tally.difference.fields)


@pytest.mark.parametrize("bug", EXPECTED)
def test_a_bug_is_found_over_a_bad_line_too(bug: str) -> None:
    inputs, image, tick = EXPECTED[bug][0]()
    rates = dict.fromkeys(FAULTS, 0.02)
    tally = verify(BUGS[bug], inputs, Options(window=4), image, rates=rates, seed=2, facts=Facts(largest=512))
    assert tally.error is None
    assert tally.difference is not None
    assert tally.difference.tick == tick


class WrongEvent(Controller):
    """Fires the 40th event that should be skipped."""

    __slots__ = ("count",)
    count: int

    def event(self, cylinder: int) -> int:
        bits = super().event(cylinder)
        if bits:
            self.count = getattr(self, "count", 0) + 1
            if self.count == 40:
                return 0
        return bits


def test_an_event_that_differs_is_found_at_its_tick() -> None:
    inputs = run_inputs()
    near = local().run(FIRST_TICK, inputs)
    skipped = [i for i, bits in enumerate(near.events) if bits & 3]
    tick = int(np.repeat(np.arange(len(inputs)), inputs["events"])[skipped[39]])
    tally = verify(WrongEvent, inputs)
    assert tally.difference is not None
    assert tally.difference.tick == tick
    assert [(f.name, f.expected, f.got) for f in tally.difference.fields] == [("event", 7, 4)]


class OtherState(Controller):
    """Right outputs, but something in its state goes wrong at the launch tick."""

    __slots__ = ()

    def step(self, tick: int, *inputs: int) -> None:
        super().step(tick, *inputs)
        if self.launched and self.elapsed_ms == 50:
            self.progress.spin_left = 9


def test_a_state_that_differs_is_found_within_its_frame_and_then_at_its_tick() -> None:
    tally = verify(OtherState)
    assert tally.difference is not None
    assert tally.difference.digest_only
    since, tick = tally.difference.since, tally.difference.tick
    assert since <= 150 <= tick
    assert tick - since == 25
    fine = verify(OtherState, options=Options(fine=range(since, tick + 1)))
    assert fine.difference is not None
    assert (fine.difference.since, fine.difference.tick) == (150, 150)


class OtherReset(Controller):
    __slots__ = ()

    def reset(self) -> None:
        super().reset()
        self.progress.spin_left = 1


def test_a_wrong_state_after_reset_is_the_first_tick() -> None:
    tally = verify(OtherReset)
    assert tally.difference is not None
    assert (tally.difference.tick, tally.ticks) == (0, 0)


def test_the_context_is_what_was_sent_and_given() -> None:
    inputs, image, tick = expect_peak_lost()
    tally = verify(BUGS["peak-lost"], inputs, Options(window=3), image)
    found = context(tally)
    assert isinstance(found, Context)
    assert found.start == tick - 60
    assert len(found.inputs) == len(found.expected) == len(found.got) == 101
    assert (found.inputs == inputs[tick - 60 : tick + 41]).all()
    assert (found.expected == outputs_of(inputs, image)[tick - 60 : tick + 41]).all()
    assert (found.got[:60] == found.expected[:60]).all()
    assert found.got[60] != found.expected[60]


def test_a_link_that_fails_keeps_what_was_compared() -> None:
    tally = verify(baud=115200, unplug_after_s=3.0)
    assert tally.error is not None
    assert "went away" in str(tally.error)
    assert 0 < tally.ticks < 1500
    restarted = verify(reset_at=700)
    assert "restarted" in str(restarted.error)
    assert 700 - 26 <= restarted.ticks <= 700


class FirstAnswersWrong(Device):
    """What it says first to each step is not what it keeps for repeating."""

    def _step(self, body: bytes) -> bytes | Reason:
        answer = super()._step(body)
        if isinstance(answer, Reason):
            return answer
        self.right = answer
        return answer[:30] + bytes([answer[30] ^ 1]) + answer[31:]

    def _answer(self, payload: bytes) -> bytes:
        answer = super()._answer(payload)
        if payload[0] == Kind.STEP and answer[0] == Kind.STEP | 0x80:
            sequence = int.from_bytes(payload[3:5], "little")
            self._answers[sequence] = answer[:5] + self.right
        return answer


def verify_device(device: Device, **line: Any) -> Tally:
    target = RemoteTarget(Host(MemoryLine(Behaviour(device, **line)), 7))
    assert target.load(pack(values())) == 0
    source = TraceSource(run_inputs())
    steps = plan(source, local(), target.greeting.largest, Options())
    return compare(target, steps, source, local().start(), Options())


def test_a_device_whose_first_answers_are_wrong_is_not_called_equal() -> None:
    tally = verify_device(FirstAnswersWrong(Controller))
    assert tally.difference is not None
    assert (tally.difference.tick, tally.difference.twice, tally.misread) == (0, True, 1)
    assert tally.error is None


def test_an_answer_that_comes_again_in_other_words_is_noticed_without_asking() -> None:
    """A device that answers each request twice, right first: nobody asks again, and still it is found."""

    class Chatty(Device):
        count = 0

        def receive(self, data: bytes) -> bytes:
            sent = super().receive(data)
            if sent[1:2] == bytes([Kind.STEP | 0x80]):
                self.count += 1
                payload = Decoder(1024).feed(sent)[0]
                assert isinstance(payload, bytes)
                if self.count == 20:
                    return sent + encode(payload[:-1] + b"\x55")
            return sent

    tally = verify_device(Chatty(Controller))
    assert tally.difference is not None
    assert tally.difference.twice
    assert tally.difference.tick // 26 == 19
    assert [f.name for f in tally.difference.fields] == ["event"]


def test_answers_doubled_by_the_line_are_no_finding() -> None:
    tally = verify_device(Device(Controller), rates={"duplicate": 0.5, "drop": 0.1, "delay": 0.2})
    assert (tally.difference, tally.error, tally.ticks) == (None, None, 1500)


def test_an_answer_misread_once_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of an answer whose damage no CRC shows it cannot be told that the device did not say it: it is a
    finding, whichever of the two is right."""
    from bench.link.host import Host

    whole = Host.next_answer
    seen = 0

    def misreads(self: Host, limit_s: float | None = None) -> bytes | None:
        nonlocal seen
        answer = whole(self, limit_s)
        seen += 1
        return answer[:-1] + b"\x77" if answer and seen == 40 else answer

    monkeypatch.setattr(Host, "next_answer", misreads)
    tally = verify(inputs=run_inputs(1500))
    assert tally.difference is not None
    assert (tally.difference.twice, tally.error, tally.misread) == (True, None, 1)
    assert 26 * 30 < tally.ticks == tally.difference.tick < 1500


def test_a_request_misread_is_no_difference_but_a_link_error(monkeypatch: pytest.MonkeyPatch) -> None:
    import binascii

    from bench.device import simulated

    count = 0

    def crc(body: bytes) -> int:
        nonlocal count
        count += 1
        return binascii.crc32(body) ^ (count == 30)

    fake = type("fake", (), {"crc32": staticmethod(crc)})
    monkeypatch.setattr(simulated, "binascii", fake)
    tally = verify()
    assert tally.difference is None
    assert "got other inputs at tick" in str(tally.error)


class Follower:
    """A source whose next inputs depend on the answers: the nose falls when the device takes torque."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.inputs = run_inputs(n)
        self.given = 0
        self.known = 0
        self.height = 130.0
        self.heights: list[float] = []

    def next(self, most: int) -> Records | None:
        if self.given >= self.n:
            return self.inputs[:0]
        if self.given > self.known:
            return None
        inputs = self.inputs[self.given : self.given + 1].copy()
        inputs["counts"] = counts_of(self.height)
        self.given += 1
        return inputs

    def learn(self, stepped: StepAnswer) -> None:
        self.known += len(stepped.outputs)
        if self.known > 150:
            self.height += -0.5 if stepped.outputs["reduction"][-1] > 300 else 1.0
        self.heights.append(self.height)


@pytest.mark.parametrize("window", [1, 4])
def test_a_model_can_take_the_traces_place(window: int) -> None:
    target, device, _ = remote()
    target.load(pack(values()))
    reference = LocalTarget(Controller())
    reference.load(pack(values()))
    digest = reference.start()
    source = Follower(600)
    options = Options(window)
    tally = compare(target, plan(source, reference, 512, options), source, digest, options)
    assert (tally.difference, tally.error, tally.ticks) == (None, None, 600)
    assert device.stepped == 600
    assert max(source.heights) > source.heights[-1] > 130


def test_a_source_that_waits_for_nothing_is_an_error() -> None:
    class Waiting(Follower):
        def next(self, most: int) -> Records | None:
            return None

    target, _, _ = remote()
    target.load(pack(values()))
    reference = LocalTarget(Controller())
    reference.load(pack(values()))
    digest = reference.start()
    source = Waiting(10)
    tally = compare(target, plan(source, reference, 512, Options()), source, digest, Options())
    assert "answers to nothing" in str(tally.error)


@pytest.mark.parametrize(
    ("behind_ms", "latency_ms", "device", "host"),
    [(0.0, 0.5, 0, 0), (0.0, 1.5, 1, 0), (0.8, 0.5, 0, 1), (1.2, 0.5, 0, 1), (0.8, 1.5, 1, 0)],
)
def test_who_is_late(behind_ms: float, latency_ms: float, device: int, host: int) -> None:
    """A tick of 1 ms: an answer that takes longer is the device's, a step sent too late this machine's."""
    pace = Pace(1000)
    assert pace.wait(0, 5.0) == 0
    pace.answered(0, 1, 5.0, 0.0001)
    pace.answered(1, 1, 5.001 + behind_ms / 1000, latency_ms / 1000)
    assert (pace.device_late_ticks, pace.host_late_ticks) == (device, host)
    assert pace.late_ticks == device + host
    assert pace.facts()["behind_ms_at_end"] == pytest.approx(behind_ms)


@pytest.mark.parametrize("baud", [460800, 921600, 1843200])
def test_real_time_keeps_its_moments(baud: int) -> None:
    """In virtual time: on an idle line nothing but the bytes takes time, 10 bit times each (8N1)."""
    target, _, line = remote(baud=baud)
    target.load(pack(values()))
    reference = LocalTarget(Controller())
    reference.load(pack(values()))
    digest = reference.start()
    inputs = run_inputs(300)
    inputs["events"] = 0
    options = Options(window=4, most=1, digest=False)
    source = TraceSource(inputs)
    pace = Pace(1000)
    tally = compare(target, plan(source, reference, 512, options), source, digest, options, pace=pace)
    assert (tally.difference, tally.error, tally.ticks, tally.digests) == (None, None, 300, 0)
    facts = pace.facts()
    assert facts["steps"] == 300
    round_trip_ms = (29 + 58) * 10 / baud * 1e3
    if round_trip_ms < 1:
        assert facts["latency_ms_median"] == pytest.approx(round_trip_ms, rel=0.05)
        assert facts["late_ticks"] == 0
        assert facts["send_jitter_ms_worst"] < 0.01
    else:
        # At 460800 baud the 58 bytes of an answer alone take longer than the tick of 1 ms.
        assert facts["late_ticks"] > 290
    assert line.now() > 0.3
    assert (OUTPUT.itemsize + 12 + 5 + 2 + 2) == 58
