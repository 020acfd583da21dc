"""A controller stepped by packed records: what a device does between a step and its answer."""

from __future__ import annotations

from typing import Any, Protocol

from bench.calibration.image import read_image
from bench.link.protocol import (
    ARMED,
    EVENT_SPARK,
    INPUT_STRUCT,
    LAUNCH,
    OUTPUT_STRUCT,
    SPEED_VALID,
)


class Core(Protocol):
    """A controller, whatever it is made of; the surface of controller.Controller.

    The outputs of the last step are attributes, as controller.Controller states them.
    """

    command: Any
    reduction: Any
    retard: Any
    height: Any
    lift: Any
    progress: Any
    faults: int
    elapsed_ms: int
    out_of_sight_ticks: int
    launched: int
    armed: int

    def load(self, image: bytes) -> int: ...
    def reset(self) -> None: ...
    def step(
        self,
        tick: int,
        counts: int,
        speed: int,
        speed_valid: int,
        engine_speed: int,
        shaft_speed: int,
        armed: int,
        launch: int,
        request_reduction: int,
        request_retard: int,
        request_reason: int,
        /,
    ) -> None: ...
    def event(self, cylinder: int) -> int: ...
    def spark(self, cylinder: int) -> int: ...
    def safe(self) -> None: ...
    def acting(self) -> tuple[int, int, int]: ...
    def digest(self) -> int: ...


def step_row(core: Core, tick: int, row: tuple[int, ...]) -> None:
    """One tick with the fields of an INPUT record."""
    counts, speed, engine, shaft, request_reduction, request_retard, request_reason, switches, _ = row
    core.step(
        tick & 0xFFFF,
        counts,
        speed,
        1 if switches & SPEED_VALID else 0,
        engine,
        shaft,
        1 if switches & ARMED else 0,
        1 if switches & LAUNCH else 0,
        request_reduction,
        request_retard,
        request_reason,
    )


class Stepper:
    """Runs a controller, and lets the fuel of its cylinders fall due in firing order.

    Assumptions: `step` only after a load that was accepted. Invariant: the first event after `start` is that
    of the first cylinder of the firing order.
    """

    def __init__(self, core: Core) -> None:
        self.core = core
        self.ticks = 0
        self.tick_us = 0
        self.stall_ms = 0
        self._order: list[int] = []
        self._place = 0

    def load(self, image: bytes) -> int:
        """The controller's verdict; when it is not 0 nothing changes."""
        verdict = self.core.load(image)
        if verdict == 0:
            calibration = read_image(image)
            self._order = calibration.firing_order[: calibration.cylinders]
            self._place = 0
            self.tick_us = calibration.tick_us
            self.stall_ms = calibration.stall_ms
        return verdict

    def start(self) -> int:
        """Begin as after power-up; the digest of that state."""
        self.core.reset()
        self._place = 0
        return self.core.digest()

    def step(self, first: int, inputs: bytes) -> tuple[bytes, bytes]:
        """Step over packed INPUT records, the first of which has tick number `first`: packed OUTPUT records
        and one byte for each event."""
        outputs = bytearray()
        events = bytearray()
        for row in INPUT_STRUCT.iter_unpack(inputs):
            step_row(self.core, first, row)
            outputs += read_outputs(self.core)
            events += self.events(row[-1])
            first += 1
            self.ticks += 1
        return bytes(outputs), bytes(events)

    def events(self, due: int) -> bytes:
        """So many events in firing order, one byte each."""
        core = self.core
        events = bytearray()
        for _ in range(due):
            cylinder = self._order[self._place]
            self._place = (self._place + 1) % len(self._order)
            bits = core.event(cylinder)
            events.append(bits | (EVENT_SPARK if core.spark(cylinder) else 0))
        return bytes(events)


def read_outputs(core: Core) -> bytes:
    """The outputs of the last step as one packed OUTPUT record."""
    command, reduction, retard = core.command, core.reduction, core.retard
    height, lift = core.height, core.lift
    return OUTPUT_STRUCT.pack(
        reduction.hold_left,
        height.good,
        lift.rest,
        lift.value,
        lift.entry,
        core.progress.value,
        reduction.demand,
        reduction.output,
        retard.demand,
        retard.output,
        command.reduction,
        command.retard,
        core.faults,
        core.out_of_sight_ticks,
        core.elapsed_ms,
        reduction.state,
        retard.state,
        command.reason,
        command.askers,
        core.launched,
    )
