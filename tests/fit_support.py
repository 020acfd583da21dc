"""Known cars, and their runs as a logger would have recorded them with noise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from bench.calibration import CalibrationFile
from bench.fit.residuals import CANDIDATES, has
from bench.random import Random
from bench.vehicle import compiled
from bench.vehicle.car import Car
from bench.vehicle.track import Track
from tests.vehicle_support import calibration, demo

# of a car with a clutch or a boost alone: another car's seed draws nothing for them
_NOT_ALL = {name for name in CANDIDATES if name.startswith(("clutch", "boost"))}


def car_off_by(share: float, seed: int, *more: str) -> Car:
    """The demo car with everything that a fit may change (and `more`) off by a normal share, cut at two
    standard deviations."""
    return off_by(demo().car, share, seed, *more)


def off_by(car: Car, share: float, seed: int, *more: str) -> Car:
    """The same of any car."""
    rng = Random(seed)
    changes: dict[str, Any] = {}
    for name in (*CANDIDATES, *more):
        own = getattr(car, name)
        if name not in _NOT_ALL or has(car, name):
            changes[name] = own * (1 + share * max(-2.0, min(2.0, rng.normal())))
    return replace(car, **changes)


def record(
    path: Path,
    car: Car,
    seconds: float,
    seed: int,
    controlled: bool = True,
    driven: CalibrationFile | None = None,
    turns: str = "engine",
) -> Path:
    """A run at 100 Hz with 1 mm, 0.1 m/s and 20 rpm of noise; beyond its range the sensor shows 500 mm.
    `driven` is the calibration in the loop, that of the demo unless given; `turns` the speed that is logged
    beside the road's, "engine" or "shaft"."""
    rng = np.random.default_rng(seed)
    track = Track(seed=seed, noise=0.001, duration=seconds)
    c = compiled.run(car, driven or calibration(), track, controlled).columns
    rows = slice(0, None, 10)
    n = len(c["time"][rows])
    height = c["height"][rows] * 1000 + rng.normal(0, 1, n)
    height = np.where(c["height"][rows] > car.sensor_farthest, 500.0, height)
    launched = c["launch"][rows]
    speed = np.maximum(0.0, c["velocity"][rows] + launched * rng.normal(0, 0.1, n)) * 3.6
    turned = c["engine_speed"] * 30 / np.pi if turns == "engine" else c["shaft"]
    turned = turned[rows] + rng.normal(0, 20, n)
    time = c["time"][rows] - c["time"][0]
    lines = [f"Time,Ride height,Speed,{turns.title()} speed,Armed,Launch", "s,mm,km/h,rpm,,"]
    for row in zip(time, height, speed, turned, launched, strict=True):
        lines.append("{:.3f},{:.2f},{:.2f},{:.0f},1,{:.0f}".format(*row))
    path.write_text("\n".join(lines) + "\n")
    return path


def peak_mm(car: Car) -> float:
    """The peak lift with the next calibration: looking ahead instead of holding."""
    following = calibration(
        ("hold_ms = 300 ", "hold_ms = 0 "), ("rising_ms = 0", "rising_ms = 150"),
        ("falling_ms = 0", "falling_ms = 150"),
    )  # fmt: skip
    return 1000 * compiled.run(car, following, Track(duration=4.0), True).score("peak_lift")
