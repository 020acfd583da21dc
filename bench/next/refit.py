"""The car fitted to the runs of its book that belong together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench.book.add import calibration_of, choice_of
from bench.book.store import CAR, Row
from bench.errors import UserError
from bench.fit.car_text import fitted_text
from bench.fit.facts import Fit, holds, notes
from bench.fit.fit import fit
from bench.fit.measured import MeasuredRun, measure
from bench.trace.read import read_trace
from bench.vehicle import compiled
from bench.vehicle.car import VehicleFile
from bench.vehicle.vehicle_file import read

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

MOST_RUNS = 3  # more tell little more of the car, and take longer than a person waits between two runs
_LOOKED_AT = 12  # runs back; older ones are of another day
# From run to run grip and power differ: one standard deviation, chosen as in bench.search.spread; no source.
DIFFERS = {"grip": 0.04, "torque_scale": 0.03}


@dataclass(frozen=True)
class Refit:
    """What came of it. `vehicle` is the fitted car, None where there is none to predict with, and `why` says
    then why; `used` are the numbers of the runs, `left_out` why others were not."""

    vehicle: VehicleFile | None
    why: str
    used: list[int]
    left_out: list[str]
    notes: list[str]
    text: str = ""


def refit(
    rows: Sequence[Row],
    vehicle: VehicleFile,
    unfit: set[int],
    progress: Callable[[float, int, float], None] = lambda window, step, cost: None,
) -> Refit:
    """Fit the car to the newest runs that were driven by it. `unfit` are runs in which the controller was out
    of service."""
    why_not = compiled.available()
    if why_not:
        return Refit(None, f"the model of the car was not compiled: {why_not}", [], [], [])
    used, runs, calibrations, left_out = _runs(rows, vehicle, unfit)
    if not runs:
        return Refit(None, "no run of the book tells enough of this car", [], left_out, [])
    # Runs that do not go together with the newest one tell of another day or another car.
    for count in (len(runs), 1) if len(runs) > 1 else (1,):
        fitted = fit(vehicle.car, runs[:count], frozenset(), progress, DIFFERS, quick=True)
        whole = Fit(vehicle, runs[:count], calibrations[:count], frozenset(), fitted)
        said = notes(whole)
        if holds(whole):
            left_out += [f"run {n}: it does not go together with run {used[0]}" for n in used[count:]]
            text = fitted_text(vehicle, fitted, [f"run {n}" for n in used[:count]], said)
            return Refit(read(text, Path("fitted.toml")), "", used[:count], left_out, said, text)
    return Refit(None, "the model does not describe this car", used, left_out, said)


def _runs(
    rows: Sequence[Row], vehicle: VehicleFile, unfit: set[int]
) -> tuple[list[int], list[MeasuredRun], list[CalibrationFile | None], list[str]]:
    """The newest runs that belong together, the newest first, and why others do not."""
    used: list[int] = []
    runs: list[MeasuredRun] = []
    calibrations: list[CalibrationFile | None] = []
    left_out: list[str] = []
    for row in list(reversed(rows))[:_LOOKED_AT]:
        if len(runs) == MOST_RUNS:
            break
        if row.damage:
            continue
        if row.number in unfit:
            left_out.append(f"run {row.number}: the controller was out of service")
            continue
        if (row.folder / CAR).is_file() and (row.folder / CAR).read_text("utf-8") != vehicle.text:
            left_out.append(f"run {row.number}: the car's file was another one")
            continue
        try:
            calibration = calibration_of(row)
            runs.append(measure(read_trace(row.log(), choice_of(row)), vehicle.car, calibration))
        except UserError as error:
            left_out.append(f"run {row.number}: {error.what}")
            continue
        used.append(row.number)
        calibrations.append(calibration)
    return used, runs, calibrations, left_out
