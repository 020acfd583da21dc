"""A device with the faults of its line, over time; and one that plays a run by itself."""

from __future__ import annotations

from collections import deque

import numpy as np

from bench.device.faults import LineFaults
from bench.device.simulated import Device
from bench.link.frames import encode
from bench.link.protocol import OUTPUT, TICKS, Records, Streamed, message, streamed_room
from bench.link.stepper import Core, Stepper

_GATHER_S = 0.02


class Player:
    """A controller that runs by itself on recorded inputs, once, from the moment a stream is asked for.

    `inputs`: INPUT records[n], one for each tick of the image.
    """

    def __init__(self, core: Core, image: bytes, inputs: Records) -> None:
        self.image = image
        self._stepper = Stepper(core)
        verdict = self._stepper.load(image)
        if verdict:
            raise ValueError(f"image refused, reason {verdict}")
        self._tick_s = self._stepper.tick_us / 1e6
        self._inputs = inputs
        self._start = 0.0
        self._done = 0
        self._number = 0
        self._every = 0

    def wake_at(self, every: int, now: float) -> float | None:
        """When the next message is due while every `every`-th tick is asked for (0: none)."""
        if every != self._every:
            self._every = every
            self._start, self._done, self._number = now, 0, 0
            self._stepper.start()
        if every == 0 or self._done >= len(self._inputs):
            return None
        gathered = max(1, round(_GATHER_S / self._tick_s / every)) * every
        return self._start + min(self._done + gathered, len(self._inputs)) * self._tick_s

    def play(self, now: float, largest: int) -> list[bytes]:
        """Bodies of the messages with all ticks up to now."""
        until = min(len(self._inputs), int((now - self._start) / self._tick_s + 0.5))
        bodies = []
        while self._done < until:
            ticks = min(until - self._done, streamed_room(largest) * self._every)
            inputs = self._inputs[self._done : self._done + ticks]
            outputs, _ = self._stepper.step(self._done, inputs.tobytes())
            shown = slice((-self._done) % self._every, None, self._every)
            picked = inputs[shown]
            if len(picked):
                first = (self._done + (-self._done) % self._every) & 0xFFFF
                kept = np.frombuffer(outputs, OUTPUT)[shown]
                bodies.append(Streamed(self._number, first, self._every, picked, kept).pack())
                self._number = (self._number + 1) & 0xFFFF
            self._done += ticks
        return bodies


class Behaviour:
    """The far end of a line: a device, what its line does to the bytes both ways, and what it plays."""

    def __init__(
        self,
        device: Device,
        rates: dict[str, float] | None = None,
        seed: int = 0,
        player: Player | None = None,
    ) -> None:
        self.device = device
        self._player = player
        self._there = LineFaults(rates or {}, f"{seed} there")
        self._back = LineFaults(rates or {}, f"{seed} back")
        self._in: deque[tuple[float, bytes]] = deque()
        self._out: deque[tuple[float, bytes]] = deque()
        self._now = 0.0

    def take(self, data: bytes, now: float) -> None:
        self._in += self._there.pass_on(data, now)

    def wake_at(self) -> float | None:
        moments = [queue[0][0] for queue in (self._in, self._out) if queue]
        if self._player is not None:
            due = self._player.wake_at(self.device.stream_every, self._now)
            if due is not None:
                moments.append(due)
        return min(moments, default=None)

    def give(self, now: float) -> bytes:
        self._now = now
        self.device.tell_time(int(now * 1000))
        while self._in and self._in[0][0] <= now:
            self._send(self.device.receive(self._in.popleft()[1]), now)
        if self._player is not None:
            due = self._player.wake_at(self.device.stream_every, now)
            if due is not None and due <= now:
                for body in self._player.play(now, self.device.facts.largest):
                    self._send(encode(message(TICKS, self.device.session, 0, body)), now)
        sent = bytearray()
        while self._out and self._out[0][0] <= now:
            sent += self._out.popleft()[1]
        return bytes(sent)

    def _send(self, data: bytes, now: float) -> None:
        if data:
            self._out += self._back.pass_on(data, now)
