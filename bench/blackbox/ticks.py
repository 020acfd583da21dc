"""The commands of a controller over the inputs of many ticks."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from bench.link.protocol import ARMED, LAUNCH, SPEED_VALID, Records
from bench.link.stepper import step_row

Ints = npt.NDArray[np.int64]


def commands(image: bytes, inputs: Records) -> tuple[Ints, Ints, Ints]:
    """(reduction, retard, launched) of each tick, int64[n], of the right firmware from power-up: by the C
    core where it is built, in one call."""
    from firmware_model import binding

    if binding.available() is None:
        made = binding.run(image, _columns(inputs))
        reduction, retard, launched = (made[name] for name in ("reduction", "retard", "launched"))
        return reduction.astype(np.int64), retard.astype(np.int64), launched.astype(np.int64)
    from controller import Controller

    controller = Controller()
    controller.load(image)
    rows = []
    for tick, row in enumerate(inputs.tolist()):
        step_row(controller, tick, row)
        rows.append((controller.command.reduction, controller.command.retard, controller.launched))
    table = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _columns(inputs: Records) -> dict[str, Any]:
    """The inputs as the columns that the C core reads."""
    switches = inputs["switches"]
    names = ("counts", "speed", "engine", "shaft", "request_reduction", "request_retard", "request_reason")
    return {name: np.ascontiguousarray(inputs[name]) for name in names} | {
        "speed_valid": (switches & SPEED_VALID).astype(np.uint8),
        "armed": (switches & ARMED).astype(np.uint8),
        "launch": (switches & LAUNCH).astype(np.uint8),
    }
