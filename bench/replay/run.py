"""Stepping a controller over the inputs of a whole trace."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from bench.calibration.image import unpack
from bench.errors import UserError
from bench.trace.packed import Packed, Plain, is_packed
from controller import Controller
from controller.constants import TICK_NUMBER_MASK

Ints = npt.NDArray[Any]

UNITS_PER_EVENT = 120_000_000
"""rpm * cylinders * microseconds in one cylinder event: 720 degrees a cycle, so cylinders * rpm / 120 events
a second."""

_CHUNK = 1 << 14

# What the controller reads in each tick -> type.
INPUT_TYPES: dict[str, type[np.unsignedinteger[Any]]] = {
    "counts": np.uint16,  # ADC counts
    "speed": np.uint16,  # 0.1 km/h
    "speed_valid": np.uint8,
    "engine": np.uint16,  # rpm
    "shaft": np.uint16,  # rpm
    "armed": np.uint8,
    "launch": np.uint8,
    "request_reduction": np.uint16,  # 0.1 %
    "request_retard": np.uint16,  # 0.1 degree
    "request_reason": np.uint16,
}

# What is kept of each tick -> type.
OUTPUT_TYPES: dict[str, type[np.integer[Any]]] = {
    "height": np.int16,  # last good height, 1/16 mm
    "rest": np.int16,  # rest height in use, 1/16 mm
    "lift": np.int16,  # as measured and filtered, 1/16 mm
    "entry": np.int16,  # the lift at which the maps are entered, 1/16 mm
    "progress": np.uint16,  # 0.1 km/h or ms
    "demand": np.uint16,  # live demand of the reduction latch, 0.1 %
    "latched": np.uint16,  # its output, 0.1 %
    "state": np.uint8,
    "hold_left": np.uint32,  # ticks
    "retard_demand": np.uint16,  # the same of the retard latch, 0.1 degree
    "retard_latched": np.uint16,
    "retard_state": np.uint8,
    "reduction": np.uint16,  # the command, 0.1 %
    "retard": np.uint16,  # the command, 0.1 degree
    "reason": np.uint8,
    "askers": np.uint8,
    "faults": np.uint16,
    "out_of_sight_ticks": np.uint16,
    "elapsed_ms": np.uint16,
    "launched": np.uint8,
}


@dataclass(frozen=True)
class Run:
    """What a controller made of its inputs.

    `ticks` has an array[n] for each name of OUTPUT_TYPES. The events arrays have one entry for each cylinder
    event, in time order: the tick after whose step it fell, the cylinder, and the bits to switch off (0 to
    fire).
    """

    core: str
    ticks: dict[str, Ints]
    event_tick: Ints
    event_cylinder: Ints
    event_bits: Ints

    @property
    def n(self) -> int:
        """Number of ticks."""
        return len(self.ticks["lift"])


class Core(Protocol):
    """A controller with its image that can be stepped over many ticks: the reference or the C core."""

    def run(self, inputs: dict[str, Ints], first: int, *, events: bool) -> dict[str, Ints]:
        """Step on from the present state, over ticks numbered from `first` on.

        `inputs` has an array[m] for each name of INPUT_TYPES. Gives an array[m] for each name of OUTPUT_TYPES
        and, with `events`, for each cylinder event that the engine speed makes: event_tick (index among the
        m), event_cylinder, event_bits. The first event comes when a whole one has gathered, the cylinders
        follow in firing order, and what is left of a tick is carried on, also to the next call.
        """


class Reference:
    """The reference controller on an image that it accepts."""

    def __init__(self, image: bytes) -> None:
        self._controller = Controller()
        verdict = self._controller.load(image)
        if verdict:
            raise ValueError(f"image refused, reason {verdict}")
        values = unpack(image)
        tick_us, cylinders, order = values["tick_us"], values["cylinders"], values["firing_order"]
        assert isinstance(tick_us, int)
        assert isinstance(cylinders, int)
        assert isinstance(order, list)
        self._order = order[:cylinders]
        self._scale = cylinders * tick_us
        self._gathered = 0
        self._fired = 0

    def run(self, inputs: dict[str, Ints], first: int, *, events: bool) -> dict[str, Ints]:
        """As Engine.run says."""
        due = self._due(inputs["engine"]) if events else np.zeros(len(inputs["counts"]), dtype=np.int64)
        event_tick = np.repeat(np.arange(len(due), dtype=np.uint32), due)
        place = (self._fired + np.arange(len(event_tick))) % len(self._order)
        cylinders = np.array(self._order, dtype=np.uint8)[place]
        self._fired += len(event_tick)
        result, bits = self._step(first, inputs, due.tolist(), cylinders.tolist())
        if events:
            result |= {"event_tick": event_tick, "event_cylinder": cylinders, "event_bits": bits}
        return result

    def _due(self, engine_speed: Ints) -> Ints:
        """How many events fall due in each tick, the remainder carried on."""
        gathered = self._gathered + np.cumsum(engine_speed.astype(np.int64) * self._scale)
        if len(gathered):
            self._gathered = int(gathered[-1]) % UNITS_PER_EVENT
        return np.diff(gathered // UNITS_PER_EVENT, prepend=0)

    def _step(
        self, first: int, inputs: dict[str, Ints], due: list[int], cylinders: list[int]
    ) -> tuple[dict[str, Ints], Ints]:
        c = self._controller
        step, event = c.step, c.event
        height, lift, progress, command = c.height, c.lift, c.progress, c.command
        reduction, retard = c.reduction, c.retard
        columns = [inputs[name].tolist() for name in INPUT_TYPES]
        rows = []
        bits = []
        done = 0
        for tick, count, *read in zip(range(first, first + len(due)), due, *columns, strict=True):
            step(tick & TICK_NUMBER_MASK, *read)
            rows.append((
                height.good, lift.rest, lift.value, lift.entry, progress.value,
                reduction.demand, reduction.output, reduction.state, reduction.hold_left,
                retard.demand, retard.output, retard.state,
                command.reduction, command.retard, command.reason, command.askers,
                c.faults, c.out_of_sight_ticks, c.elapsed_ms, c.launched,
            ))  # fmt: skip
            for cylinder in cylinders[done : done + count]:
                bits.append(event(cylinder))
            done += count
        table = np.array(rows, dtype=np.int64).reshape(-1, len(OUTPUT_TYPES))
        result = {name: table[:, i].astype(kind) for i, (name, kind) in enumerate(OUTPUT_TYPES.items())}
        return result, np.array(bits, dtype=np.uint8)


def core_to_use(asked: str | None) -> tuple[str, str]:
    """The core to step with, and a line to say where that is not the one a person would expect.

    Where none was asked for it is the C core, but without one here the reference.
    """
    if asked:
        return asked, ""
    from firmware_model import binding

    why_not = binding.available()
    if why_not is None:
        return "c", ""
    return "reference", f"stepping with the reference, which is much slower: {why_not}"


def make_core(name: str, image: bytes) -> Core:
    """The core of a name, "reference" or "c", on an image. UserError where the C core cannot be used."""
    if name == "reference":
        return Reference(image)
    from firmware_model import binding

    why_not = binding.available()
    if why_not:
        raise UserError(why_not, "--core c", "or use --core reference")
    core = binding.Core()
    verdict = core.load(image)
    if verdict:
        raise ValueError(f"image refused, reason {verdict}")
    return core


def run(
    name: str,
    image: bytes,
    inputs: dict[str, Ints],
    progress: Callable[[float], None] = lambda share: None,
) -> Run:
    """Step the core of that name over all inputs, with their cylinder events. Where the inputs are Packed
    the outputs are.

    `progress` is called with the share done now and then.
    """
    core = make_core(name, image)
    n = len(inputs["counts"])
    packs = is_packed(inputs["counts"])
    ticks = {output: Packed(kind) if packs else Plain(kind, n) for output, kind in OUTPUT_TYPES.items()}
    made: dict[str, list[Ints]] = {"event_tick": [], "event_cylinder": [], "event_bits": []}
    for start in range(0, n, _CHUNK):
        stop = min(n, start + _CHUNK)
        given = {key: np.asarray(inputs[key][start:stop]) for key in INPUT_TYPES}
        outputs = core.run(given, start, events=True)
        for output, values in ticks.items():
            values.add(outputs[output])
        outputs["event_tick"] = outputs["event_tick"] + np.uint32(start)
        for column, parts in made.items():
            parts.append(outputs[column])
        progress(stop / n)
    columns = {output: values.made() for output, values in ticks.items()}
    return Run(name, columns, **{column: np.concatenate(made.pop(column)) for column in list(made)})
