"""The live stand on a terminal: how high, how high it may go, what is taken and why, for how much longer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.replay.codes import FAULTS, OUT_OF_SERVICE, STATES, reason_name
from controller import constants as c

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.stand.feed import Ticks

_BAR = 40


def lines(calibration: CalibrationFile, ticks: Ticks) -> list[str]:
    """The last of some ticks, in lines of less than 80 columns."""
    now, inputs = ticks.outputs[-1], ticks.inputs[-1]
    lift = float(now["lift"]) / 16
    progress = float(now["progress"]) / (1 if calibration.number("progress_axis_kind") else 10)
    _, begins, full = (float(line[0]) for line in calibration.ceilings.at(np.array([progress])))
    far = calibration.far_lift_mm
    faults = int(now["faults"]) & (OUT_OF_SERVICE | c.FAULT_OUT_OF_SIGHT)
    sensor = next((words for bit, (_, words) in FAULTS.items() if faults & bit), "healthy")
    hold_ms = int(now["hold_left"]) * calibration.tick_us / 1000
    armed = "armed" if inputs["switches"] & 2 else "not armed"
    run = f"launched {now['elapsed_ms'] / 1000:.1f} s ago" if now["launched"] else armed
    taken = int(now["reduction"])
    why = reason_name(int(now["reason"])) if taken else "nothing taken"
    state = STATES.get(int(now["state"]), "?").replace("_", " ")
    return [
        f"lift     {lift:6.1f} mm  [{_bar(lift, far)}]",
        f"may go to {begins:5.0f} mm, the cut is full at {full:.0f} mm; the sensor sees to {far:.0f} mm",
        f"cut      {taken / 10:6.1f} %   [{_bar(taken, 1000)}] {why}",
        f"retard   {now['retard'] / 10:6.1f}°",
        f"latched  {now['latched'] / 10:6.1f} %   {state}, {hold_ms:.0f} ms of the hold left",
        f"sensor   {sensor}",
        f"run      {run}",
    ]


def _bar(value: float, most: float) -> str:
    filled = round(_BAR * min(max(value / most, 0), 1)) if most > 0 else 0
    return "#" * filled + "." * (_BAR - filled)
