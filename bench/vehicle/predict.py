"""A prediction: the same car with and without the controller, and over a spread of its like."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bench.vehicle.car import VehicleFile, scattered
from bench.vehicle.compiled import Case
from bench.vehicle.results import FOOT, Floats, Outcome
from bench.vehicle.road import Road, profile
from bench.vehicle.run import run, run_all
from bench.vehicle.track import Track

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_ROADS = 8  # different roads in a spread; a road takes longer to make than a run


@dataclass(frozen=True)
class Options:
    """How to predict. `noise_mm` None takes the car's own; `spread` is the number of cars beside it."""

    seed: int = 1
    noise_mm: float | None = None
    road: str | None = None
    feet: int = 1320
    spread: int = 0


@dataclass(frozen=True)
class Prediction:
    """Both runs of the car itself, and the scores of the spread: without and with the controller."""

    vehicle: VehicleFile
    calibration: CalibrationFile
    options: Options
    without: Outcome
    controlled: Outcome
    spread: tuple[dict[str, Floats], dict[str, Floats]] | None


def predict(
    vehicle: VehicleFile,
    calibration: CalibrationFile,
    options: Options,
    progress: Callable[[float], None] = lambda share: None,
) -> Prediction:
    """Drive the car with and without the controller, then its like."""
    noise = vehicle.car.sensor_noise if options.noise_mm is None else options.noise_mm / 1000
    roads: list[Road | None] = [_road(options, i) for i in range(_ROADS if options.spread else 1)]
    track = Track(options.seed, noise, roads[0], options.feet * FOOT)
    without = run(vehicle.car, calibration, track, controlled=False)
    controlled = run(vehicle.car, calibration, track, controlled=True)
    spread = None
    if options.spread:
        cases: list[Case] = []
        for number in range(1, options.spread + 1):
            car = scattered(vehicle, number, options.seed)
            other = replace(track, seed=(options.seed << 20) + number, road=roads[number % len(roads)])
            cases += [Case(car, calibration, other, controlled=on) for on in (False, True)]
        found = run_all(cases, progress)
        spread = tuple({name: values[i::2] for name, values in found.items()} for i in (0, 1))
    return Prediction(vehicle, calibration, options, without, controlled, spread)  # type: ignore[arg-type]


def _road(options: Options, number: int) -> Road | None:
    if options.road is None:
        return None
    return profile(options.road, options.feet * FOOT + 30, (options.seed << 8) + number)
