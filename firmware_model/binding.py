"""The C core from Python: `Core`, with the surface of controller.Controller, and `run` for many ticks.

`available()` says whether the core is there; nothing here falls back to the reference.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from firmware_model.core_sources import source_digest
from firmware_model.shared import load

Ints = npt.NDArray[Any]

_SET_UP_AGAIN = "then set up again with: pip install --editable . (bench/run and tests/run do it)"

# What the controller reads in each tick -> type; units and ranges are those of lift_inputs_t.
INPUT_TYPES: dict[str, type[np.unsignedinteger[Any]]] = {
    "counts": np.uint16,
    "speed": np.uint16,
    "speed_valid": np.uint8,
    "engine": np.uint16,
    "shaft": np.uint16,
    "armed": np.uint8,
    "launch": np.uint8,
    "request_reduction": np.uint16,
    "request_retard": np.uint16,
    "request_reason": np.uint16,
}

# What it gives in each tick -> type; units and ranges are those of lift_outputs_t.
OUTPUT_TYPES: dict[str, type[np.integer[Any]]] = {
    "reduction": np.uint16,
    "retard": np.uint16,
    "reason": np.uint8,
    "askers": np.uint8,
    "faults": np.uint16,
    "height": np.int16,
    "rest": np.int16,
    "lift": np.int16,
    "entry": np.int16,
    "progress": np.uint16,
    "demand": np.uint16,
    "latched": np.uint16,
    "state": np.uint8,
    "hold_left": np.uint32,
    "retard_demand": np.uint16,
    "retard_latched": np.uint16,
    "retard_state": np.uint8,
    "launched": np.uint8,
    "elapsed_ms": np.uint16,
    "out_of_sight_ticks": np.uint16,
}

_TWO_TURNS = 120_000_000  # as in batch.h


_core: Any = load("firmware_model", "_core")


class Outputs(NamedTuple):
    """The outputs of one step; units and ranges are those of lift_outputs_t."""

    reduction: int
    retard: int
    reason: int
    askers: int
    faults: int
    height: int
    rest: int
    lift: int
    entry: int
    progress: int
    demand: int
    latched: int
    state: int
    hold_left: int
    retard_demand: int
    retard_latched: int
    retard_state: int
    launched: int
    elapsed_ms: int
    out_of_sight_ticks: int


@cache
def available() -> str | None:
    """None where the C core can be used, else one line that says why not and what would help."""
    if _core is None:
        return (
            "the C core is not built; install a C compiler"
            f" (apt-get install gcc libc6-dev), {_SET_UP_AGAIN}"
        )
    if _core.ffi.string(_core.lib.lift_sources()).decode() != source_digest():
        return f"the C core was built from other sources than those here; {_SET_UP_AGAIN}"
    return None


def constants() -> dict[str, int]:
    """The numbers of constants.h by name. Raises RuntimeError where there is no core."""
    reason = available()
    if reason:
        raise RuntimeError(reason)
    return {name: getattr(_core.lib, name) for name in dir(_core.lib) if name.startswith("LIFT_")}


class Core:
    """One controller in C, with the surface of controller.Controller.

    What is an attribute there is one here, under the same name: `command`, `height`, `lift`, `progress`,
    `reduction`, `retard`, `faults`, `elapsed_ms` and so on look into the C state as it is now.
    Raises RuntimeError with the reason where there is no core; ask `available` first.
    """

    def __init__(self) -> None:
        reason = available()
        if reason:
            raise RuntimeError(reason)
        self._ffi = _core.ffi
        self._lib = _core.lib
        self._state = self._ffi.new("lift_controller_t *")
        self._clock = self._ffi.new("lift_clock_t *")
        self._outputs = self._ffi.new("lift_outputs_t *")
        self._image: Any = None  # keeps the memory of the active image
        self._lib.lift_init(self._state)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._state, name)

    def load(self, image: bytes) -> int:
        """Run from an image, starting as after power-up: 0, or why it is refused; then nothing changes."""
        memory = self._ffi.new("uint32_t[]", len(image) // 4 + 1)
        self._ffi.memmove(memory, image, len(image))
        verdict: int = self._lib.lift_load(self._state, self._ffi.cast("uint8_t *", memory), len(image))
        if verdict == 0:
            self._image = memory
            self._restart_clock()
        return verdict

    def reset(self) -> None:
        """As after power-up with the same image."""
        self._lib.lift_reset(self._state)
        self._restart_clock()

    def _restart_clock(self) -> None:
        self._clock.turned = 0
        self._clock.place = 0

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
    ) -> None:
        """One tick. Units and ranges of the inputs are those of lift_inputs_t."""
        self._lib.lift_step_once(
            self._state,
            tick,
            counts,
            speed,
            speed_valid,
            engine_speed,
            shaft_speed,
            armed,
            launch,
            request_reduction,
            request_retard,
            request_reason,
        )

    def outputs(self) -> Outputs:
        """The outputs of the last step."""
        self._lib.lift_outputs(self._state, self._outputs)
        out = self._outputs
        return Outputs(*(getattr(out, name) for name in OUTPUT_TYPES))

    def safe(self) -> None:
        """The inputs have stopped coming: the calibrated safe state acts until the next step (W3)."""
        self._lib.lift_safe(self._state)

    def acting(self) -> tuple[int, int, int]:
        """What acts on the engine now: reduction, retard, reason."""
        now = self._ffi.new("lift_acting_t *")
        self._lib.lift_acting(self._state, now)
        return now.reduction, now.retard, now.reason

    def event(self, cylinder: int) -> int:
        """The fuel of a cylinder's next cycle is due: FUEL_OFF and SPARK_OFF bits for that cycle."""
        bits: int = self._lib.lift_event(self._state, cylinder)
        return bits

    def spark(self, cylinder: int) -> int:
        """The spark of a cylinder's present cycle is due: SPARK_OFF or 0, as its event said."""
        bits: int = self._lib.lift_spark(self._state, cylinder)
        return bits

    def digest(self) -> int:
        """CRC-32 over the whole state; equal to that of the reference in the same state."""
        crc: int = self._lib.lift_digest(self._state)
        return crc

    def run(
        self,
        inputs: Mapping[str, npt.ArrayLike],
        first: int = 0,
        *,
        events: bool = False,
        digest_every: int = 0,
    ) -> dict[str, Ints]:
        """Step over the inputs of n ticks in one call, from the present state; other threads run on.

        inputs: for each name of INPUT_TYPES whole numbers that fit its type, an array[n] or one number for
        all ticks (`counts`: always the array). The tick numbers count up from `first`, 16 bits wide, unless
        the inputs have a `tick` of their own.
        Gives an array[n] for each name of OUTPUT_TYPES. With `events` the engine speed makes cylinder events,
        in firing order, the first when a whole one has gathered: event_tick[m] (index of the tick after whose
        step it fell), event_cylinder[m], event_bits[m] (to switch off; 0 to fire). With `digest_every` also
        digest[n // digest_every], the digest after every so many ticks.
        Raises ValueError for wrong inputs or without an active image.
        """
        if self._image is None:
            raise ValueError("no calibration image is active")
        columns = _columns(inputs, first)
        n = len(columns["counts"])
        c_inputs = self._ffi.new("lift_columns_t *")
        for name, column in columns.items():
            to = getattr(c_inputs, name)
            to.values = self._pointer(column)
            to.stride = column.strides[0] // column.itemsize
        result: dict[str, Ints] = {name: np.empty(n, dtype=kind) for name, kind in OUTPUT_TYPES.items()}
        c_outputs = self._ffi.new("lift_results_t *")
        for name, output in result.items():
            setattr(c_outputs, name, self._pointer(output))
        c_events = self._ffi.NULL
        if events:
            c_events = self._room_for_events(columns["engine"], result)
        digests = np.empty(n // digest_every if digest_every else 0, dtype=np.uint32)
        if digest_every:
            result["digest"] = digests

        c_digests = self._pointer(digests)
        state, clock = self._state, self._clock
        self._lib.lift_batch(state, clock, n, c_inputs, c_outputs, c_events, digest_every, c_digests)
        return result

    def _room_for_events(self, engine: Ints, result: dict[str, Ints]) -> Any:
        """The C list that takes the events of a call; its arrays go to `result`."""
        calibration = self._state.calibration
        turned = int(engine.sum(dtype=np.int64)) * calibration.cylinders * calibration.tick_us
        room = (self._clock.turned + turned) // _TWO_TURNS
        made = self._ffi.new("lift_events_made_t *")
        made.room = room
        for name, kind in (("tick", np.uint32), ("cylinder", np.uint8), ("bits", np.uint8)):
            column = np.empty(room, dtype=kind)
            result[f"event_{name}"] = column
            setattr(made, name, self._pointer(column))
        return made

    def _pointer(self, array: Ints) -> Any:
        return self._ffi.cast(f"{array.dtype.name}_t *", array.ctypes.data)


def _columns(inputs: Mapping[str, npt.ArrayLike], first: int) -> dict[str, Ints]:
    """Each input and the tick numbers as an array[n] of its type; a constant has stride 0."""
    given = dict(inputs)
    n = np.atleast_1d(np.asarray(given.get("counts", ()))).size
    given.setdefault("tick", np.arange(first, first + n, dtype=np.int64) & 0xFFFF)
    types: dict[str, type[np.unsignedinteger[Any]]] = {"tick": np.uint16, **INPUT_TYPES}
    if set(given) != set(types):
        raise ValueError(f"the inputs are {', '.join(given)}; needed are {', '.join(INPUT_TYPES)}")
    return {name: np.broadcast_to(_fitting(name, given[name], kind), (n,)) for name, kind in types.items()}


def _fitting(name: str, values: npt.ArrayLike, kind: type[np.unsignedinteger[Any]]) -> Ints:
    """Whole numbers as an array of a type that must fit them."""
    column = np.asarray(values)
    if column.dtype != kind and column.size:
        most = np.iinfo(kind).max
        if column.dtype.kind not in "iub":
            raise ValueError(f"{name} holds {column.dtype} values; whole numbers are needed")
        if column.min() < 0 or column.max() > most:
            raise ValueError(f"{name} reaches from {column.min()} to {column.max()}; 0 to {most} fits")
    return np.require(column, kind, "A")


def run(
    image: bytes,
    inputs: Mapping[str, npt.ArrayLike],
    first: int = 0,
    *,
    events: bool = False,
    digest_every: int = 0,
) -> dict[str, Ints]:
    """`Core.run` on a new core with an image, which must be one that `Core.load` accepts."""
    core = Core()
    verdict = core.load(image)
    if verdict:
        raise ValueError(f"image refused, reason {verdict}")
    return core.run(inputs, first, events=events, digest_every=digest_every)
