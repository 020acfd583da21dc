"""A controller to load, start and step, wherever it runs: behind a line, or in this process."""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from typing import Protocol

from bench.link.host import DeviceError, Host
from bench.link.line import LinkError
from bench.link.protocol import (
    INPUT,
    MOST_TICKS,
    OUTPUT,
    Feature,
    Greeting,
    Kind,
    Reason,
    Records,
    Status,
    StepAnswer,
    pack_commit,
    pack_events,
    pack_piece,
    pack_step,
    pack_step_answer,
    piece_room,
    step_payload,
    stepped_payload,
    unpack_digest,
    unpack_verdict,
)
from bench.link.stepper import Core, Stepper

IMAGE_REASONS = {
    1: "its first letters are not those of an image",
    2: "it is of another format version",
    3: "its length is wrong",
    4: "its CRC is wrong",
    5: "a value lies outside its range",
    6: "its parts do not fit each other",
    7: "its firmware keeps it where it cannot read it: not at a multiple of 4",
}


@dataclass(frozen=True)
class RunResult:
    """What a controller made of some ticks. `outputs`: OUTPUT records[n]; `events`: one byte an event (what
    bench.link.protocol says of events), in order; `digest`: of the state after the last tick."""

    outputs: Records
    events: bytes
    digest: int


class Target(Protocol):
    """What the contract of a controller is tried on."""

    def load(self, image: bytes) -> int:
        """The verdict on a calibration image: 0, or why it is refused; the active one then stays."""

    def start(self) -> int:
        """Begin as after power-up; the digest of that state."""

    def run(self, first: int, inputs: Records) -> RunResult:
        """Step over INPUT records[n], n >= 1, the first of which has tick number `first` (16 bits)."""


class LocalTarget:
    """A controller in this process."""

    def __init__(self, core: Core) -> None:
        self._stepper = Stepper(core)

    def load(self, image: bytes) -> int:
        return self._stepper.load(image)

    def start(self) -> int:
        return self._stepper.start()

    def run(self, first: int, inputs: Records) -> RunResult:
        import numpy as np

        outputs, events = self._stepper.step(first, inputs.astype(INPUT).tobytes())
        return RunResult(np.frombuffer(outputs, OUTPUT), events, self._stepper.core.digest())

    def answer(self, body: bytes) -> bytes:
        """What a device with this controller answers to the body of a step."""
        first, flags = int.from_bytes(body[:2], "little"), body[3]
        outputs, events = self._stepper.step(first, body[4:])
        digest = self._stepper.core.digest() if flags else 0
        return pack_step_answer(binascii.crc32(body), digest, flags, body[2], outputs, events)


SETTLE_TICKS = 200_000
"""How many ticks at most a device is stepped with arming off, until nothing is taken any more."""

_SETTLE_S = 600.0


class RemoteTarget:
    """A controller behind a line. Every call raises LinkError when the link fails.

    A device refuses a new calibration, a start and a reset while it is armed or torque is taken. What this
    target's own steps have left armed it steps on with arming off first (`disarm`); a device that it met
    armed is left as it is, and the refusal raised. `met` is the first greeting, `greeting` the latest.
    """

    def __init__(self, host: Host) -> None:
        self.host = host
        self.greeting: Greeting = host.hello()
        self.met = self.greeting
        self._own_run = False

    def disarm(self) -> None:
        """Step the device with arming off until it is at rest: hold and release run out as calibrated. One
        that has no calibration or was not started is at rest.

        Raises LinkError where it still takes torque after SETTLE_TICKS.
        """
        import numpy as np

        quiet = np.zeros(MOST_TICKS, INPUT)
        self._own_run = True  # the safe state that follows a silence is ours too
        with self.host.within(_SETTLE_S, "coming to rest"):
            self._settle(quiet)

    def _settle(self, quiet: Records) -> None:
        for _ in range(0, SETTLE_TICKS, MOST_TICKS):
            try:
                last = self.run(0, quiet).outputs[-1]
            except DeviceError as refused:
                if refused.reason in (Reason.NOT_STARTED, Reason.NO_IMAGE):
                    return
                raise
            if not (last["launched"] or last["reduction"] or last["retard"]):
                return
        raise LinkError(
            f"the device still takes torque {SETTLE_TICKS} ticks after it was disarmed",
            self.host.line.name,
            "switch it off and on",
        )

    @property
    def has_digest(self) -> bool:
        """Whether the device tells its state's digest."""
        return Feature.DIGEST in self.greeting.features

    def leave(self) -> None:
        """Leave the device at rest after our own run: not armed, nothing taken."""
        if self._own_run:
            self.start()
            self._own_run = False

    def ask_at_rest(self, kind: Kind, body: bytes = b"") -> bytes:
        """One request; where our own run has left the device armed, that is ended first."""
        try:
            return self.host.ask(kind, body)
        except DeviceError as refused:
            if refused.reason != Reason.ACTIVE or not self._own_run:
                raise
        self.disarm()
        return self.host.ask(kind, body)

    def load(self, image: bytes) -> int:
        room = min(piece_room(self.greeting.largest), 512)
        offsets = list(range(0, len(image), room))
        for offset in offsets:
            while not self.host.has_room():
                self.host.next_answer()
            self.host.post(Kind.PIECE, pack_piece(offset, image[offset : offset + room]))
        self.host.drain()
        commit = pack_commit(len(image), binascii.crc32(image))
        verdict = unpack_verdict(self.ask_at_rest(Kind.COMMIT, commit))
        self.greeting = self.host.hello()
        return verdict

    def start(self) -> int:
        digest = unpack_digest(self.ask_at_rest(Kind.START))
        self._own_run = True
        return digest

    def run(self, first: int, inputs: Records) -> RunResult:
        import numpy as np

        outputs: list[Records] = []
        events = bytearray()
        digest = 0
        at = 0
        while at < len(inputs):
            ticks = fitting(inputs[at:], self.greeting.largest)
            body = pack_step(first + at, inputs[at : at + ticks].astype(INPUT), True)
            stepped = StepAnswer.unpack(self.host.ask(Kind.STEP, body))
            if stepped.request_crc != binascii.crc32(body):
                raise LinkError(
                    "the device got other inputs than were sent", self.host.line.name, "try again"
                )
            outputs.append(stepped.outputs)
            events += stepped.events
            digest = stepped.digest
            at += ticks
        return RunResult(np.concatenate(outputs), bytes(events), digest)

    def events(self, due: int) -> bytes:
        """So many cylinder events without a step: one byte each, as for those of a step."""
        return self.host.ask(Kind.EVENTS, pack_events(due))

    def status(self) -> Status:
        """The device's counters."""
        return Status.unpack(self.host.ask(Kind.STATUS))

    def reset(self) -> None:
        """Power the device up anew, and begin a conversation again. What it had loaded may be gone."""
        self.ask_at_rest(Kind.RESET)
        self._own_run = False
        self.host = Host(self.host.line, None, self.host.timeout_s, self.host.attempts)
        self.greeting = self.host.hello()


def fitting(inputs: Records, largest: int, most: int = MOST_TICKS) -> int:
    """How many of these ticks, at least one, go into one step whose request and answer fit into a frame.

    Raises LinkError if not even one does.
    """
    import numpy as np

    most = min(most, MOST_TICKS, len(inputs), (largest - step_payload(0)) // INPUT.itemsize)
    events = np.cumsum(inputs["events"][:most], dtype=np.int64)
    sizes = stepped_payload(0, 0) + np.arange(1, most + 1) * OUTPUT.itemsize + events
    fit = int(np.searchsorted(sizes, largest, side="right"))
    if fit == 0:
        raise LinkError(f"a tick with {events[0]} events does not fit into the device's largest frame")
    return fit
