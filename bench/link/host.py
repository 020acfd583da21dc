"""The host's side of the conversation: requests in order, answers in order, losses made good."""

from __future__ import annotations

import secrets
from collections import OrderedDict, deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum

from bench.link.frames import END, Damage, Decoder, encode
from bench.link.line import Line, LinkError
from bench.link.protocol import (
    ANSWER,
    ERROR,
    LARGEST,
    PROTOCOL,
    REASON_TEXT,
    TICKS,
    Greeting,
    Kind,
    Malformed,
    Reason,
    Streamed,
    message,
    split,
    unpack_error,
)

TIMEOUT_S = 0.5
ATTEMPTS = 10

_SEQUENCES = 1 << 16
_MOST_STREAMED = 4096  # messages of a stream that nobody has listened to yet; the oldest go
_MOST_TWICE = 1000
_TOLD = 512  # answers remembered, to be held against what comes again: twice the largest window


_DISARM = (
    "switch its arming input off and wait until torque is back; a device that is fed over the line does so by"
    " `liftlatch verify --disarm`"
)


class DeviceError(LinkError):
    """The device refused a request. `reason` is one of Reason, or a number that is none."""

    def __init__(self, where: object, kind: IntEnum, reason: int, detail: int) -> None:
        self.reason = reason
        self.detail = detail
        known = reason in set(Reason)
        text = REASON_TEXT[Reason(reason)] if known else f"for a reason that is none ({reason})"
        what = f"the device refused {kind.name.lower()}: {text}"
        right = "check that its firmware keeps this protocol"
        super().__init__(what, where, _DISARM if reason == Reason.ACTIVE else right)


class Restarted(LinkError):
    """The device was powered up anew in the middle of the conversation."""


class _TooLong(Exception):
    """What `within` allows has gone by."""


@dataclass
class _Flight:
    """A request that is under way, or answered while one before it is not."""

    kind: IntEnum
    sequence: int
    frame: bytes
    first_order: int
    last_order: int
    sent_at: float
    attempts: int = 1
    answer: bytes | DeviceError | None = None
    answered_at: float = 0.0


class Host:
    """One conversation over a line.

    Assumptions: the line keeps the order of what is not lost; a device carries out a request only when its
    sequence number is the next, and answers one of its last `window` again without carrying it out.

    Invariants: at most `window` requests are under way, so that each of them can be answered again; answers
    are given out once each, in order; no wait is longer than `timeout_s` * `attempts`, and nothing in a
    `within` goes on for longer than that allows. `resent` counts
    requests that were sent again, `stale` answers that nobody waits for; `twice` holds (first, second) of
    answers that came again in other words.
    """

    def __init__(
        self,
        line: Line,
        session: int | None = None,
        timeout_s: float = TIMEOUT_S,
        attempts: int = ATTEMPTS,
    ) -> None:
        self.line = line
        self.session = session or 1 + secrets.randbelow(0xFFFF)
        self.timeout_s = timeout_s
        self.attempts = attempts
        self.window = 1
        self.sent = 0
        self.resent = 0
        self.stale = 0
        self.twice: list[tuple[bytes, bytes]] = []
        self._told: OrderedDict[int, tuple[int, bytes]] = OrderedDict()
        self.streamed: deque[Streamed] = deque(maxlen=_MOST_STREAMED)
        self.sent_at = 0.0
        self.latency_s = 0.0
        self._decoder = Decoder(LARGEST)
        self._flights: deque[_Flight] = deque()
        self._sequence = 0
        self._order = 0
        self._patient_until = 0.0
        self._last: _Flight | None = None
        self._ends_at: float | None = None

    @contextmanager
    def within(self, limit_s: float, what: str) -> Iterator[None]:
        """All that is asked in the block takes so many seconds at most, or ends with a LinkError: a device
        may be slow each time and yet in time for each answer."""
        before, ends_at = self._ends_at, self.line.now() + limit_s
        self._ends_at = ends_at if before is None else min(before, ends_at)
        try:
            yield
        except _TooLong:
            if before is not None and before <= ends_at:
                raise
            text = f"the device took more than {limit_s:.0f} s for {what}"
            raise LinkError(text, self.line.name, "check its firmware and the line") from None
        finally:
            self._ends_at = before

    @property
    def damaged(self) -> int:
        """Frames that came damaged."""
        return self._decoder.damaged.total()

    @property
    def under_way(self) -> int:
        """Requests whose answers were not yet given out."""
        return len(self._flights)

    def hello(self) -> Greeting:
        """Begin: what the device says of itself. Raises LinkError if it says nothing, nonsense or another
        protocol."""
        frame = encode(message(Kind.HELLO, self.session, 0, bytes([PROTOCOL])))
        for _ in range(self.attempts):
            self.line.send(END + frame)
            until = self.line.now() + self.timeout_s
            while (left := until - self.line.now()) > 0:
                for found in self._decoder.feed(self.line.receive(left)):
                    greeting = self._greeting(found)
                    if greeting is not None:
                        self.window = greeting.window
                        return greeting
        raise self._no_answer()

    def _greeting(self, found: bytes | Damage) -> Greeting | None:
        if isinstance(found, Damage):
            return None
        try:
            kind, session, _, body = split(found)
            if kind != Kind.HELLO | ANSWER or session != self.session:
                return None
            greeting = Greeting.unpack(body)
        except Malformed:
            return None
        if greeting.protocol != PROTOCOL:
            what = f"the device ({greeting.firmware}) speaks version {greeting.protocol} of the protocol"
            raise LinkError(what, self.line.name, f"this bench speaks version {PROTOCOL}")
        return greeting

    def ask(self, kind: IntEnum, body: bytes = b"") -> bytes:
        """One request and the body of its answer; nothing else may be under way."""
        assert not self._flights
        self.post(kind, body)
        answer = self.next_answer()
        assert answer is not None
        return answer

    def has_room(self) -> bool:
        """Whether one more request may be under way."""
        return len(self._flights) < self.window

    def post(self, kind: IntEnum, body: bytes = b"") -> None:
        """Send a request; there must be room."""
        assert self.has_room()
        frame = encode(message(kind, self.session, self._sequence, body))
        now = self.line.now()
        if not self._flights:
            self._patient_until = now + self.timeout_s
        self._order += 1
        self._flights.append(_Flight(kind, self._sequence, frame, self._order, self._order, now))
        self._sequence = (self._sequence + 1) % _SEQUENCES
        self.sent += 1
        self.line.send(frame)

    def next_answer(self, limit_s: float | None = None) -> bytes | None:
        """The body of the answer to the oldest request; None if the limit passes first.

        `sent_at` is then the moment of that request's first sending and `latency_s` the time to its answer.
        Raises DeviceError if the device refused the request, Restarted if it forgot the conversation,
        LinkError if it does not answer.
        """
        until = None if limit_s is None else self.line.now() + limit_s
        while True:
            self._give_up_or_repeat()
            oldest = self._flights[0]
            if oldest.answer is not None:
                self._last = self._flights.popleft()
                self.sent_at = oldest.sent_at
                self.latency_s = oldest.answered_at - oldest.sent_at
                if isinstance(oldest.answer, DeviceError):
                    raise oldest.answer
                return oldest.answer
            now = self.line.now()
            if self._ends_at is not None and now >= self._ends_at:
                raise _TooLong
            if until is not None and now >= until:
                return None
            end = self._patient_until if until is None else min(until, self._patient_until)
            self._read(max(0.0, end - now))

    def drain(self) -> None:
        """Wait for all answers that are under way, and pass over them."""
        while self._flights:
            self.next_answer()

    def again(self) -> bytes:
        """Ask for the answer given out last once more, before anything else is posted: the device repeats
        it."""
        assert self._last is not None
        assert self.has_room()
        self._last.answer = None
        self._last.attempts = 1
        if not self._flights:
            self._patient_until = self.line.now() + self.timeout_s
        self._flights.appendleft(self._last)
        self._resend(self._last)
        answer = self.next_answer()
        assert answer is not None
        return answer

    def idle(self, limit_s: float) -> None:
        """Let time pass with nothing under way."""
        until = self.line.now() + limit_s
        while (left := until - self.line.now()) > 0:
            self._read(left)

    def listen(self, limit_s: float) -> Streamed | None:
        """The next message of a stream; None if the limit passes first."""
        until = self.line.now() + limit_s
        while not self.streamed and (left := until - self.line.now()) > 0:
            self._read(left)
        return self.streamed.popleft() if self.streamed else None

    def _read(self, limit_s: float) -> None:
        for found in self._decoder.feed(self.line.receive(limit_s)):
            if isinstance(found, Damage):
                continue
            try:
                self._take(*split(found))
            except Malformed:
                self.stale += 1

    def _take(self, kind: int, session: int, sequence: int, body: bytes) -> None:
        if session != self.session:
            self.stale += 1
            return
        if kind == TICKS:
            self.streamed.append(Streamed.unpack(body))
            return
        flight = self._flight(sequence)
        self._hold_against(kind, sequence, body)
        if kind == ERROR and unpack_error(body)[0] == Reason.NO_SESSION:
            raise Restarted(
                "the device was restarted in the middle", self.line.name, "check its supply and its watchdog"
            )
        if flight is None or flight.answer is not None:
            self.stale += 1
        elif kind == ERROR:
            reason, detail = unpack_error(body)
            if reason == Reason.GAP:
                self._mend_gap(flight, detail)
            else:
                self._answered(flight, DeviceError(self.line.name, flight.kind, reason, detail))
        elif kind == flight.kind | ANSWER:
            self._answered(flight, body)
        else:
            self.stale += 1

    def _hold_against(self, kind: int, sequence: int, body: bytes) -> None:
        """Notice an answer that says something else than the same request was answered before."""
        if kind == ERROR and unpack_error(body)[0] in (Reason.GAP, Reason.NO_SESSION):
            return
        if not kind & ANSWER or kind == Kind.HELLO | ANSWER:
            return
        told_kind, told = self._told.setdefault(sequence, (kind, body))
        if (told_kind, told) != (kind, body) and len(self.twice) < _MOST_TWICE:
            self.twice.append((told, body))
        elif len(self._told) > _TOLD:
            self._told.popitem(last=False)

    def _flight(self, sequence: int) -> _Flight | None:
        if not self._flights:
            return None
        at = (sequence - self._flights[0].sequence) % _SEQUENCES
        return self._flights[at] if at < len(self._flights) else None

    def _answered(self, flight: _Flight, answer: bytes | DeviceError) -> None:
        flight.answer = answer
        flight.answered_at = self.line.now()
        self._patient_until = flight.answered_at + self.timeout_s
        # The line keeps the order: what was sent before this and is not answered was lost, there or back.
        for earlier in self._flights:
            if earlier is flight:
                break
            if earlier.answer is None and earlier.last_order < flight.first_order:
                self._resend(earlier)

    def _mend_gap(self, flight: _Flight, expected: int) -> None:
        """The device met `flight` before `expected`, which was lost on its way, and passed over all since."""
        lost = self._flight(expected)
        if lost is None or lost.last_order > flight.last_order:
            return
        at = (expected - self._flights[0].sequence) % _SEQUENCES
        for later in list(self._flights)[at:]:
            if later.answer is None:
                self._resend(later)

    def _resend(self, flight: _Flight) -> None:
        self._order += 1
        flight.last_order = self._order
        self.resent += 1
        self.line.send(END + flight.frame)

    def _give_up_or_repeat(self) -> None:
        now = self.line.now()
        if self._flights[0].answer is not None or now < self._patient_until:
            return
        if self._flights[0].attempts >= self.attempts:
            raise self._no_answer()
        self._patient_until = now + self.timeout_s
        for flight in self._flights:
            if flight.answer is None:
                flight.attempts += 1
                self._resend(flight)

    def _no_answer(self) -> LinkError:
        waited = self.timeout_s * self.attempts
        heard = self._decoder.good + self.damaged
        if heard == 0:
            what = f"the device said nothing for {waited:g} s"
            return LinkError(what, self.line.name, "check cable, supply, baud rate and firmware")
        if self._decoder.good == 0:
            what = f"what the device sends makes no sense ({self.damaged} damaged frames, no good one)"
            return LinkError(what, self.line.name, "check the baud rate and the firmware")
        what = f"the device gave no answer for {waited:g} s ({self.damaged} damaged frames so far)"
        return LinkError(what, self.line.name, "check cable, supply and firmware")
