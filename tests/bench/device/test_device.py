"""The device model: its answers to right and wrong requests, and its named misbehaviours."""

from __future__ import annotations

import binascii

import numpy as np
import pytest

from bench.device.behaviour import Behaviour, Player
from bench.device.bugs import BUGS
from bench.device.command import _BUGS, core_maker
from bench.device.faults import FAULTS, LineFaults, parse_faults
from bench.device.simulated import Device, Facts
from bench.errors import UserError
from bench.link.frames import Decoder, encode
from bench.link.host import DeviceError, Host
from bench.link.memory import MemoryLine
from bench.link.protocol import (
    ANSWER,
    ERROR,
    INPUT,
    Kind,
    Reason,
    message,
    pack_commit,
    pack_events,
    pack_piece,
    pack_step,
    pack_stream,
    split,
    unpack_error,
)
from bench.link.record import Recording
from bench.link.target import RemoteTarget
from controller import Controller
from controller.image import LENGTH
from tests.link_support import IMAGE, local, remote, run_inputs


class Talk:
    """Requests with the right sequence numbers, and the answers' kinds and bodies."""

    def __init__(self, **facts: int) -> None:
        self.device = Device(Controller, Facts(**facts))  # type: ignore[arg-type]
        self.sequence = 0
        self.device.receive(encode(message(Kind.HELLO, 7, 0, b"\x01")))

    def ask(self, kind: int, body: bytes = b"") -> tuple[int, bytes]:
        answer = Decoder(4096).feed(self.device.receive(encode(message(kind, 7, self.sequence, body))))[0]
        assert isinstance(answer, bytes)
        found, session, sequence, rest = split(answer)
        assert (session, sequence) == (7, self.sequence)
        self.sequence += 1
        return found, rest

    def error(self, kind: int, body: bytes = b"") -> int:
        found, rest = self.ask(kind, body)
        assert found == ERROR
        return unpack_error(rest)[0]

    def load(self) -> None:
        for offset in range(0, LENGTH, 100):
            self.ask(Kind.PIECE, pack_piece(offset, IMAGE[offset : offset + 100]))
        assert self.ask(Kind.COMMIT, pack_commit(LENGTH, binascii.crc32(IMAGE)))[1] == b"\0"


STEP = pack_step(0, np.zeros(1, INPUT), True)


@pytest.mark.parametrize(
    ("kind", "body", "reason"),
    [
        (0x00, b"", Reason.UNKNOWN),
        (0x0A, b"", Reason.UNKNOWN),
        (Kind.EVENTS, b"", Reason.MALFORMED),
        (Kind.EVENTS, pack_events(0), Reason.MALFORMED),
        (Kind.EVENTS, pack_events(1), Reason.NOT_STARTED),
        (0x85, b"", Reason.UNKNOWN),
        (Kind.PIECE, b"\0\0", Reason.MALFORMED),
        (Kind.PIECE, pack_piece(LENGTH, b"x"), Reason.BEYOND),
        (Kind.PIECE, pack_piece(65535, b"x"), Reason.BEYOND),
        (Kind.PIECE, pack_piece(LENGTH - 1, b"xx"), Reason.BEYOND),
        (Kind.COMMIT, b"", Reason.MALFORMED),
        (Kind.COMMIT, pack_commit(LENGTH + 1, 0), Reason.BEYOND),
        (Kind.COMMIT, pack_commit(LENGTH, 1), Reason.PIECES),
        (Kind.START, b"", Reason.NO_IMAGE),
        (Kind.START, b"x", Reason.MALFORMED),
        (Kind.STEP, STEP, Reason.NOT_STARTED),
        (Kind.STEP, STEP[:-1], Reason.MALFORMED),
        (Kind.STEP, STEP[:2] + b"\0" + STEP[3:4], Reason.MALFORMED),
        (Kind.STATUS, b"x", Reason.MALFORMED),
        (Kind.RESET, b"x", Reason.MALFORMED),
        (Kind.STREAM, b"x", Reason.MALFORMED),
    ],
)
def test_wrong_requests_are_refused_with_their_reason(kind: int, body: bytes, reason: Reason) -> None:
    talk = Talk()
    assert talk.error(kind, body) == reason
    assert talk.ask(Kind.STATUS)[0] == Kind.STATUS | ANSWER


@pytest.mark.rule("W2")
def test_an_error_is_repeated_like_any_answer() -> None:
    talk = Talk()
    request = encode(message(Kind.START, 7, 0))
    first = talk.device.receive(request)
    assert talk.device.receive(request) == first


def test_a_new_image_asks_for_a_new_start() -> None:
    talk = Talk()
    talk.load()
    assert talk.error(Kind.STEP, STEP) == Reason.NOT_STARTED
    assert talk.ask(Kind.START)[0] == Kind.START | ANSWER
    assert talk.ask(Kind.STEP, STEP)[0] == Kind.STEP | ANSWER
    talk.load()
    assert talk.error(Kind.STEP, STEP) == Reason.NOT_STARTED


def test_pieces_of_an_image_left_over_do_not_make_up_another() -> None:
    talk = Talk()
    talk.load()
    talk.ask(Kind.PIECE, pack_piece(0, b"other"))
    assert talk.error(Kind.COMMIT, pack_commit(LENGTH, binascii.crc32(IMAGE))) == Reason.PIECES
    assert talk.ask(Kind.START)[0] == Kind.START | ANSWER


def test_an_answer_that_would_not_fit_is_refused_and_steps_nothing() -> None:
    talk = Talk(largest=128)
    talk.load()
    talk.ask(Kind.START)
    busy = np.zeros(1, INPUT)
    busy["events"] = 74
    assert talk.ask(Kind.STEP, pack_step(0, busy, True))[0] == Kind.STEP | ANSWER
    busy["events"] = 75
    assert talk.error(Kind.STEP, pack_step(1, busy, True)) == Reason.TOO_MUCH
    assert talk.device.stepped == 1


@pytest.mark.rule("W1")
@pytest.mark.parametrize("harm", range(0, 60, 7))
def test_a_damaged_frame_is_neither_carried_out_nor_answered(harm: int) -> None:
    talk = Talk()
    talk.load()
    talk.ask(Kind.START)
    frame = bytearray(encode(message(Kind.STEP, 7, talk.sequence, STEP)))
    frame[harm % (len(frame) - 1)] ^= 0x10
    assert talk.device.receive(bytes(frame)) == b""
    assert talk.device.stepped == 0
    assert talk.ask(Kind.STEP, STEP)[0] == Kind.STEP | ANSWER


def test_counters_tell_what_happened() -> None:
    target, device, _ = remote(rates={"flip": 0.05, "drop": 0.05}, seed=1)
    target.load(IMAGE)
    target.start()
    target.run(0, run_inputs(600))
    status = target.status()
    assert status.ticks == device.stepped == 600
    assert status.crc + status.stuffing + status.short + status.long > 0
    assert status.repeated > 0
    assert status.worst_tick_ns > 0


def test_without_a_conversation_nothing_is_done() -> None:
    device = Device(Controller)
    sent = device.receive(encode(message(Kind.START, 7, 0)))
    payload = Decoder(99).feed(sent)[0]
    assert isinstance(payload, bytes)
    assert payload[0] == ERROR
    assert unpack_error(split(payload)[3])[0] == Reason.NO_SESSION
    assert device.receive(encode(message(Kind.HELLO, 0, 0, b"\x01"))) == b""
    assert device.receive(encode(message(Kind.HELLO, 5, 0, b""))) == b""
    assert device.receive(encode(b"\x01")) == b""


def test_reset_at_a_tick_happens_once() -> None:
    target, device, line = remote(reset_at=50)
    target.load(IMAGE)
    target.start()
    with pytest.raises(Exception, match="restarted"):
        target.run(0, run_inputs(200))
    assert device.restarts == 1
    again = RemoteTarget(Host(line, 8))
    assert again.greeting.tick_us == 0
    again.load(IMAGE)
    again.start()
    assert (again.run(0, run_inputs(200)).outputs == local().run(0, run_inputs(200)).outputs).all()
    assert device.restarts == 1


def test_the_wrong_versions_are_told() -> None:
    assert remote(facts=Facts(image_version=9))[0].greeting.image_version == 9
    with pytest.raises(UserError, match="speaks version 2"):
        remote(facts=Facts(protocol=2))


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_does_what_its_name_says(name: str) -> None:
    wire = encode(b"twelve bytes")
    arriving = [LineFaults({name: 1.0}, str(seed)).pass_on(wire, 5.0) for seed in range(200)]
    data = [b"".join(piece for _, piece in pieces) for pieces in arriving]
    last = [pieces[-1][0] if pieces else 5.0 for pieces in arriving]
    found = [Decoder(100).feed(one + b"\0") for one in data]
    if name == "drop":
        assert set(data) == {b""}
    elif name == "flip":
        assert all(len(one) == len(wire) and one != wire for one in data)
    elif name == "duplicate":
        assert set(data) == {wire * 2}
    elif name == "split":
        assert set(data) == {wire}
        assert max(len(pieces) for pieces in arriving) > 2
    elif name == "delay":
        assert set(data) == {wire}
        assert 5 < max(last) <= 5.05
    elif name == "stall":
        assert set(data) == {wire}
        assert all(6 <= moment <= 7 for moment in last)
    else:
        assert all(one.endswith(wire) and len(one) > len(wire) for one in data)
        assert any(b"twelve bytes" in frames for frames in found)


def test_faults_are_read_from_the_command_line() -> None:
    assert parse_faults(("drop=0.5", "flip")) == {"drop": 0.5, "flip": 0.01}
    for wrong in ("burn", "drop=2", "drop=-1", "drop=x", "drop=nan"):
        with pytest.raises(UserError):
            parse_faults((wrong,))


def streaming(inputs: np.ndarray, rates: dict[str, float] | None = None) -> tuple[Host, MemoryLine]:
    player = Player(Controller(), IMAGE, inputs)
    line = MemoryLine(Behaviour(Device(Controller, image=IMAGE), rates, 3, player))
    host = Host(line, 7)
    assert host.hello().tick_us == 1000
    return host, line


@pytest.mark.parametrize("every", [1, 3, 7])
def test_a_streaming_device_sends_each_tick_once(every: int) -> None:
    inputs = run_inputs(700)
    host, line = streaming(inputs)
    host.ask(Kind.STREAM, pack_stream(every))
    begun = line.now()
    recording = Recording()
    while (streamed := host.listen(0.5)) is not None:
        recording.add(streamed)
    assert line.now() - begun == pytest.approx(0.7 + 0.5, abs=0.05)
    assert recording.lost == 0
    ticks = [first + i * s.every for first, s in recording.messages for i in range(len(s.inputs))]
    assert ticks == list(range(0, 700, every))
    got = np.concatenate([streamed.inputs for _, streamed in recording.messages])
    assert (got == inputs[::every]).all()
    outputs = np.concatenate([streamed.outputs for _, streamed in recording.messages])
    assert (outputs == local().run(0, inputs).outputs[::every]).all()


def test_what_a_bad_line_takes_from_a_stream_is_counted_and_left_out() -> None:
    inputs = run_inputs(700)
    host, _ = streaming(inputs, {"drop": 0.1, "flip": 0.1})
    host.ask(Kind.STREAM, pack_stream(1))
    recording = Recording()
    while (streamed := host.listen(0.5)) is not None:
        recording.add(streamed)
    assert recording.lost > 0
    for first, streamed in recording.messages:
        assert (streamed.inputs == inputs[first : first + len(streamed.inputs)]).all()
    times = [float(row.split(",")[0]) for row in recording.as_csv(1000).splitlines()[2:]]
    assert times == sorted(set(times))
    assert len(times) == recording.ticks < 700


def test_a_stream_ends_when_told() -> None:
    host, line = streaming(run_inputs(700))
    host.ask(Kind.STREAM, pack_stream(1))
    assert host.listen(0.5) is not None
    host.ask(Kind.STREAM, pack_stream(0))
    host.streamed.clear()
    assert host.listen(0.5) is None
    assert line.now() < 0.7


def test_a_player_refuses_what_the_controller_refuses() -> None:
    with pytest.raises(ValueError, match="image refused"):
        Player(Controller(), IMAGE[:-1], run_inputs(100))


def test_the_command_knows_every_bug() -> None:
    assert set(_BUGS) == set(BUGS)


def test_a_missing_c_core_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    from firmware_model import binding

    monkeypatch.setattr(binding, "available", lambda: "the C core is not built")
    with pytest.raises(UserError, match="--core c: the C core is not built; or use --core reference"):
        core_maker("c", None)


def test_an_error_names_the_request_and_the_reason() -> None:
    target, _, _ = remote()
    with pytest.raises(DeviceError, match="refused start: it has no calibration image"):
        target.start()
