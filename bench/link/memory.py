"""A line in memory and in virtual time: byte times and faults without waiting for them."""

from __future__ import annotations

from collections import deque
from typing import Protocol

from bench.link.frames import END
from bench.link.line import LinkError


class FarEnd(Protocol):
    """What hangs at the other end of a line; times are those of the line."""

    def take(self, data: bytes, now: float) -> None:
        """Bytes come in."""

    def wake_at(self) -> float | None:
        """When it next does something by itself."""

    def give(self, now: float) -> bytes:
        """What it sends up to this moment."""


class MemoryLine:
    """A line to a far end. With `baud` each way carries baud / 10 bytes a second (8N1), otherwise no time
    passes.

    `unplug_after_s` ends the line at that moment. A read that nothing comes for takes its whole limit of
    virtual time.
    """

    def __init__(self, far: FarEnd, baud: int | None = None, unplug_after_s: float | None = None) -> None:
        self.name = "memory"
        self.bytes_out = 0
        self.bytes_in = 0
        self._far = far
        self._byte_s = 10 / baud if baud else 0.0
        self._unplug = unplug_after_s
        self._now = 0.0
        self._out: deque[tuple[float, bytes]] = deque()
        self._in: deque[tuple[float, bytes]] = deque()
        self._out_free = 0.0
        self._in_free = 0.0

    def now(self) -> float:
        return self._now

    def pass_time(self, until: float) -> None:
        """Let virtual time go on without reading."""
        self._now = max(self._now, until)

    def send(self, data: bytes) -> None:
        self._check()
        self.bytes_out += len(data)
        self._out_free = max(self._out_free, self._now) + len(data) * self._byte_s
        self._out.append((self._out_free, data))

    def receive(self, limit_s: float) -> bytes:
        until = self._now + limit_s
        while True:
            self._check()
            came = b""
            while self._in and self._in[0][0] <= self._now:
                came += self._in.popleft()[1]
            if came:
                return came
            moment = self._next_moment()
            if moment is None or moment > until:
                self._now = until
                self._check()
                return b""
            self._now = max(self._now, moment)
            self._run_far_end()

    def _next_moment(self) -> float | None:
        moments = [queue[0][0] for queue in (self._out, self._in) if queue]
        wake = self._far.wake_at()
        if wake is not None:
            moments.append(wake)
        return min(moments, default=None)

    def _run_far_end(self) -> None:
        while self._out and self._out[0][0] <= self._now:
            self._far.take(self._out.popleft()[1], self._now)
        sent = self._far.give(self._now)
        self.bytes_in += len(sent)
        for piece in sent.split(END):
            # Each frame arrives when its own end does; the zero byte goes with what it ends.
            if piece:
                self._in_free = max(self._in_free, self._now) + (len(piece) + 1) * self._byte_s
                self._in.append((self._in_free, piece + END))

    def _check(self) -> None:
        if self._unplug is not None and self._now >= self._unplug:
            raise LinkError("the port went away", self.name, "check the cable and start again")

    def close(self) -> None:
        self._unplug = self._now
