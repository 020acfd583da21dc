"""Where the live stand's ticks come from: a device that streams what its own sensor reads, a recording played
in real time, or a hand on the page; the last two through a controller in this process or a fed device."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from bench.errors import UserError
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Kind, Records, pack_stream
from bench.link.target import IMAGE_REASONS
from bench.replay.run import UNITS_PER_EVENT

if TYPE_CHECKING:
    from bench.link.target import RemoteTarget, Target

Answer = Callable[[str], None]

_WAIT_S = 0.1
_EACH_S = 1 / 30  # a recording goes out in pieces of this length


@dataclass(frozen=True)
class Ticks:
    """Some ticks, in order: INPUT and OUTPUT records[n], one byte an event (None where none are told), and
    whether some before them were lost on the way. `begins` says that the controller started before them."""

    inputs: Records
    outputs: Records
    events: bytes | None
    lost: bool = False
    begins: bool = False


class Feed(Protocol):
    """A source of ticks. `run` works until `ended` is set, in a thread of its own, and calls `put` with what
    comes; it may raise UserError. `by_hand`: whether a page moves the nose, by `give` and `begin`. `loads`:
    whether `load` takes another calibration; its outcome, "" or why not, is told to `answer` in that thread.
    """

    by_hand: bool
    loads: bool

    def run(self, put: Callable[[Ticks], None], ended: threading.Event) -> None: ...
    def give(self, inputs: Records) -> None: ...
    def begin(self) -> None: ...
    def load(self, image: bytes, answer: Answer) -> None: ...


class _Loads:
    """Takes another calibration between two pieces of work."""

    loads = True

    def __init__(self) -> None:
        self._images: queue.SimpleQueue[tuple[bytes, Answer]] = queue.SimpleQueue()

    def load(self, image: bytes, answer: Answer) -> None:
        """Load an image as soon as it can be."""
        self._images.put((image, answer))

    def _load_asked(self, target: Target) -> None:
        while not self._images.empty():
            image, answer = self._images.get()
            try:
                verdict = target.load(image)
                answer(
                    f"it refuses the calibration: {IMAGE_REASONS.get(verdict, verdict)}" if verdict else ""
                )
            except UserError as error:
                answer(str(error))


class Streams(_Loads):
    """A device that reads its own sensor: each `every`-th of its ticks. It is only listened to, but for a
    calibration that a person loads."""

    by_hand = False

    def __init__(self, target: RemoteTarget, every: int = 1) -> None:
        super().__init__()
        self._target = target
        self._host = target.host
        self._every = every

    def run(self, put: Callable[[Ticks], None], ended: threading.Event) -> None:
        """Listen to it."""
        self._host.ask(Kind.STREAM, pack_stream(self._every))
        last = None
        try:
            while not ended.is_set():
                self._load_asked(self._target)
                got = self._host.listen(_WAIT_S)
                if got is None:
                    continue
                lost = last is not None and (got.number - last) & 0xFFFF != 1
                last = got.number
                put(Ticks(got.inputs, got.outputs, None, lost))
        finally:
            self._host.ask(Kind.STREAM, pack_stream(0))
            self._host.line.close()

    def give(self, inputs: Records) -> None:
        """Nobody moves its nose but whoever stands there."""

    def begin(self) -> None:
        """It runs by itself."""


class Plays:
    """A recording, INPUT records[n], through a controller with a tick of so many µs, once, in real time."""

    by_hand = False
    loads = False

    def __init__(self, target: Target, records: Records, tick_us: int) -> None:
        self._target = target
        self._records = records
        self._tick_s = tick_us / 1e6

    def run(self, put: Callable[[Ticks], None], ended: threading.Event) -> None:
        """Play it."""
        self._target.start()
        begun, done = time.monotonic(), 0
        while done < len(self._records) and not ended.is_set():
            due = min(int((time.monotonic() - begun) / self._tick_s), len(self._records))
            if due > done:
                inputs = self._records[done:due]
                ran = self._target.run(done, inputs)
                put(Ticks(inputs, ran.outputs, ran.events, begins=done == 0))
                done = due
            ended.wait(_EACH_S)

    def give(self, inputs: Records) -> None:
        """The nose is the recorded one."""

    def begin(self) -> None:
        """It is played once."""

    def load(self, image: bytes, answer: Answer) -> None:
        """Not while it is played."""
        answer("not while a recording is played")


class ByHand(_Loads):
    """A hand on the page moves the nose of a controller. `begin` starts it anew, for a page that comes."""

    by_hand = True

    def __init__(self, target: Target) -> None:
        super().__init__()
        self._target = target
        self._asked: queue.SimpleQueue[Records | None] = queue.SimpleQueue()

    def run(self, put: Callable[[Ticks], None], ended: threading.Event) -> None:
        """Step as the page asks."""
        first = 0
        begins = True
        while not ended.is_set():
            self._load_asked(self._target)
            try:
                inputs = self._asked.get(timeout=_WAIT_S)
            except queue.Empty:
                continue
            if inputs is None:
                self._target.start()
                first, begins = 0, True
                continue
            ran = self._target.run(first, inputs)
            first += len(inputs)
            put(Ticks(inputs, ran.outputs, ran.events, begins=begins))
            begins = False

    def give(self, inputs: Records) -> None:
        """The next ticks."""
        self._asked.put(inputs)

    def begin(self) -> None:
        """Start as after power-up."""
        self._asked.put(None)


class Turned:
    """Works out the cylinder events that an engine speed brings about, as a replay does."""

    def __init__(self, cylinders: int, tick_us: int) -> None:
        self._each = cylinders * tick_us
        self._left = 0

    def inputs(self, numbers: list[int]) -> Records:
        """INPUT records of five numbers a tick: counts, speed (0.1 km/h), engine (rpm), armed, launch.

        ValueError for anything else.
        """
        if len(numbers) % 5 or not all(type(one) is int and 0 <= one <= 65535 for one in numbers):
            raise ValueError("no inputs")
        rows = np.array(numbers, dtype=np.int64).reshape(-1, 5)
        records = np.zeros(len(rows), INPUT)
        for i, name in enumerate(("counts", "speed", "engine")):
            records[name] = rows[:, i]
        records["switches"] = SPEED_VALID | np.where(rows[:, 3], ARMED, 0) | np.where(rows[:, 4], LAUNCH, 0)
        turned = self._left + np.cumsum(rows[:, 2] * self._each)
        before = np.concatenate(([self._left], turned[:-1]))
        records["events"] = np.minimum(turned // UNITS_PER_EVENT - before // UNITS_PER_EVENT, 255)
        if len(turned):
            self._left = int(turned[-1] % UNITS_PER_EVENT)
        return records
