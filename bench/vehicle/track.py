"""Where a car drives, how its sensor is disturbed, and what the controller reads there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

from bench.vehicle.road import Road

QUARTER_MILE_M = 402.336


@dataclass(frozen=True)
class Track:
    """`seed` starts the sensor's noise of standard deviation `noise` (m); `road` lies under the sensor only.
    The run ends when the whole car has passed `distance` (m from the start beam), after `duration` (s), or
    upside down. `midpoint`: steps of the midpoint method, half the work and less exact."""

    seed: int = 1
    noise: float = 0.0
    road: Road | None = None
    distance: float = QUARTER_MILE_M
    duration: float = 15.0
    midpoint: bool = False


class Reading(NamedTuple):
    """What the controller reads in one tick, in its own units."""

    tick: int
    counts: int
    speed: int
    engine: int
    shaft: int
    armed: int
    launch: int


# What of a run's columns (bench.vehicle.results.ROW) the car's state alone tells.
VIEW = (
    *("time", "way", "velocity", "lift", "lift_rate", "pitch", "pitch_rate", "travel", "travel_rate", "gap"),
    *("wheel_speed", "slip", "engine_speed", "share", "rear_rise", "height", "clearance", "front_wheel"),
)


class Drive(Protocol):
    """A car that is driven tick by tick: `sense` once, then `act` with what the controller said; `row` in
    between."""

    lead: int
    """Ticks it stands before the launch."""

    def sense(self) -> Reading:
        """What the controller reads in this tick."""

    def act(self, reduction: int, retard: int) -> bool:
        """Move the car by one tick under a command (0.1 %, 0.1 degree); whether the run goes on."""

    def row(self) -> dict[str, float]:
        """What the car does before this tick moves it: the columns of VIEW."""
