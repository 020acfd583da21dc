"""What every device must do on the wire: frames, order, silence, counters, errors.

Runs anywhere: pytest tests/contract --device PORT. What a device does not have (its greeting says so) is
skipped. Two things cannot be brought about from here: a memory that fails (error STORE) and a supply that is
cut while an image is stored (W4); both are tried on the store and the link themselves.
"""

from __future__ import annotations

import binascii

import numpy as np
import pytest

from bench.calibration.image import pack
from bench.link.frames import Damage, Decoder, encode
from bench.link.host import DeviceError, Host, Restarted
from bench.link.protocol import (
    ANSWER,
    ARMED,
    ERROR,
    INPUT,
    LARGEST,
    PROTOCOL,
    STALLED,
    TICKS,
    Feature,
    Greeting,
    Kind,
    Reason,
    Status,
    StepAnswer,
    message,
    pack_commit,
    pack_events,
    pack_piece,
    pack_step,
    pack_stream,
    split,
    unpack_error,
)
from bench.link.target import RemoteTarget, fitting
from controller.constants import FAULT_TICK, REASON_SAFE
from controller.image import LENGTH
from tests.support import values

QUICK = values(heal_samples=10, hold_ticks=40, disarm_ticks=20, confirm_samples=5)
IMAGE = pack(QUICK)
STALL_MS = 300
STALLING = pack(QUICK | {"stall_ms": STALL_MS, "safe_reduction": 1000, "safe_retard": 30})
QUIET = pack_step(0, np.zeros(1, INPUT), False)


def need(target: RemoteTarget, feature: Feature) -> None:
    if feature not in target.greeting.features:
        pytest.skip(f"this device has no {str(feature.name).lower()}")


def ready(target: RemoteTarget, image: bytes = IMAGE) -> None:
    assert target.load(image) == 0
    target.start()


class Raw:
    """A conversation of our own over the target's line, request by request, in bytes."""

    def __init__(self, target: RemoteTarget, session: int = 0x1234) -> None:
        self.line = target.host.line
        self.session = session
        self.sequence = 0
        self.decoder = Decoder(LARGEST)
        self.line.send(b"\0" + encode(message(Kind.HELLO, session, 0, bytes([PROTOCOL]))))
        kind, _, _, body = split(self.heard())
        assert kind == Kind.HELLO | ANSWER
        self.greeting = Greeting.unpack(body)

    def heard(self, limit_s: float = 1.0) -> bytes:
        """The next payload; b"" where none comes."""
        until = self.line.now() + limit_s
        while (left := until - self.line.now()) > 0:
            for found in self.decoder.feed(self.line.receive(left)):
                assert not isinstance(found, Damage)
                return found
        return b""

    def ask(self, kind: int, body: bytes = b"", ahead: int = 0, session: int | None = None) -> bytes:
        number = self.session if session is None else session
        self.line.send(encode(message(kind, number, (self.sequence + ahead) & 0xFFFF, body)))
        answer = self.heard()
        assert answer, "no answer"
        if ahead == 0 and session is None:
            self.sequence += 1
        return answer

    def error(
        self, kind: int, body: bytes = b"", ahead: int = 0, session: int | None = None
    ) -> tuple[int, int]:
        answered, _, _, rest = split(self.ask(kind, body, ahead, session))
        assert answered == ERROR
        return unpack_error(rest)

    def status(self) -> Status:
        answered, _, _, body = split(self.ask(Kind.STATUS))
        assert answered == Kind.STATUS | ANSWER
        return Status.unpack(body)


@pytest.mark.rule("W1")
def test_one_zero_byte_is_enough_after_any_garbage(wire: RemoteTarget) -> None:
    need(wire, Feature.STATUS)
    raw = Raw(wire)
    before = raw.status()
    for garbage in (b"\x07", bytes(range(1, 256)), b"\xff" * (wire.greeting.largest + 50), b"\x01\x01\x05"):
        raw.line.send(garbage + b"\0")
        raw.status()
    after = raw.status()
    assert after.ticks == before.ticks
    damage = [sum((status.crc, status.stuffing, status.long, status.short)) for status in (before, after)]
    assert damage[1] - damage[0] >= 4


@pytest.mark.rule("W1")
def test_a_damaged_request_is_neither_carried_out_nor_answered(wire: RemoteTarget) -> None:
    ready(wire)
    raw = Raw(wire)
    frame = bytearray(encode(message(Kind.STEP, raw.session, 0, QUIET)))
    for at in range(2, len(frame) - 1, 5):
        harmed = bytearray(frame)
        harmed[at] ^= 0x40 if harmed[at] != 0x40 else 0x20
        raw.line.send(bytes(harmed))
    assert raw.heard(0.3) == b""
    stepped = StepAnswer.unpack(split(raw.ask(Kind.STEP, QUIET))[3])
    assert not stepped.outputs["faults"][0] & FAULT_TICK  # the first tick after START sets no tick error


@pytest.mark.rule("W1")
def test_a_frame_of_the_greatest_length_is_taken(wire: RemoteTarget) -> None:
    ready(wire)
    inputs = np.zeros(255, INPUT)
    ticks = fitting(inputs, wire.greeting.largest)
    raw = Raw(wire)
    stepped = StepAnswer.unpack(split(raw.ask(Kind.STEP, pack_step(0, inputs[:ticks], False)))[3])
    assert len(stepped.outputs) == ticks
    piece = wire.greeting.largest - 5 - 2
    assert split(raw.ask(Kind.PIECE, pack_piece(0, IMAGE[: min(piece, LENGTH)])))[0] == Kind.PIECE | ANSWER


@pytest.mark.rule("W2")
def test_a_request_is_carried_out_once_and_answered_again_byte_for_byte(wire: RemoteTarget) -> None:
    ready(wire)
    raw = Raw(wire)
    body = pack_step(7, np.zeros(3, INPUT), False)
    first = raw.ask(Kind.STEP, body)
    for _ in range(3):
        assert raw.ask(Kind.STEP, body, ahead=-1) == first
    following = StepAnswer.unpack(split(raw.ask(Kind.STEP, pack_step(10, np.zeros(1, INPUT), False)))[3])
    assert not following.outputs["faults"][0] & FAULT_TICK  # ticks 7, 8, 9 were stepped once: 10 is the next


@pytest.mark.rule("W2")
def test_as_many_answers_are_kept_as_the_greeting_says(wire: RemoteTarget) -> None:
    raw = Raw(wire)
    window = raw.greeting.window
    bodies = [pack_piece(i, bytes([i + 1])) for i in range(window)]
    answers = [raw.ask(Kind.PIECE, body) for body in bodies]
    for i in (0, window // 2, window - 1):
        assert raw.ask(Kind.PIECE, bodies[i], ahead=i - window) == answers[i]


@pytest.mark.rule("W2")
def test_an_error_is_kept_like_any_answer(wire: RemoteTarget) -> None:
    raw = Raw(wire)
    first = raw.ask(0x3F)
    assert raw.ask(0x3F, ahead=-1) == first


@pytest.mark.rule("W2")
def test_a_gap_and_a_foreign_session_change_nothing(wire: RemoteTarget) -> None:
    ready(wire)
    raw = Raw(wire)
    first = raw.ask(Kind.STEP, QUIET)
    assert raw.error(Kind.STEP, QUIET, ahead=1) == (Reason.GAP, 1)
    assert raw.error(Kind.STEP, QUIET, ahead=40000) == (Reason.GAP, 1)
    assert raw.error(Kind.STEP, QUIET, session=0x4321)[0] == Reason.NO_SESSION
    assert raw.error(Kind.STEP, QUIET, session=0)[0] == Reason.NO_SESSION
    assert raw.ask(Kind.STEP, QUIET, ahead=-1) == first
    following = StepAnswer.unpack(split(raw.ask(Kind.STEP, pack_step(1, np.zeros(1, INPUT), False)))[3])
    assert not following.outputs["faults"][0] & FAULT_TICK


@pytest.mark.rule("W2")
def test_the_same_session_again_changes_nothing_and_another_begins_anew(wire: RemoteTarget) -> None:
    raw = Raw(wire)
    raw.ask(Kind.PIECE, pack_piece(0, b"x"))
    again = Raw(wire)
    assert again.error(Kind.PIECE, pack_piece(0, b"x"), ahead=5) == (Reason.GAP, 1)
    assert Raw(wire, 0x1235).error(Kind.PIECE, pack_piece(0, b"x"), ahead=5) == (Reason.GAP, 0)


def let_fall_silent(wire: RemoteTarget, inputs: np.ndarray) -> None:
    ready(wire, STALLING)
    wire.host.ask(Kind.STEP, pack_step(0, inputs, False))
    wire.host.idle(STALL_MS / 1000 * 1.5)


@pytest.mark.rule("W3")
def test_after_silence_the_safe_state_acts_until_the_next_step_says_so(wire: RemoteTarget) -> None:
    need(wire, Feature.SAFE_STATE)
    need(wire, Feature.STATUS)
    inputs = np.zeros(1, INPUT)
    inputs["request_reduction"], inputs["request_reason"] = 150, 20
    ready(wire, STALLING)
    wire.host.idle(STALL_MS / 1000 * 1.5)
    assert (wire.status().reduction, wire.status().retard) == (
        0,
        0,
    )  # before the first step nobody gives inputs
    let_fall_silent(wire, inputs)
    status = wire.status()
    assert (status.reduction, status.retard) == (1000, 30)
    assert status.reason in (REASON_SAFE, None)
    stalls = status.stalls
    wire.host.idle(STALL_MS / 1000)
    assert wire.status().stalls == stalls  # asking for STATUS gives no inputs
    stepped = StepAnswer.unpack(wire.host.ask(Kind.STEP, pack_step(1, inputs, False)))
    assert stepped.flags & STALLED
    assert stepped.outputs["reduction"].tolist() == [150]
    assert wire.status().reduction == 150
    stepped = StepAnswer.unpack(wire.host.ask(Kind.STEP, pack_step(2, inputs, False)))
    assert not stepped.flags & STALLED


@pytest.mark.rule("W3")
def test_after_silence_the_safe_state_acts_on_events(wire: RemoteTarget) -> None:
    need(wire, Feature.SAFE_STATE)
    need(wire, Feature.EVENTS)
    due = min(80, wire.greeting.largest - 5)
    ready(wire, STALLING)
    wire.host.ask(Kind.STEP, QUIET)
    assert set(wire.events(due)) == {0}
    wire.host.idle(STALL_MS / 1000 * 1.5)
    events = wire.events(due)
    assert len(events) == due
    assert all(event & 3 for event in events)
    wire.host.ask(Kind.STEP, pack_step(1, np.zeros(1, INPUT), False))
    assert set(wire.events(due)) == {0}


@pytest.mark.rule("W3")
@pytest.mark.parametrize("kind", [Kind.COMMIT, Kind.START, Kind.RESET])
@pytest.mark.parametrize("why", ["armed", "reduction", "retard", "safe state"])
def test_nothing_gives_torque_back_in_one_step(wire: RemoteTarget, kind: Kind, why: str) -> None:
    need(wire, Feature.STATUS)
    if why == "safe state":
        need(wire, Feature.SAFE_STATE)
    if kind == Kind.RESET:
        need(wire, Feature.RESET)
    inputs = np.zeros(1, INPUT)
    if why == "armed":
        inputs["switches"] = ARMED
    elif why != "safe state":
        inputs[f"request_{why}"] = 200
    if why == "safe state":
        let_fall_silent(wire, inputs)
    else:
        ready(wire)
        wire.host.ask(Kind.STEP, pack_step(0, inputs, False))
    body = pack_commit(LENGTH, binascii.crc32(IMAGE)) if kind == Kind.COMMIT else b""
    before = wire.status()
    with pytest.raises(DeviceError) as refused:
        wire.host.ask(kind, body)
    assert refused.value.reason == Reason.ACTIVE
    after = wire.status()
    assert (after.reduction, after.retard, after.ticks) == (before.reduction, before.retard, before.ticks)
    wire.start()  # steps it with arming off first
    assert (wire.status().reduction, wire.status().retard) == (0, 0)


@pytest.mark.rule("W4")
def test_what_is_kept_is_there_after_a_reset(wire: RemoteTarget) -> None:
    need(wire, Feature.STORE)
    need(wire, Feature.RESET)
    ready(wire)
    crc = wire.greeting.image_crc
    assert crc == int.from_bytes(IMAGE[8:12], "little")
    wire.reset()
    assert wire.greeting.image_crc == crc
    assert not wire.greeting.older


def test_reset_answers_and_forgets_the_conversation(wire: RemoteTarget) -> None:
    need(wire, Feature.RESET)
    ready(wire)
    raw = Raw(wire)
    assert split(raw.ask(Kind.RESET))[0] == Kind.RESET | ANSWER
    # what comes while a board powers up may be lost: asked again, as a host does
    asked = encode(message(Kind.STATUS, raw.session, raw.sequence))
    for _ in range(wire.host.attempts):
        raw.line.send(b"\0" + asked)
        if answer := raw.heard():
            break
    answered, _, _, body = split(answer)
    assert (answered, unpack_error(body)[0]) == (ERROR, Reason.NO_SESSION)
    with pytest.raises(Restarted):
        wire.host.ask(Kind.STATUS)
    wire.host = Host(wire.host.line)
    wire.greeting = wire.host.hello()
    if wire.greeting.tick_us == 0:
        assert Raw(wire).error(Kind.START)[0] == Reason.NO_IMAGE


def test_status_has_its_length_and_counts(wire: RemoteTarget) -> None:
    need(wire, Feature.STATUS)
    ready(wire)
    raw = Raw(wire)
    body = split(raw.ask(Kind.STATUS))[3]
    assert len(body) in (40, 42), "STATUS answer"
    before = Status.unpack(body)
    for i in range(3):
        raw.ask(Kind.STEP, pack_step(5 * i, np.zeros(5, INPUT), False))
    raw.ask(Kind.STEP, pack_step(10, np.zeros(5, INPUT), False), ahead=-1)
    raw.error(Kind.STEP, QUIET, ahead=9)
    raw.error(0x3F)
    after = raw.status()
    assert after.ticks - before.ticks == 15
    assert (after.repeated - before.repeated, after.gaps - before.gaps) == (1, 1)
    assert after.malformed - before.malformed == 1
    assert (after.reduction, after.retard) == (0, 0)


def test_a_device_fed_over_the_line_says_nothing_unasked(wire: RemoteTarget) -> None:
    need(wire, Feature.STREAM)
    ready(wire)
    raw = Raw(wire)
    assert split(raw.ask(Kind.STREAM, pack_stream(1)))[3] == b""
    answer = split(raw.ask(Kind.STEP, QUIET))
    assert answer[0] in (Kind.STEP | ANSWER, TICKS)
    assert split(raw.ask(Kind.STREAM, pack_stream(0)))[0] in (Kind.STREAM | ANSWER, TICKS)
    assert raw.heard(0.2) == b""


WRONG = [
    (0x00, b"", Reason.UNKNOWN),
    (0x3F, b"", Reason.UNKNOWN),
    (0x85, b"", Reason.UNKNOWN),
    (Kind.PIECE, b"\0\0", Reason.MALFORMED),
    (Kind.PIECE, pack_piece(LENGTH, b"x"), Reason.BEYOND),
    (Kind.PIECE, pack_piece(65535, b"x"), Reason.BEYOND),
    (Kind.PIECE, pack_piece(LENGTH - 1, b"xx"), Reason.BEYOND),
    (Kind.COMMIT, b"", Reason.MALFORMED),
    (Kind.COMMIT, pack_commit(LENGTH + 1, 0), Reason.BEYOND),
    (Kind.COMMIT, pack_commit(LENGTH, 1), Reason.PIECES),
    (Kind.START, b"x", Reason.MALFORMED),
    (Kind.STEP, QUIET, Reason.NOT_STARTED),
    (Kind.STEP, QUIET[:-1], Reason.MALFORMED),
    (Kind.STEP, QUIET + b"x", Reason.MALFORMED),
    (Kind.STEP, QUIET[:2] + b"\0" + QUIET[3:4], Reason.MALFORMED),
    (Kind.STATUS, b"x", Reason.MALFORMED),
    (Kind.RESET, b"x", Reason.MALFORMED),
    (Kind.STREAM, b"x", Reason.MALFORMED),
    (Kind.EVENTS, b"", Reason.MALFORMED),
    (Kind.EVENTS, pack_events(0), Reason.MALFORMED),
    (Kind.EVENTS, pack_events(1), Reason.NOT_STARTED),
]
NEEDED = {
    Kind.STATUS: Feature.STATUS,
    Kind.RESET: Feature.RESET,
    Kind.STREAM: Feature.STREAM,
    Kind.EVENTS: Feature.EVENTS,
}


@pytest.mark.parametrize(("kind", "body", "reason"), WRONG)
def test_a_wrong_request_is_refused_with_its_reason(
    wire: RemoteTarget, kind: int, body: bytes, reason: Reason
) -> None:
    assert wire.load(IMAGE) == 0
    known = NEEDED.get(kind, Feature(0)) in wire.greeting.features if kind in NEEDED else True
    assert Raw(wire).error(kind, body) == (reason if known else Reason.UNKNOWN, 0)


def test_an_answer_too_long_for_a_frame_is_refused_and_steps_nothing(wire: RemoteTarget) -> None:
    ready(wire)
    raw = Raw(wire)
    ticks = (wire.greeting.largest - 9) // INPUT.itemsize
    inputs = np.zeros(min(ticks, 255), INPUT)
    assert raw.error(Kind.STEP, pack_step(0, inputs, False)) == (Reason.TOO_MUCH, 0)
    if Feature.EVENTS in wire.greeting.features:
        assert raw.error(Kind.EVENTS, pack_events(wire.greeting.largest - 4)) == (Reason.TOO_MUCH, 0)
    stepped = StepAnswer.unpack(split(raw.ask(Kind.STEP, QUIET))[3])
    assert len(stepped.outputs) == 1
    assert not stepped.outputs["faults"][0] & FAULT_TICK
