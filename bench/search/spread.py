"""The cars and tracks that every setting of a search drives: the same ones for all, so that settings differ
and not their luck."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bench.random import Random
from bench.vehicle.car import Car, Scatter, VehicleFile, scattered
from bench.vehicle.results import FOOT
from bench.vehicle.road import Road, profile
from bench.vehicle.track import Track
from bench.vehicle.vehicle_file import read

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

# What differs from car to car and from day to day where the vehicle file does not say: one standard
# deviation each. Invented; a tuner who knows better writes [scatter...] into the file.
DEFAULT_SCATTER = {
    "mass": Scatter(0.01, True),
    "grip": Scatter(0.04, True),
    "torque_scale": Scatter(0.03, True),
    "sensor_noise": Scatter(0.5e-3, False),
    "sensor_delay": Scatter(2e-3, False),
}

# What a setting has to stand beyond the scatter, each car with its own share of it: an engine weak by the air
# or strong by the tune, a noisy mount, a sensor that lags, a rear suspension set in another way. Chosen by
# trying; no source.
_ENGINE = (0.65, 1.15)
_NOISE = (1.0, 4.0)
_LAG_S = 0.020
_RARE = 3  # the power of an even share that each is moved by
_REAR = (0.7, 1.3)

CHECK_FROM = 500_001  # numbers of the cars that no setting was chosen by
_ROADS = 8  # different roads in a spread; a road takes longer to make than a run
_RUN_OUT_M = 30


@dataclass(frozen=True)
class Spread:
    """Cars scattered around a vehicle file on roads of some classes ("A", "A+B"; None: level), numbered from
    1 for the search and from CHECK_FROM for the check. `wide`: with other engines, sensors and rear
    suspensions too, see _widened. Small, so that it can be sent to where the cars drive."""

    vehicle_text: str
    vehicle_path: str
    seed: int
    road: str | None
    feet: int
    longest_s: float
    wide: bool = True
    most_noise: float = math.inf  # m, one standard deviation that the calibration can take
    quick: bool = False  # the cars of the search, not those of the check, move by midpoint steps

    def one(self, number: int) -> tuple[Car, Track]:
        """One car and its track."""
        vehicle, roads = _made(self)
        car = scattered(vehicle, number, self.seed)
        if self.wide:
            car = _widened(car, Random(_mixed((self.seed << 20) + number)), self.most_noise)
        track = Track(
            seed=(self.seed << 20) + number,
            noise=car.sensor_noise,
            road=roads[number % len(roads)],
            distance=self.feet * FOOT,
            duration=self.longest_s,
            midpoint=self.quick and number < CHECK_FROM,
        )
        return car, track


def _mixed(number: int) -> int:
    """A number that has nothing left of how near two of them are, as the cars' numbers are: single shares
    drawn from them would lie in a row. The finalizer of SplitMix64: G. Steele, D. Lea, C. Flood, OOPSLA
    2014."""
    mask = (1 << 64) - 1
    number = ((number ^ (number >> 30)) * 0xBF58476D1CE4E5B9) & mask
    number = ((number ^ (number >> 27)) * 0x94D049BB133111EB) & mask
    return number ^ (number >> 31)


def most_noise(start: CalibrationFile) -> float:
    """How much noise (m, one standard deviation) the start takes with its height still believed: a fourth of
    what one reading may differ from the last. A noisier sensor asks for another noise_mm, which no search
    moves: it belongs to the sensor."""
    step = start.number("allowance_rate") * start.number("sample_ticks")
    return (start.number("allowance") + step) / 16 / 4 / 1000


def _widened(car: Car, rng: Random, most: float) -> Car:
    """Each moved from its own value towards an end of its range: most cars are near their own, few at an
    end."""

    def moved(low: float, high: float) -> float:
        by = 2 * rng.share() - 1
        return 1 + abs(by) ** _RARE * (high - 1 if by > 0 else low - 1)

    engine, rear_spring, rear_damping = (moved(*ends) for ends in (_ENGINE, _REAR, _REAR))
    noise = 1 + (_NOISE[1] - 1) * rng.share() ** _RARE
    return replace(
        car,
        torque_scale=engine * car.torque_scale,
        sensor_noise=max(car.sensor_noise, min(noise * car.sensor_noise, most)),
        sensor_delay=car.sensor_delay + _LAG_S * rng.share() ** _RARE,
        rear_spring=rear_spring * car.rear_spring,
        rear_damping=rear_damping * car.rear_damping,
    )


def widened_by(vehicle: VehicleFile, start: CalibrationFile) -> list[str]:
    """What a wide spread has beyond the scatter, in words."""
    engine, noise, rear = (f"{100 * low:g} to {100 * high:g} %" for low, high in (_ENGINE, _NOISE, _REAR))
    noise += f", {1000 * most_noise(start):.1f} mm at most"
    words = [f"engine {engine}", f"sensor noise {noise}", f"sensor lag 0 to {1000 * _LAG_S:g} ms more"]
    return [*words, f"rear suspension {rear}"] if vehicle.car.rear_spring else words


def with_scatter(vehicle: VehicleFile) -> VehicleFile:
    """The vehicle with the default scatter wherever its file gives none."""
    return replace(vehicle, scatter=DEFAULT_SCATTER | vehicle.scatter)


def defaults_used(vehicle: VehicleFile) -> list[str]:
    """Names of the parameters whose scatter the file leaves to us."""
    return [name for name in DEFAULT_SCATTER if name not in vehicle.scatter]


@functools.lru_cache(maxsize=4)
def _made(spread: Spread) -> tuple[VehicleFile, list[Road | None]]:
    vehicle = with_scatter(read(spread.vehicle_text, spread.vehicle_path))
    if spread.road is None:
        return vehicle, [None]
    classes = spread.road.split("+")
    each = _ROADS // len(classes)
    roads: list[Road | None] = []
    for i in range(_ROADS):
        road = profile(classes[i // each], spread.feet * FOOT + _RUN_OUT_M, (spread.seed << 8) + i)
        # From the lower to the upper limit of the class, which are half and twice its mean in power (ISO
        # 8608): heights go with the root of it.
        factor = 2 ** (i % each / (each - 1) - 0.5)
        roads.append(Road(road.step, road.heights * factor))
    return vehicle, roads
