"""The demo car in closed loop with the controller through sensors that fail: one run, and what came of it.

The model drives, the controller answers, and a story stands between the two: it changes what the controller
is given, tick by tick. What the car really did is scored from the model's own columns. The C core answers
where it is there, since it equals the reference and is quicker.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.calibration import CalibrationFile
from bench.vehicle.car import Car
from bench.vehicle.results import FOOT, MARKS_FT, score
from bench.vehicle.run import start
from bench.vehicle.track import VIEW, Track
from controller import Controller
from controller.constants import (
    FAULT_AT_LAUNCH,
    FAULT_FALL,
    FAULT_OUT_OF_SIGHT,
    FAULT_SENSOR,
    FAULT_SPEED,
    FAULT_STUCK,
    TICK_NUMBER_MASK,
)
from firmware_model.binding import Core, available

SAID = {
    FAULT_SENSOR: "sensor fault",
    FAULT_FALL: "fall",
    FAULT_OUT_OF_SIGHT: "out of sight",
    FAULT_STUCK: "stuck",
    FAULT_AT_LAUNCH: "fault at launch",
    FAULT_SPEED: "no speed",
}
MARK = 2  # 660 ft of MARKS_FT
LONGEST_S = 10.0
_UNSEEN = ("acceleration", "front_load", "rear_load", "thrust", "bar_load", "torque")


@dataclass
class Given:
    """What the controller is given in one tick, in its own units; a story may change all of it."""

    counts: int
    speed: int = 0
    engine: int = 0
    shaft: int = 0
    armed: int = 1
    launch: int = 0
    valid: int = 1


Story = Callable[[int, Given], None]
"""Called once a tick with the ms since launch (below 0 before) and what a healthy car would give."""


@dataclass(frozen=True)
class Driven:
    """One run. `seconds` is the 660-ft time by the strip's beams, infinite where the car did not arrive
    within LONGEST_S; `peak_mm` the greatest lift; `landing` in m/s, not a number where the nose never came
    down; `cut_s` the reduction added up, in seconds of no torque; `said` the faults told since launch."""

    seconds: float
    peak_mm: float
    landing: float
    cut_s: float
    reversals: int
    said: tuple[str, ...]


def healthy(ms: int, given: Given) -> None:
    """The story in which nothing fails."""


def drive(
    car: Car,
    calibration: CalibrationFile,
    story: Story = healthy,
    *,
    noise_mm: float = 0.0,
    prelude: Sequence[tuple[int, Given]] = (),
) -> Driven:
    """One run of 660 ft. The inputs of `prelude`, each so many ticks long, come before the model's own
    staging."""
    track = Track(noise=noise_mm / 1000, distance=MARKS_FT[MARK] * FOOT, duration=LONGEST_S)
    model = start(car, calibration, track)
    controller = Controller() if available() else Core()
    verdict = controller.load(calibration.image)
    assert verdict == 0, f"image refused, reason {verdict}"
    number = 0
    for ticks, given in prelude:
        for _ in range(ticks):
            _step(controller, number, given)
            number += 1
    tick_ms = calibration.tick_us / 1000
    period = calibration.number("sample_ticks")
    rows: list[tuple[float, ...]] = []
    faults = tick = counts = 0
    going = True
    while going:
        read = model.sense()
        given = Given(read.counts, read.speed, read.engine, read.shaft, read.armed, read.launch)
        story(round((tick - model.lead) * tick_ms), given)
        if tick % period == 0:
            counts = given.counts
        given.counts = counts
        _step(controller, number, given)
        command = controller.command
        reduction, retard = command.reduction, command.retard
        if read.launch:
            faults |= controller.faults
        row = model.row()
        rows.append((*(row[name] for name in VIEW), read.launch, reduction, retard, controller.faults))
        going = model.act(reduction, retard)
        number += 1
        tick += 1
    return _scored(car, calibration, np.array(rows), faults)


def _step(controller: Controller | Core, number: int, g: Given) -> None:
    tick = number & TICK_NUMBER_MASK
    controller.step(tick, g.counts, g.speed, g.valid, g.engine, g.shaft, g.armed, g.launch, 0, 0, 0)


def _scored(car: Car, calibration: CalibrationFile, table: NDArray[np.float64], faults: int) -> Driven:
    names = (*VIEW, "launch", "reduction", "retard", "faults")
    columns = {name: table[:, i] for i, name in enumerate(names)}
    # Forces are not told from tick to tick; the figures made of them are not taken.
    columns |= dict.fromkeys(_UNSEEN, np.zeros(len(table)))
    figures = score(columns, car, calibration, turned_over=False, finished=False)
    marks = figures["beam_time"]
    assert isinstance(marks, np.ndarray)
    seconds = float(marks[MARK])
    return Driven(
        seconds=seconds if np.isfinite(seconds) else float("inf"),
        peak_mm=1000 * float(figures["peak_lift"]),
        landing=float(figures["landing_speed"]),
        cut_s=float(figures["full_cut"]),
        reversals=int(figures["reversals"]),
        said=tuple(name for bit, name in SAID.items() if faults & bit),
    )
