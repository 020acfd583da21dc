"""What a device did in one step of the stand test: its ticks, and stretches in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.link.protocol import ARMED, LAUNCH, Records
from bench.replay.codes import OUT_OF_SERVICE
from bench.stand.nose import maps_of
from bench.trace.spans import spans
from controller import constants as c
from controller.latch import Latch

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at: what, what would be right, what was seen, and whether that is right.
    `tick` is where it was seen, counted from the beginning of the step."""

    what: str
    right: str
    seen: str
    passed: bool
    tick: int | None = None


@dataclass(frozen=True)
class Seen:
    """INPUT and OUTPUT records[n] of the ticks of a step, and its events (one byte each; None where the
    device tells none)."""

    calibration: CalibrationFile
    inputs: Records
    outputs: Records
    events: bytes | None

    @property
    def n(self) -> int:
        """Number of ticks."""
        return len(self.outputs)

    @property
    def tick_ms(self) -> float:
        """A tick in ms."""
        return self.calibration.tick_us / 1000

    def out(self, name: str) -> Ints:
        """An output over the ticks."""
        return np.asarray(self.outputs[name], dtype=np.int64)

    @property
    def armed(self) -> Bools:
        """Where the arming switch is on."""
        return np.asarray((self.inputs["switches"] & ARMED) != 0)

    @property
    def launch(self) -> Bools:
        """Where the launch switch is on."""
        return np.asarray((self.inputs["switches"] & LAUNCH) != 0)

    def faults(self, bits: int) -> Bools:
        """Where the device tells some of these fault bits."""
        return np.asarray((self.out("faults") & bits) != 0)

    @property
    def lost(self) -> Bools:
        """Where the reading lies outside the window."""
        counts = self.inputs["counts"]
        return np.asarray(
            (counts < self.calibration.number("window_low"))
            | (counts > self.calibration.number("window_high"))
        )

    def asked(self) -> tuple[Ints, Ints, Bools]:
        """What the calibrated maps ask for at the lift and progress that the device tells, with the trigger:
        (reduction, retard, where the lift is what asks). Look-up and trigger are the reference's."""
        cal = self.calibration
        maps = maps_of(cal)
        asks = (self.out("launched") != 0) & ~self.faults(OUT_OF_SERVICE | c.FAULT_OUT_OF_SIGHT)
        latches = (Latch(), Latch())
        latches[0].calibrate(cal.number("trigger"), cal.number("trigger_hysteresis"), 0, 0, 0, 0)
        latches[1].calibrate(
            cal.number("retard_trigger"), cal.number("retard_trigger_hysteresis"), 0, 0, 0,
            cal.number("retard_follows"),
        )  # fmt: skip
        entry, progress = self.out("entry"), self.out("progress")
        both = np.zeros((2, self.n), np.int64)
        for i in range(self.n):
            if asks[i]:
                maps.look(int(entry[i]), int(progress[i]))
            values = (maps.reduction, maps.retard) if asks[i] else (0, 0)
            for row, (latch, value) in enumerate(zip(latches, values, strict=True)):
                latch.step(value)
                both[row, i] = latch.demand
        return both[0], both[1], asks

    def episodes(self) -> list[tuple[int, int]]:
        """The stretches [start, stop) in which the latched reduction is above 0."""
        return spans(self.out("latched") > 0)

    def ms(self, ticks: float) -> str:
        """Ticks in words."""
        return f"{ticks:.0f} ticks ({ticks * self.tick_ms:g} ms)"
