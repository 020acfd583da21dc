"""The conversation: every request once and in order over a line that loses, doubles, delays and garbles."""

from __future__ import annotations

import binascii
from collections import deque

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.device.behaviour import Behaviour
from bench.device.faults import FAULTS, LineFaults
from bench.device.simulated import Device, Facts
from bench.link.frames import Decoder, encode
from bench.link.host import DeviceError, Host, Restarted
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import (
    ANSWER,
    ERROR,
    INPUT,
    Greeting,
    Kind,
    Reason,
    StepAnswer,
    message,
    pack_commit,
    pack_piece,
    pack_step,
    pack_step_answer,
    split,
    unpack_error,
)
from bench.link.target import RemoteTarget, fitting
from controller import Controller
from tests.link_support import IMAGE, local, remote, run_inputs


class Scripted:
    """A far end that answers each good frame by a function of its (kind, session, sequence, body)."""

    def __init__(self, script: object) -> None:
        self.script = script
        self.frames: list[tuple[int, int, int, bytes]] = []
        self._decoder = Decoder(4096)
        self._out: deque[bytes] = deque()

    def take(self, data: bytes, now: float) -> None:
        for found in self._decoder.feed(data):
            assert isinstance(found, bytes)
            self.frames.append(split(found))
            assert callable(self.script)
            self._out += self.script(*self.frames[-1])

    def wake_at(self) -> float | None:
        return None

    def give(self, now: float) -> bytes:
        sent = b"".join(self._out)
        self._out.clear()
        return sent


def host_to(script: object, timeout_s: float = 0.5) -> tuple[Host, Scripted, MemoryLine]:
    far = Scripted(script)
    line = MemoryLine(far)
    return Host(line, 7, timeout_s), far, line


def test_greeting_and_loading() -> None:
    target, device, _ = remote()
    assert (target.greeting.tick_us, target.greeting.image_crc) == (0, 0)
    assert target.load(IMAGE) == 0
    assert target.greeting.tick_us == 1000
    assert target.greeting.image_crc == int.from_bytes(IMAGE[8:12], "little")
    assert target.greeting.largest == device.facts.largest


def test_outputs_events_and_state_come_over_the_line() -> None:
    inputs = run_inputs()
    target, device, _ = remote()
    target.load(IMAGE)
    target.start()
    far, near = target.run(65000, inputs), local().run(65000, inputs)
    assert (far.outputs == near.outputs).all()
    assert far.events == near.events
    assert len(far.events) == inputs["events"].sum()
    assert far.digest == near.digest
    assert device.stepped == len(inputs)
    assert near.outputs["reduction"].max() > 500


@pytest.mark.rule("W2")
@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("window", [1, 8])
def test_each_fault_of_the_line_is_got_over(name: str, window: int) -> None:
    inputs = run_inputs(1500)
    target, device, _ = remote(facts=Facts(window=window, largest=256), rates={name: 0.1}, seed=3)
    assert target.load(IMAGE) == 0
    target.start()
    far = target.run(0, inputs)
    assert (far.outputs == local().run(0, inputs).outputs).all()
    assert device.stepped == len(inputs)
    if name in ("drop", "flip", "stall"):
        assert target.host.resent > 0
    if name == "garbage":
        assert target.host.damaged > 0


@pytest.mark.rule("W2")
@settings(max_examples=40)
@given(
    st.dictionaries(st.sampled_from(list(FAULTS)), st.floats(0, 0.2), max_size=4),
    st.integers(0, 1 << 30),
    st.integers(1, 8),
)
def test_no_fault_makes_it_step_twice(rates: dict[str, float], seed: int, window: int) -> None:
    device = Device(Controller, Facts(window=window, largest=128))
    host = Host(MemoryLine(Behaviour(device, rates, seed)), 7, 0.5, 60)
    target = RemoteTarget(host)
    target.load(IMAGE)
    target.start()
    inputs = run_inputs(200)
    sent, answered = 0, 0
    while answered < 100:
        while sent < 100 and host.has_room():
            host.post(Kind.STEP, pack_step(sent, inputs[sent : sent + 1], False))
            sent += 1
        answer = host.next_answer()
        assert answer is not None
        stepped = StepAnswer.unpack(answer)
        body = pack_step(answered, inputs[answered : answered + 1], False)
        assert stepped.request_crc == binascii.crc32(body)
        answered += 1
    assert device.stepped == 100


@pytest.mark.rule("W2")
def test_a_lost_answer_is_given_again_without_a_step() -> None:
    device = Device(Controller, Facts(window=2))
    device.receive(encode(message(Kind.HELLO, 7, 0, b"\x01")))
    frames = [
        message(Kind.PIECE, 7, 0, pack_piece(0, IMAGE[:900])),
        message(Kind.PIECE, 7, 1, pack_piece(900, IMAGE[900:])),
        message(Kind.COMMIT, 7, 2, pack_commit(len(IMAGE), binascii.crc32(IMAGE))),
        message(Kind.START, 7, 3),
        message(Kind.STEP, 7, 4, pack_step(0, np.zeros(1, INPUT), True)),
        message(Kind.STEP, 7, 5, pack_step(1, np.zeros(1, INPUT), True)),
    ]
    answers = [device.receive(encode(frame)) for frame in frames]
    assert device.stepped == 2
    assert device.receive(encode(frames[5])) == answers[5]
    assert device.receive(encode(frames[4])) == answers[4]
    assert device.stepped == 2
    # one too old to be remembered is no request any more
    payload = Decoder(100).feed(device.receive(encode(frames[3])))[0]
    assert isinstance(payload, bytes)
    assert split(payload)[0] == ERROR
    assert unpack_error(split(payload)[3]) == (Reason.GAP, 6)
    assert device.stepped == 2


@pytest.mark.rule("W2")
def test_sequence_numbers_go_round() -> None:
    target, _, _ = remote(facts=Facts(window=3, largest=128))
    host = target.host
    for count in range(66000):
        while not host.has_room():
            assert host.next_answer() is not None
        host.post(Kind.STREAM, (count & 1).to_bytes(2, "little"))
    while host.under_way:
        host.next_answer()
    assert host.resent == 0
    assert host.sent == 66000


def test_a_silent_device_is_given_up_in_time() -> None:
    host, far, line = host_to(lambda *frame: [])
    with pytest.raises(LinkError, match="said nothing for 5 s"):
        host.hello()
    assert line.now() == pytest.approx(5)
    assert len(far.frames) == 10


def test_a_device_that_talks_nonsense_is_given_up_in_time() -> None:
    host, _, line = host_to(lambda *frame: [b"\x55\xaa\x00garbage\x00\xff"] * 5)
    with pytest.raises(LinkError, match="makes no sense"):
        host.hello()
    assert line.now() == pytest.approx(5)


def test_a_device_that_never_stops_talking_is_given_up_in_time() -> None:
    class Chatter(Scripted):
        def wake_at(self) -> float | None:
            return self.at

        def give(self, now: float) -> bytes:
            self.at = now + 0.001
            return b"chatter" * 3

        at = 0.0

    line = MemoryLine(Chatter(lambda *frame: []))
    with pytest.raises(LinkError):
        Host(line, 7).hello()
    assert line.now() == pytest.approx(5, abs=0.1)


def test_another_protocol_is_named() -> None:
    def script(kind: int, session: int, sequence: int, body: bytes) -> list[bytes]:
        greeting = Greeting(9, 0, 1, 0, 0, 0, "later").pack() + b"more of it"
        return [encode(message(kind | ANSWER, session, 0, greeting))]

    host, _, _ = host_to(script)
    with pytest.raises(LinkError, match=r"\(later\) speaks version 9 of the protocol"):
        host.hello()


def test_answers_of_another_conversation_are_passed_over() -> None:
    def script(kind: int, session: int, sequence: int, body: bytes) -> list[bytes]:
        if kind == Kind.HELLO:
            greeting = Greeting(1, 4, 1, 0, 128, 0, "board").pack()
            stale = encode(message(kind | ANSWER, session + 1, 0, greeting.replace(b"board", b"other")))
            return [stale, encode(message(kind | ANSWER, session, 0, greeting))]
        return [
            encode(message(kind | ANSWER, session + 1, sequence, b"wrong")),
            encode(message(kind | ANSWER, session, (sequence + 5) & 0xFFFF, b"wrong")),
            encode(message(Kind.START | ANSWER, session, sequence, b"wrong")),
            encode(b"x"),
            encode(message(kind | ANSWER, session, sequence, b"right")),
            encode(message(kind | ANSWER, session, sequence, b"late")),
        ]

    host, _, _ = host_to(script)
    assert host.hello().firmware == "board"
    assert host.ask(Kind.STATUS) == b"right"
    assert host.ask(Kind.STATUS) == b"right"
    assert host.stale >= 5


def test_a_device_that_stops_answering_is_given_up_in_time() -> None:
    def script(kind: int, session: int, sequence: int, body: bytes) -> list[bytes]:
        greeting = Greeting(1, 4, 1, 0, 128, 0, "board").pack()
        return [encode(message(kind | ANSWER, session, 0, greeting))] if kind == Kind.HELLO else []

    host, _, line = host_to(script, timeout_s=0.2)
    host.hello()
    begun = line.now()
    with pytest.raises(LinkError, match="gave no answer for 2 s"):
        host.ask(Kind.STATUS)
    assert line.now() - begun == pytest.approx(2)


def test_a_restarted_device_is_told_from_a_silent_one() -> None:
    inputs = run_inputs()
    target, device, _ = remote(reset_at=300)
    target.load(IMAGE)
    target.start()
    with pytest.raises(Restarted, match="restarted in the middle"):
        target.run(0, inputs)
    assert device.restarts == 1
    assert device.stepped < len(inputs)


def test_reset_powers_up_anew() -> None:
    target, device, _ = remote()
    target.load(IMAGE)
    target.reset()
    assert device.restarts == 1
    assert target.greeting.image_crc == 0
    with pytest.raises(DeviceError) as refused:
        target.start()
    assert refused.value.reason == Reason.NO_IMAGE


def test_an_unplugged_line_is_an_error() -> None:
    target, _, _ = remote(baud=115200, unplug_after_s=2.0)
    target.load(IMAGE)
    target.start()
    with pytest.raises(LinkError, match="went away"):
        target.run(0, run_inputs())


def test_a_later_bench_takes_over_from_an_earlier_one() -> None:
    device = Device(Controller)
    behaviour = Behaviour(device)
    first = RemoteTarget(Host(MemoryLine(behaviour), 7))
    first.load(IMAGE)
    first.start()
    second = RemoteTarget(Host(MemoryLine(behaviour), 8))
    assert second.greeting.tick_us == 1000
    second.start()
    with pytest.raises(Restarted):
        first.start()


@pytest.mark.rule("W2")
def test_the_same_answer_can_be_asked_for_again() -> None:
    target, device, _ = remote(rates={"drop": 0.3}, seed=5)
    target.load(IMAGE)
    target.start()
    body = pack_step(0, np.zeros(3, INPUT), True)
    first = target.host.ask(Kind.STEP, body)
    assert target.host.again() == first
    assert target.host.ask(Kind.STEP, pack_step(3, np.zeros(1, INPUT), True)) != first
    assert device.stepped == 4


@pytest.mark.parametrize("baud", [115200, 921600])
def test_bytes_take_their_time(baud: int) -> None:
    """8N1: ten bit times a byte; 86.806 us at 115200 baud, 10.85 us at 921600 (computed)."""
    _, _, line = remote(baud=baud)
    byte_us = {115200: 86.806, 921600: 10.85}[baud]
    assert line.now() * 1e6 / (line.bytes_out + line.bytes_in) == pytest.approx(byte_us, rel=1e-3)


def test_as_many_ticks_go_into_a_frame_as_fit() -> None:
    inputs = run_inputs(300)
    for largest in (128, 200, 512, 1024, 4096):
        ticks = fitting(inputs, largest)
        for count, fits in ((ticks, True), (ticks + 1, False)):
            events = bytes(int(inputs["events"][:count].sum()))
            outputs = bytes(37 * count)
            answer = message(0x85, 1, 1, pack_step_answer(0, 0, 0, count & 255, outputs, events))
            request = message(5, 1, 1, pack_step(0, inputs[:count], True)) if count < 256 else bytes(9999)
            assert (max(len(answer), len(request)) <= largest) == fits
    assert fitting(inputs, 4096, 7) == 7
    busy = np.zeros(1, INPUT)
    busy["events"] = 255
    with pytest.raises(LinkError, match="255 events"):
        fitting(busy, 128)


def test_equal_seeds_give_equal_faults() -> None:
    rates = dict.fromkeys(FAULTS, 0.2)
    wire = [encode(bytes([i])) for i in range(100)]
    first, second = (
        [faults.pass_on(frame, float(i)) for i, frame in enumerate(wire)]
        for faults in (LineFaults(rates, "1"), LineFaults(rates, "1"))
    )
    assert first == second
    moments = [at for arriving in first for at, _ in arriving]
    assert moments == sorted(moments)
