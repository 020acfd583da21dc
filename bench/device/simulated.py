"""The device's side of the protocol: bytes in, bytes out, no I/O and no clock of its own.

The same state machine runs on a board; what is kept here is what a board keeps.
"""

from __future__ import annotations

import binascii
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from bench.link.frames import END, Damage, Decoder, encode
from bench.link.protocol import (
    ANSWER,
    ERROR,
    FIRST_FEATURES,
    HEAD,
    OLDER,
    PROTOCOL,
    STALLED,
    WANTS_DIGEST,
    Feature,
    Greeting,
    Kind,
    Malformed,
    Reason,
    Status,
    message,
    pack_digest,
    pack_error,
    pack_step_answer,
    split,
    stepped_payload,
    unpack_commit,
    unpack_events,
    unpack_piece,
    unpack_step,
    unpack_stream,
)
from bench.link.stepper import Core, Stepper
from controller.constants import IMAGE_VERSION
from controller.image import LENGTH

FIRMWARE = "model 0.1.0"


@dataclass(frozen=True)
class Facts:
    """What a device says of itself."""

    largest: int = 1024
    window: int = 8
    firmware: str = FIRMWARE
    protocol: int = PROTOCOL
    image_version: int = IMAGE_VERSION
    features: Feature = FIRST_FEATURES | Feature.EVENTS
    older: bool = False


class Device:
    """One microcontroller.

    Invariants: a request is carried out once only, in the order of the sequence numbers, and its answer kept
    until `window` later ones were carried out; one of a foreign session, or before a missing one, changes
    nothing. Once stepped, the outputs go to the calibrated safe state when no further step comes in the
    calibrated time; the next one ends that, and its answer says so. `image` is a calibration image that it
    keeps when it is off. `restart_at` names the count of ticks at which the device is powered up anew, once,
    before it answers.
    """

    def __init__(
        self,
        make: Callable[[], Core],
        facts: Facts | None = None,
        restart_at: int | None = None,
        image: bytes | None = None,
    ) -> None:
        self.facts = facts or Facts()
        self.stepped = 0
        self.restarts = 0
        self._make = make
        self._restart_at = restart_at
        self._stored = image
        self.power_up()

    def power_up(self) -> None:
        """The supply goes off and on."""
        self._stepper = Stepper(self._make())
        self._decoder = Decoder(self.facts.largest)
        self._session = 0
        self._expected = 0
        self._answers: OrderedDict[int, bytes] = OrderedDict()
        self._pieces = bytearray(LENGTH)
        self._image = b""
        if self._stored is not None and self._stepper.load(self._stored) == 0:
            self._image = self._stored
        self._older = self.facts.older
        self._started = False
        self._restarting = False
        self._malformed = 0
        self._repeated = 0
        self._gaps = 0
        self._worst_tick_ns = 0
        self._now_ms = 0
        self._fed_ms: int | None = None
        self._stalled = False
        self._stalls = 0
        self.stream_every = 0

    @property
    def session(self) -> int:
        """Number of the present conversation; 0 before the first."""
        return self._session

    def tell_time(self, now_ms: int) -> None:
        """Time goes on; to be called before `receive`. No clock is asked here."""
        self._now_ms = now_ms
        if self._fed_ms is None or self._stalled or self._stepper.stall_ms == 0:
            return
        if now_ms - self._fed_ms >= self._stepper.stall_ms:
            self._stalled = True
            self._stepper.core.safe()
            self._stalls += 1

    def receive(self, data: bytes) -> bytes:
        """What is sent in answer to some bytes."""
        sent = bytearray()
        for found in self._frames(data):
            if isinstance(found, Damage):
                continue
            answer = self._answer(found)
            if self._restarting:
                self.restarts += 1
                self.power_up()
                if answer[:1] == bytes([Kind.RESET | ANSWER]):
                    sent += encode(answer)
                break  # what else has come is lost in the restart
            if answer:
                sent += encode(answer)
        return bytes(sent)

    def _frames(self, data: bytes) -> Iterator[bytes | Damage]:
        # One at a time: an answer must not count damage that comes after its request.
        start = 0
        while start < len(data):
            end = data.find(END, start) + 1 or len(data)
            yield from self._decoder.feed(data[start:end])
            start = end

    def _answer(self, payload: bytes) -> bytes:
        """The payload to send, b"" for none."""
        try:
            kind, session, sequence, body = split(payload)
        except Malformed:
            self._malformed += 1
            return b""
        if kind == Kind.HELLO:
            return self._hello(session, body)
        if session != self._session or session == 0:
            return message(ERROR, session, sequence, pack_error(Reason.NO_SESSION))
        if sequence in self._answers:
            self._repeated += 1
            return self._answers[sequence]
        if sequence != self._expected:
            self._gaps += 1
            return message(ERROR, session, sequence, pack_error(Reason.GAP, self._expected))
        answer = self._carry_out(kind, session, sequence, body)
        self._expected = (sequence + 1) & 0xFFFF
        self._answers[sequence] = answer
        if len(self._answers) > self.facts.window:
            self._answers.popitem(last=False)
        return answer

    def _hello(self, session: int, body: bytes) -> bytes:
        if session == 0 or len(body) != 1:
            self._malformed += 1
            return b""
        if session != self._session:
            self._session = session
            self._expected = 0
            self._answers.clear()
            self.stream_every = 0
        return message(Kind.HELLO | ANSWER, session, 0, self._greeting().pack())

    def _greeting(self) -> Greeting:
        facts = self.facts
        return Greeting(
            protocol=facts.protocol,
            window=facts.window,
            image_version=facts.image_version,
            tick_us=self._stepper.tick_us,
            largest=facts.largest,
            image_crc=int.from_bytes(self._image[8:12], "little"),
            firmware=facts.firmware,
            features=facts.features,
            notes=OLDER if self._older else 0,
        )

    def _carry_out(self, kind: int, session: int, sequence: int, body: bytes) -> bytes:
        what = {
            Kind.PIECE: self._piece,
            Kind.COMMIT: self._commit,
            Kind.START: self._start,
            Kind.STEP: self._step,
            Kind.STATUS: self._status,
            Kind.RESET: self._reset,
            Kind.STREAM: self._stream,
            Kind.EVENTS: self._events,
        }
        result: bytes | Reason = Reason.UNKNOWN
        if kind in what:
            try:
                result = what[Kind(kind)](body)
            except Malformed:
                result = Reason.MALFORMED
        if isinstance(result, Reason):
            if result in (Reason.UNKNOWN, Reason.MALFORMED):
                self._malformed += 1
            return message(ERROR, session, sequence, pack_error(result))
        return message(kind | ANSWER, session, sequence, result)

    def _piece(self, body: bytes) -> bytes | Reason:
        offset, data = unpack_piece(body)
        if offset + len(data) > LENGTH:
            return Reason.BEYOND
        self._pieces[offset : offset + len(data)] = data
        return b""

    def _commit(self, body: bytes) -> bytes | Reason:
        length, crc = unpack_commit(body)
        if self._active():
            return Reason.ACTIVE
        if length > LENGTH:
            return Reason.BEYOND
        image = bytes(self._pieces[:length])
        if binascii.crc32(image) != crc:
            return Reason.PIECES
        verdict = self._stepper.load(image)
        if verdict == 0:
            self._image = image
            self._older = False
            self._started = False
            self._unfed()
        return bytes([verdict])

    def _active(self) -> bool:
        """Whether the engine may notice what a request would do: armed, or torque is taken."""
        reduction, retard, _ = self._stepper.core.acting()
        return bool(self._stepper.core.armed or reduction or retard)

    def _start(self, body: bytes) -> bytes | Reason:
        if body:
            return Reason.MALFORMED
        if not self._image:
            return Reason.NO_IMAGE
        if self._active():
            return Reason.ACTIVE
        self._started = True
        self._unfed()
        return pack_digest(self._stepper.start())

    def _unfed(self) -> None:
        self._fed_ms = None
        self._stalled = False

    def _step(self, body: bytes) -> bytes | Reason:
        first, ticks, flags, inputs = unpack_step(body)
        if not self._started:
            return Reason.NOT_STARTED
        if stepped_payload(ticks, sum(inputs[15::16])) > self.facts.largest:
            return Reason.TOO_MUCH
        begun = time.perf_counter_ns()
        outputs, events = self._stepper.step(first, inputs)
        self._worst_tick_ns = max(self._worst_tick_ns, (time.perf_counter_ns() - begun) // ticks)
        self.stepped += ticks
        if self._restart_at is not None and self.stepped >= self._restart_at:
            self._restart_at = None
            self._restarting = True
        flags &= WANTS_DIGEST
        digest = self._stepper.core.digest() if flags else 0
        flags |= STALLED if self._stalled else 0
        self._stalled = False
        self._fed_ms = self._now_ms
        return pack_step_answer(binascii.crc32(body), digest, flags, ticks, outputs, events)

    def _events(self, body: bytes) -> bytes | Reason:
        due = unpack_events(body)
        if not self._started:
            return Reason.NOT_STARTED
        if HEAD.size + due > self.facts.largest:
            return Reason.TOO_MUCH
        return self._stepper.events(due)

    def _status(self, body: bytes) -> bytes | Reason:
        if body:
            return Reason.MALFORMED
        damaged = self._decoder.damaged
        reduction, retard, reason = self._stepper.core.acting()
        return Status(
            ticks=self._stepper.ticks,
            worst_tick_ns=self._worst_tick_ns,
            worst_event_ns=0,
            stack_bytes=0,
            crc=damaged[Damage.CRC],
            stuffing=damaged[Damage.STUFFING],
            long=damaged[Damage.LONG],
            short=damaged[Damage.SHORT],
            malformed=self._malformed,
            overruns=0,
            repeated=self._repeated,
            gaps=self._gaps,
            late=0,
            stalls=self._stalls,
            reduction=reduction,
            retard=retard,
            reason=reason,
            notes=OLDER if self._older else 0,
        ).pack()

    def _reset(self, body: bytes) -> bytes | Reason:
        if body:
            return Reason.MALFORMED
        if self._active():
            return Reason.ACTIVE
        self._restarting = True
        return b""

    def _stream(self, body: bytes) -> bytes | Reason:
        self.stream_every = unpack_stream(body)
        return b""
