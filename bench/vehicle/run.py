"""Runs by whichever model is there: the compiled one, or the plain one where nothing could be compiled."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from bench.vehicle import compiled, loop
from bench.vehicle.car import Car
from bench.vehicle.compiled import Case
from bench.vehicle.results import SCORES, Floats, Outcome
from bench.vehicle.track import Drive, Track

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_AT_ONCE = 1024  # runs between two calls of `progress`


def slow() -> str | None:
    """None where the compiled model drives, else one line that says why it cannot."""
    reason = compiled.available()
    return reason and f"{reason}; the plain Python model drives instead, some 500 times slower"


def run(car: Car, calibration: CalibrationFile, track: Track, controlled: bool) -> Outcome:
    """One run, with the controller or with the engine at full command all the way."""
    drive = loop.run if slow() else compiled.run
    return drive(car, calibration, track, controlled)


def start(car: Car, calibration: CalibrationFile, track: Track) -> Drive:
    """A car to be driven tick by tick."""
    return (loop.PlainDrive if slow() else compiled.CompiledDrive)(car, calibration, track)


def run_all(
    cases: Sequence[Case], progress: Callable[[float], None] = lambda share: None
) -> dict[str, Floats]:
    """Many runs: float64[n] for each name of SCORES, float64[n, 5] for those at the marks.

    Over all cores where the compiled model drives. `progress` is called with the share done."""
    parts: list[dict[str, Floats]] = []
    if slow():
        for i, case in enumerate(cases):
            one = loop.run(case.car, case.calibration, case.track, case.controlled).scores
            parts.append({name: np.asarray(one[name], dtype=np.float64)[None] for name in SCORES})
            progress((i + 1) / len(cases))
    else:
        for first in range(0, len(cases), _AT_ONCE):
            parts.append(compiled.batch(cases[first : first + _AT_ONCE]))
            progress(min(1.0, (first + _AT_ONCE) / len(cases)))
    return {name: np.concatenate([part[name] for part in parts]) for name in SCORES}
