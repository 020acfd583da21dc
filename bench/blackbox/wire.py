"""A box and a controller that runs by itself, joined by wires, in virtual time: for trying the bench out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bench.blackbox.play import lines_of
from bench.blackbox.protocol import EDGE, RECORD, wires_of
from bench.blackbox.unit import Limits, Unit, run_core, seen
from bench.calibration.image import read_image
from bench.link.protocol import Records
from bench.link.stepper import Core
from firmware_model.probe.box import Box


class Wire:
    """The far end of a line: a box, and at its wires a controller with a calibration, which stays switched on
    from run to run. Each run has its own phase and noise; gain, offset and drift are those of the controller.

    Raises ValueError where the controller refuses the image, RuntimeError where no box is built.
    """

    def __init__(self, core: Core, image: bytes, limits: Limits, seed: int) -> None:
        self._box = Box()
        self._core = core
        verdict = core.load(image)
        if verdict:
            raise ValueError(f"image refused, reason {verdict}")
        self._calibration = read_image(image)
        self._limits, self._seed = limits, seed
        self._log = np.zeros(0, RECORD)
        self._waiting: Records = np.zeros(0, EDGE)
        self._runs = 0
        self._ticks = 0
        self._done = False

    def take(self, data: bytes, now: float) -> None:
        """Bytes from the host."""
        self._box.receive(data)
        came = np.frombuffer(self._box.played(), RECORD)
        if len(came) and (not len(self._log) or came["at"][0] < self._log["at"][-1]):
            self._log, self._done = came, False
        elif len(came):
            self._log = np.concatenate((self._log, came))
        if not self._box.over:
            self._waiting = self._waiting[:0]
        elif not self._done:
            self._done = True
            self._run()
        self._feed()

    def wake_at(self) -> float | None:
        """It does nothing by itself."""
        return None

    def give(self, now: float) -> bytes:
        """Bytes for the host."""
        return self._box.sent()

    def _run(self) -> None:
        """What the controller did while the box played."""
        unit = Unit.drawn(self._limits, self._seed)
        again = Unit.drawn(self._limits, self._seed + 1_000_003 * self._runs)
        unit = replace(unit, phase=again.phase, seed=again.seed)
        wires = wires_of(self._log, int(self._log["at"][-1]) if len(self._log) else 0)
        c = self._calibration
        inputs = seen(wires, c, unit)
        made = run_core(c, unit, inputs, self._core, self._ticks)
        self._ticks += len(inputs.inputs)
        self._runs += 1
        order = np.array(c.firing_order[: c.cylinders], dtype=np.int64)
        cylinders = order[np.arange(len(wires.crank)) % c.cylinders]
        self._waiting = lines_of(wires.crank, cylinders, made)

    def _feed(self) -> None:
        """The edges arrive, as many as the box has room for."""
        room = self._box.room
        for at, line in self._waiting[:room].tolist():
            self._box.edge(at, line)
        self._waiting = self._waiting[room:]
