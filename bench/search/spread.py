"""The cars and tracks that every setting of a search drives: the same ones for all, so that settings differ
and not their luck."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

from bench.vehicle.car import Car, Scatter, VehicleFile, scattered
from bench.vehicle.results import FOOT
from bench.vehicle.road import Road, profile
from bench.vehicle.track import Track
from bench.vehicle.vehicle_file import read

# What differs from car to car and from day to day where the vehicle file does not say: one standard
# deviation each. Invented; a tuner who knows better writes [scatter...] into the file.
DEFAULT_SCATTER = {
    "mass": Scatter(0.01, True),
    "grip": Scatter(0.04, True),
    "torque_scale": Scatter(0.03, True),
    "sensor_noise": Scatter(0.5e-3, False),
    "sensor_delay": Scatter(2e-3, False),
}

CHECK_FROM = 500_001  # numbers of the cars that no setting was chosen by
_ROADS = 8  # different roads in a spread; a road takes longer to make than a run
_RUN_OUT_M = 30


@dataclass(frozen=True)
class Spread:
    """Cars scattered around a vehicle file on roads of one class (None: level), numbered from 1 for the
    search and from CHECK_FROM for the check. Small, so that it can be sent to where the cars drive."""

    vehicle_text: str
    vehicle_path: str
    seed: int
    road: str | None
    feet: int
    longest_s: float

    def one(self, number: int) -> tuple[Car, Track]:
        """One car and its track."""
        vehicle, roads = _made(self)
        car = scattered(vehicle, number, self.seed)
        track = Track(
            seed=(self.seed << 20) + number,
            noise=car.sensor_noise,
            road=roads[number % len(roads)],
            distance=self.feet * FOOT,
            duration=self.longest_s,
        )
        return car, track


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
    roads: list[Road | None] = []
    for i in range(_ROADS):
        road = profile(spread.road, spread.feet * FOOT + _RUN_OUT_M, (spread.seed << 8) + i)
        # From the lower to the upper limit of the class, which are half and twice its mean in power (ISO
        # 8608): heights go with the root of it.
        factor = 2 ** (i / (_ROADS - 1) - 0.5)
        roads.append(Road(road.step, road.heights * factor))
    return vehicle, roads
