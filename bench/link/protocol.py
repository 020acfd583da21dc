"""Messages: the payloads of frames, as firmware_model/PROTOCOL.md states them byte by byte.

Nothing here does I/O. All numbers are little-endian; all layouts are fixed but for the length of lists.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.link.line import LinkError

PROTOCOL = 1

Records = npt.NDArray[Any]


class Kind(IntEnum):
    """The first byte of a request; the answer's is the same with ANSWER added."""

    HELLO = 0x01
    PIECE = 0x02
    COMMIT = 0x03
    START = 0x04
    STEP = 0x05
    STATUS = 0x06
    RESET = 0x07
    STREAM = 0x08
    EVENTS = 0x09


ANSWER = 0x80
TICKS = 0x40
"""First byte of what a streaming device sends unasked."""
ERROR = 0xFF


class Reason(IntEnum):
    """Why a device did not do what a request asks."""

    NO_SESSION = 1
    GAP = 2
    UNKNOWN = 3
    MALFORMED = 4
    BEYOND = 5
    PIECES = 6
    NO_IMAGE = 7
    NOT_STARTED = 8
    TOO_MUCH = 9
    STORE = 10
    ACTIVE = 11


REASON_TEXT = {
    Reason.NO_SESSION: "it has forgotten the conversation",
    Reason.GAP: "a request before this one is missing",
    Reason.UNKNOWN: "it does not know this request",
    Reason.MALFORMED: "the request has a wrong length or a value that is not allowed",
    Reason.BEYOND: "the piece lies beyond the end of an image",
    Reason.PIECES: "the pieces do not make up the image that was sent",
    Reason.NO_IMAGE: "it has no calibration image",
    Reason.NOT_STARTED: "it was not started",
    Reason.TOO_MUCH: "the answer would not fit into its largest frame",
    Reason.STORE: "its memory for the calibration failed",
    Reason.ACTIVE: "it is armed, or torque is taken",
}

HEAD = struct.Struct("<BHH")  # kind, session, sequence
_GREETING = struct.Struct("<BBHHHI24s")
_GREETING_MORE = struct.Struct("<HB")  # features, notes; not sent by the first devices
_PIECE = struct.Struct("<H")  # offset
_COMMIT = struct.Struct("<HI")  # length, CRC-32 of all bytes
_DIGEST = struct.Struct("<I")
_STEP = struct.Struct("<HBB")  # first tick, ticks, flags
_STEPPED = struct.Struct("<IIHBB")  # CRC-32 of the request, digest, events, ticks, flags
_STATUS = struct.Struct("<4I12H")
_STATUS_MORE = struct.Struct("<BB")  # reason, notes; not sent by the first devices
_EVENTS = struct.Struct("<H")  # how many
_STREAM = struct.Struct("<H")  # every
_TICKS = struct.Struct("<HHHB")  # number of the message, first tick, every, ticks
_ERROR = struct.Struct("<BH")  # reason, detail


class Feature(IntFlag):
    """What a device has, as its greeting says."""

    DIGEST = 1
    SAFE_STATE = 2
    STREAM = 4
    RESET = 8
    STORE = 16
    STATUS = 32
    EVENTS = 64
    OWN_CALIBRATION = 128
    BOX = 256


FIRST_FEATURES = Feature.DIGEST | Feature.SAFE_STATE | Feature.STREAM | Feature.RESET | Feature.STATUS
"""What a device has whose greeting does not say."""
OLDER = 1
"""Note in greeting and STATUS: the active calibration is older than the one that was to be kept last."""
OLDER_TEXT = (
    "the device runs an older calibration than the one that was to be kept last, which was cut off or damaged"
)

WANTS_DIGEST = 1
STALLED = 2
"""Flag of the answer to STEP: the outputs had gone to the safe state before this step."""

# The inputs of one tick. switches: bit 0 speed valid, 1 armed, 2 launch. events: how many cylinders' fuel
# falls due after the step, one after the other in firing order.
INPUT = np.dtype(
    [
        ("counts", "<u2"),
        ("speed", "<u2"),
        ("engine", "<u2"),
        ("shaft", "<u2"),
        ("request_reduction", "<u2"),
        ("request_retard", "<u2"),
        ("request_reason", "<u2"),
        ("switches", "u1"),
        ("events", "u1"),
    ]
)
SPEED_VALID = 1
ARMED = 2
LAUNCH = 4

# The outputs of one tick, named as in bench.replay.run.
OUTPUT = np.dtype(
    [
        ("hold_left", "<u4"),
        ("height", "<i2"),
        ("rest", "<i2"),
        ("lift", "<i2"),
        ("entry", "<i2"),
        ("progress", "<u2"),
        ("demand", "<u2"),
        ("latched", "<u2"),
        ("retard_demand", "<u2"),
        ("retard_latched", "<u2"),
        ("reduction", "<u2"),
        ("retard", "<u2"),
        ("faults", "<u2"),
        ("out_of_sight_ticks", "<u2"),
        ("elapsed_ms", "<u2"),
        ("state", "u1"),
        ("retard_state", "u1"),
        ("reason", "u1"),
        ("askers", "u1"),
        ("launched", "u1"),
    ]
)
INPUT_STRUCT = struct.Struct("<7H2B")
OUTPUT_STRUCT = struct.Struct("<I4h10H5B")

# What one event did: bit 0 fuel off, bit 1 spark off, bit 2 what the spark of the same cycle was told.
EVENT_SPARK = 4

MOST_TICKS = 255
LEAST_LARGEST = 128
"""A device's largest payload has at least these bytes: room for each fixed message and for the answer to a
step of one tick with 64 events."""
LARGEST = 4096
"""A host reads payloads up to this length, so that a greeting need not be trusted before it is checked."""


class Malformed(LinkError):
    """A message is not laid out as the protocol says."""


def _unpack(layout: struct.Struct, data: bytes, what: str) -> tuple[Any, ...]:
    if len(data) != layout.size:
        raise Malformed(f"{what} of {len(data)} bytes, not {layout.size}")
    return layout.unpack(data)


def message(kind: int, session: int, sequence: int, body: bytes = b"") -> bytes:
    """The payload of a message."""
    return HEAD.pack(kind, session, sequence) + body


def split(payload: bytes) -> tuple[int, int, int, bytes]:
    """(kind, session, sequence, body) of a payload; Malformed where it is shorter than its head."""
    if len(payload) < HEAD.size:
        raise Malformed(f"message of {len(payload)} bytes")
    kind, session, sequence = HEAD.unpack_from(payload)
    return kind, session, sequence, payload[HEAD.size :]


@dataclass(frozen=True)
class Greeting:
    """What a device says of itself. `tick_us` and `image_crc` are 0 without an active image; `notes` are bits
    (OLDER)."""

    protocol: int
    window: int
    image_version: int
    tick_us: int
    largest: int
    image_crc: int
    firmware: str
    features: Feature = FIRST_FEATURES
    notes: int = 0

    @property
    def older(self) -> bool:
        """Whether the device runs an older calibration than the one that was to be kept last."""
        return bool(self.notes & OLDER)

    def pack(self) -> bytes:
        return _GREETING.pack(
            self.protocol,
            self.window,
            self.image_version,
            self.tick_us,
            self.largest,
            self.image_crc,
            self.firmware.encode("ascii")[:24],
        ) + _GREETING_MORE.pack(self.features, self.notes)

    @classmethod
    def unpack(cls, body: bytes) -> Greeting:
        # Later versions may add to the greeting; the first devices end it with what they call themselves.
        fields = _unpack(_GREETING, body[: _GREETING.size], "greeting")
        rest = body[_GREETING.size : _GREETING.size + _GREETING_MORE.size]
        features, notes = _unpack(_GREETING_MORE, rest, "end of a greeting") if rest else (FIRST_FEATURES, 0)
        protocol, window, image_version, tick_us, largest, image_crc, text = fields
        firmware = text.rstrip(b"\0").decode("ascii", "backslashreplace")
        shown = "".join(letter if letter.isprintable() else "?" for letter in firmware)
        greeting = cls(
            protocol, window, image_version, tick_us, largest, image_crc, shown, Feature(features), notes
        )
        if greeting.protocol == PROTOCOL and (
            greeting.window < 1 or not LEAST_LARGEST <= greeting.largest <= LARGEST
        ):
            raise Malformed("greeting with an impossible window or largest frame")
        return greeting


@dataclass(frozen=True)
class Status:
    """Counters of a device since it was powered up; those of 16 bits stay at 65535. `reduction` and `retard`
    are what acts on the engine now: the command, or the safe state; `reason` says who set it (None: the
    device does not say). `notes` are bits as in Greeting."""

    ticks: int
    worst_tick_ns: int
    worst_event_ns: int
    stack_bytes: int
    crc: int
    stuffing: int
    long: int
    short: int
    malformed: int
    overruns: int
    repeated: int
    gaps: int
    late: int
    stalls: int
    reduction: int
    retard: int
    reason: int | None = None
    notes: int = 0

    def pack(self) -> bytes:
        wide = (self.ticks, self.worst_tick_ns, self.worst_event_ns, self.stack_bytes)
        damage = (self.crc, self.stuffing, self.long, self.short)
        counted = (self.malformed, self.overruns, self.repeated, self.gaps, self.late, self.stalls)
        narrow = (*damage, *counted, self.reduction, self.retard)
        counters = _STATUS.pack(*(min(n, 0xFFFFFFFF) for n in wide), *(min(n, 0xFFFF) for n in narrow))
        return counters if self.reason is None else counters + _STATUS_MORE.pack(self.reason, self.notes)

    @classmethod
    def unpack(cls, body: bytes) -> Status:
        if len(body) == _STATUS.size:  # of one of the first devices
            return cls(*_STATUS.unpack(body))
        whole = struct.Struct(_STATUS.format + _STATUS_MORE.format.removeprefix("<"))
        return cls(*_unpack(whole, body, "status"))


def pack_piece(offset: int, data: bytes) -> bytes:
    """Body of PIECE: some bytes of an image and where they belong."""
    return _PIECE.pack(offset) + data


def unpack_piece(body: bytes) -> tuple[int, bytes]:
    """(offset, bytes) of PIECE."""
    if len(body) <= _PIECE.size:
        raise Malformed("piece without bytes")
    return _PIECE.unpack_from(body)[0], body[_PIECE.size :]


def pack_commit(length: int, crc: int) -> bytes:
    """Body of COMMIT: length of the whole image and CRC-32/ISO-HDLC over all of its bytes."""
    return _COMMIT.pack(length, crc)


def unpack_commit(body: bytes) -> tuple[int, int]:
    """(length, CRC-32) of COMMIT."""
    length, crc = _unpack(_COMMIT, body, "commit")
    return length, crc


def pack_digest(digest: int) -> bytes:
    """Body of the answer to START."""
    return _DIGEST.pack(digest)


def unpack_digest(body: bytes) -> int:
    """The state's digest from the answer to START."""
    digest: int = _unpack(_DIGEST, body, "start")[0]
    return digest


def unpack_verdict(body: bytes) -> int:
    """The controller's verdict on an image, from the answer to COMMIT."""
    if len(body) != 1:
        raise Malformed("verdict that is not one byte")
    return body[0]


def pack_step(first: int, inputs: Records, digest: bool) -> bytes:
    """Body of STEP: the ticks of `inputs` (INPUT records, 1 to MOST_TICKS), the first one's number
    `first`."""
    return _STEP.pack(first & 0xFFFF, len(inputs), WANTS_DIGEST if digest else 0) + inputs.tobytes()


def unpack_step(body: bytes) -> tuple[int, int, int, bytes]:
    """(first tick, ticks, flags, packed inputs) of STEP."""
    if len(body) < _STEP.size:
        raise Malformed("step without inputs")
    first, ticks, flags = _STEP.unpack_from(body)
    inputs = body[_STEP.size :]
    if ticks == 0 or len(inputs) != ticks * INPUT.itemsize:
        raise Malformed("step whose inputs are not as many as it says")
    return first, ticks, flags, inputs


@dataclass(frozen=True)
class StepAnswer:
    """The answer to STEP. `outputs`: OUTPUT records, one a tick; `events`: one byte an event, in order;
    `request_crc`: CRC-32/ISO-HDLC over the body of the request as it was received; `digest`: of the state
    after the last tick, or 0 where it was not asked for."""

    request_crc: int
    digest: int
    flags: int
    outputs: Records
    events: bytes

    def pack(self) -> bytes:
        return pack_step_answer(
            self.request_crc, self.digest, self.flags, len(self.outputs), self.outputs.tobytes(), self.events
        )

    @classmethod
    def unpack(cls, body: bytes) -> StepAnswer:
        if len(body) < _STEPPED.size:
            raise Malformed("answer to a step without outputs")
        crc, digest, events, ticks, flags = _STEPPED.unpack_from(body)
        middle = _STEPPED.size + ticks * OUTPUT.itemsize
        if len(body) != middle + events:
            raise Malformed("answer to a step whose outputs are not as many as it says")
        outputs = np.frombuffer(body, OUTPUT, ticks, _STEPPED.size)
        return cls(crc, digest, flags, outputs, body[middle:])


def pack_step_answer(
    request_crc: int, digest: int, flags: int, ticks: int, outputs: bytes, events: bytes
) -> bytes:
    """Body of the answer to STEP from packed outputs."""
    return _STEPPED.pack(request_crc, digest, len(events), ticks, flags) + outputs + events


def split_stall(answer: bytes) -> tuple[bytes, bool]:
    """An answer to STEP without its flag STALLED, and whether that was set."""
    at = _STEPPED.size - 1
    if len(answer) <= at or not answer[at] & STALLED:
        return answer, False
    return answer[:at] + bytes([answer[at] & ~STALLED]) + answer[at + 1 :], True


def step_payload(ticks: int) -> int:
    """Bytes of the payload of STEP with this many ticks."""
    return HEAD.size + _STEP.size + ticks * INPUT.itemsize


def stepped_payload(ticks: int, events: int) -> int:
    """Bytes of the payload of its answer."""
    return HEAD.size + _STEPPED.size + ticks * OUTPUT.itemsize + events


def piece_room(largest: int) -> int:
    """How many bytes of an image fit into one PIECE."""
    return largest - HEAD.size - _PIECE.size


def pack_stream(every: int) -> bytes:
    """Body of STREAM: send each `every`-th tick unasked; 0 ends it."""
    return _STREAM.pack(every)


def unpack_stream(body: bytes) -> int:
    """`every` of STREAM."""
    every: int = _unpack(_STREAM, body, "stream")[0]
    return every


@dataclass(frozen=True)
class Streamed:
    """Ticks sent unasked: message `number` (16 bits), the ticks `first`, `first` + `every` ... with their
    inputs and outputs."""

    number: int
    first: int
    every: int
    inputs: Records
    outputs: Records

    def pack(self) -> bytes:
        pairs = np.zeros(len(self.inputs), _PAIR)
        pairs["inputs"], pairs["outputs"] = self.inputs, self.outputs
        return _TICKS.pack(self.number, self.first, self.every, len(pairs)) + pairs.tobytes()

    @classmethod
    def unpack(cls, body: bytes) -> Streamed:
        if len(body) < _TICKS.size:
            raise Malformed("stream without ticks")
        number, first, every, ticks = _TICKS.unpack_from(body)
        if every == 0 or ticks == 0 or len(body) != _TICKS.size + ticks * _PAIR.itemsize:
            raise Malformed("stream whose ticks are not as many as it says")
        pairs = np.frombuffer(body, _PAIR, ticks, _TICKS.size)
        return cls(number, first, every, pairs["inputs"], pairs["outputs"])


_PAIR = np.dtype([("inputs", INPUT), ("outputs", OUTPUT)])


def streamed_room(largest: int) -> int:
    """How many ticks fit into one message of a stream."""
    return min(MOST_TICKS, (largest - HEAD.size - _TICKS.size) // _PAIR.itemsize)


def pack_events(due: int) -> bytes:
    """Body of EVENTS: how many cylinder events fall due now, without a step."""
    return _EVENTS.pack(due)


def unpack_events(body: bytes) -> int:
    """How many events, 1 or more, of EVENTS."""
    due: int = _unpack(_EVENTS, body, "events")[0]
    if due == 0:
        raise Malformed("events that are none")
    return due


def pack_error(reason: Reason, detail: int = 0) -> bytes:
    """Body of ERROR."""
    return _ERROR.pack(reason, detail)


def unpack_error(body: bytes) -> tuple[int, int]:
    """(reason, detail) of ERROR."""
    reason, detail = _unpack(_ERROR, body, "error")
    return reason, detail
