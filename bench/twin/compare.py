"""Both controllers over the same inputs, and the first difference."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.calibration.image import Values, unpack
from bench.replay.run import UNITS_PER_EVENT
from bench.twin.generate import Ints
from controller import Controller
from controller.constants import TICK_NUMBER_MASK
from firmware_model.binding import INPUT_TYPES, OUTPUT_TYPES, Core

CONTEXT_BEFORE = 15
CONTEXT = 20

INPUTS = ("tick", *INPUT_TYPES)
"""The inputs in the order in which a step takes them."""


@dataclass(frozen=True)
class Difference:
    """Where the two first differ: the index of the tick, the output or part of the state, both values.

    `context` holds CONTEXT lines, one a tick: its inputs and the outputs of both.
    """

    where: str
    tick: int
    field: str
    reference: int
    core: int
    context: tuple[str, ...]

    def __str__(self) -> str:
        first = (
            f"{self.where}: tick {self.tick}: {self.field} is {self.reference} in the reference,"
            f" {self.core} in the C core"
        )
        return "\n".join((first, *self.context))


def read_outputs(c: Controller | Core) -> tuple[int, ...]:
    """The outputs of the last step of either controller, in the order of OUTPUT_TYPES."""
    command, height, lift, reduction, retard = c.command, c.height, c.lift, c.reduction, c.retard
    return (
        command.reduction, command.retard, command.reason, command.askers, c.faults,
        height.good, lift.rest, lift.value, lift.entry, c.progress.value,
        reduction.demand, reduction.output, reduction.state, reduction.hold_left,
        retard.demand, retard.output, retard.state,
        c.launched, c.elapsed_ms, c.out_of_sight_ticks,
    )  # fmt: skip


def state_fields(reference: Any, core: Any, path: str = "") -> Iterator[tuple[str, int, int]]:
    """Each number of the state that the digest covers: its name and both values."""
    for name in reference.__slots__:
        if name.startswith("_"):
            continue
        one, other = getattr(reference, name), getattr(core, name)
        if isinstance(one, list):
            for i, value in enumerate(one):
                yield f"{path}{name}[{i}]", value, other[i]
        elif isinstance(one, int):
            yield f"{path}{name}", one, other
        else:
            yield from state_fields(one, other, f"{path}{name}.")


def with_ticks(inputs: Mapping[str, Ints]) -> dict[str, Ints]:
    """The inputs of a replay with the tick numbers of its ticks, from 0 on, 16 bits wide."""
    return {"tick": np.arange(len(inputs["counts"])) & TICK_NUMBER_MASK, **inputs}


def run_reference(image: bytes, inputs: Mapping[str, Ints], *, digest_every: int = 0) -> dict[str, Ints]:
    """What firmware_model.binding.run with events gives for the same, made by the reference, all int64.

    `tick` must be among the inputs. Raises ValueError for an image that is refused.
    """
    values = unpack(image)
    reference = Controller()
    reference.load(image)
    due = _cylinders_due(values, inputs["engine"])
    rows, digests, bits = [], [], []
    for i, row in enumerate(_rows(inputs)):
        reference.step(*row)
        rows.append(read_outputs(reference))
        for cylinder in due.get(i, ()):
            bits.append((i, cylinder, reference.event(cylinder)))
        if digest_every and (i + 1) % digest_every == 0:
            digests.append(reference.digest())
    table = np.array(rows, dtype=np.int64).reshape(-1, len(OUTPUT_TYPES))
    events = np.array(bits, dtype=np.int64).reshape(-1, 3)
    result: dict[str, Ints] = {name: table[:, i] for i, name in enumerate(OUTPUT_TYPES)}
    result |= {name: events[:, i] for i, name in enumerate(("event_tick", "event_cylinder", "event_bits"))}
    if digest_every:
        result["digest"] = np.array(digests, dtype=np.int64)
    return result


def compare(
    image: bytes,
    inputs: Mapping[str, Ints],
    where: object,
    *,
    digest_every: int = 500,
    make_core: Callable[[], Core] = Core,
) -> Difference | None:
    """Run both over the same inputs; the first difference of an output, an event or the state, or None.

    `where` names the inputs in the difference. The state is compared by its digest every so many ticks; where
    that differs, the tick and the field are searched for.
    """
    expected = run_reference(image, inputs, digest_every=digest_every)
    core = make_core()
    verdict = core.load(image)
    if verdict:
        return Difference(str(where), 0, "verdict on the image", 0, verdict, ())
    found = core.run(inputs, events=True, digest_every=digest_every)
    differs = [tick for name in expected for tick in _first(name, expected, found, digest_every)]
    return _locate(image, inputs, where, max(0, min(differs) - digest_every), make_core) if differs else None


def _first(
    name: str, expected: Mapping[str, Ints], found: Mapping[str, Ints], digest_every: int
) -> Iterator[int]:
    """The tick at which a result first differs, if it does."""
    one, other = expected[name], found[name]
    both = min(len(one), len(other))
    wrong = np.flatnonzero(one[:both] != other[:both])
    at = int(wrong[0]) if len(wrong) else both
    if at == max(len(one), len(other)):
        return
    if name == "digest":
        yield at * digest_every
    elif name.startswith("event_"):
        longer = expected if len(one) > both else found
        yield int(longer["event_tick"][at])
    else:
        yield at


def _locate(
    image: bytes, inputs: Mapping[str, Ints], where: object, start: int, make_core: Callable[[], Core]
) -> Difference:
    """Step both again, and from tick `start` on compare everything at every tick."""
    reference, core = Controller(), make_core()
    reference.load(image)
    core.load(image)
    due = _cylinders_due(unpack(image), inputs["engine"])
    lines: list[str] = []
    difference: tuple[int, str, int, int] | None = None
    for i, row in enumerate(_rows(inputs)):
        reference.step(*row)
        core.step(*row)
        asked = [(k, reference.event(k), core.event(k)) for k in due.get(i, ())]
        if i < start - CONTEXT_BEFORE:
            continue
        one, other = read_outputs(reference), read_outputs(core)
        lines.append(_line(i, row, one, other))
        if difference is None:
            outputs = zip(OUTPUT_TYPES, one, other, strict=True)
            events = ((f"event of cylinder {k}", bits, wrong) for k, bits, wrong in asked)
            wrong_ones = (
                (i, name, right, wrong)
                for name, right, wrong in (*outputs, *events, *state_fields(reference, core))
                if right != wrong
            )
            difference = next(wrong_ones, None)
            del lines[: -CONTEXT_BEFORE - 1]
        if difference is not None and len(lines) >= CONTEXT:
            break
    if difference is None:
        # The batch call and single steps of the same core disagree.
        return Difference(str(where), start, "batch call", 0, 1, tuple(lines[-CONTEXT:]))
    return Difference(str(where), *difference, tuple(lines))


def _line(tick: int, row: Sequence[int], one: Sequence[int], other: Sequence[int]) -> str:
    inputs = " ".join(f"{name}={value}" for name, value in zip(INPUTS, row, strict=True))
    outputs = " ".join(
        f"{name}={right}" if right == wrong else f"{name}={right}!={wrong}"
        for name, right, wrong in zip(OUTPUT_TYPES, one, other, strict=True)
    )
    return f"{tick}: {inputs} -> {outputs}"


def _rows(inputs: Mapping[str, Ints]) -> Iterator[tuple[int, ...]]:
    return zip(*(inputs[name].tolist() for name in INPUTS), strict=True)


def _cylinders_due(values: Values, engine_speed: Ints) -> dict[int, list[int]]:
    """The cylinders whose fuel falls due after each tick, for those ticks that have any."""
    cylinders, tick_us, order = values["cylinders"], values["tick_us"], values["firing_order"]
    assert isinstance(cylinders, int)
    assert isinstance(tick_us, int)
    assert isinstance(order, list)
    due: dict[int, list[int]] = {}
    gathered = place = 0
    for tick, rpm in enumerate(engine_speed.tolist()):
        gathered += rpm * cylinders * tick_us
        while gathered >= UNITS_PER_EVENT:
            gathered -= UNITS_PER_EVENT
            due.setdefault(tick, []).append(order[place])
            place = (place + 1) % cylinders
    return due
