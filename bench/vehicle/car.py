"""A car's parameters with their units and ranges, and their scatter; vehicle_file reads them from a file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from pathlib import Path
from typing import Any

from bench.calibration.quantity import Shown, plain, with_sign
from bench.random import Random

GRAVITY = 9.80665
POINTS = 16
GEARS = 6

RADS = 30 / 3.141592653589793  # rpm in a rad/s


@dataclass(frozen=True)
class Car:
    """One car in SI units (m, kg, s, N, rad); what each length is shows the sketch in README.md.

    Values are for the whole axle where there are two of a thing. `bar_rate` 0 is a car without a wheelie bar,
    `rear_spring` 0 one whose rear axle is fixed to its body; `clutch_torque` above 0 one with a clutch in
    place of a converter. `torque` is the brake torque at full throttle.
    """

    mass: float
    wheelbase: float
    cg_ahead: float  # of the rear axle
    cg_height: float
    pitch_inertia: float  # of the sprung body about its own centre of gravity
    front_unsprung: float
    rear_unsprung: float
    rear_radius: float
    grip: float  # greatest thrust for each newton of rear load
    peak_slip: float
    sliding: float  # share of the greatest thrust that is left at great slip
    relaxation: float
    wheel_inertia: float
    front_radius: float
    front_tyre_rate: float
    front_spring: float
    rebound: float
    bump: float
    droop: float
    bump_travel: float
    stop_rate: float
    stop_damping: float
    bar_behind: float
    bar_clear: float
    bar_rate: float
    bar_damping: float
    rear_spring: float
    rear_damping: float
    rear_travel: float
    anti_squat: float
    torque_speed: tuple[float, ...]
    torque: tuple[float, ...]
    torque_scale: float
    friction: float
    engine_inertia: float
    launch_speed: float
    launch_share: float
    full_after: float
    boost: float  # share of the torque that lags behind what burns
    boost_lag: float
    throttle_time: tuple[float, ...]
    throttle: tuple[float, ...]
    converter: float  # N m of pump torque for each (rad/s)^2 at stall
    converter_ratio: float
    coupling: float
    turbine_inertia: float
    clutch_torque: float  # N m that it carries at the launch
    clutch_full: float  # and at last
    clutch_after: float  # until then at the launch's
    clutch_rise: float  # and for so long on the way to the last
    clutch_centrifugal: float  # share of it that goes with the square of the engine speed, over the launch's
    clutch_inertia: float
    gear: tuple[float, ...]
    shift_at: tuple[float, ...]  # rad/s of the engine, or s since launch
    shift_by_time: bool
    shift_time: float
    final_drive: float
    efficiency: float
    drag_area: float
    air_density: float
    rolling: float
    delay: float
    lag: float
    retard_loss: float  # share of torque lost for each degree squared
    sensor_ahead: float  # of the front axle
    sensor_height: float
    sensor_farthest: float
    beyond_high: bool
    sensor_noise: float
    sensor_delay: float
    rollout: float
    beam_height: float


@dataclass(frozen=True)
class Parameter:
    """One number of a car: where it stands in the file, its unit there, the range that makes sense in that
    unit, and how many SI units one of it is. `optional` sections leave it at `default`."""

    name: str
    section: str
    key: str
    unit: str
    si: float
    least: float
    greatest: float
    default: float | None = None

    @property
    def path(self) -> str:
        """Section and key without the unit."""
        return f"{self.section}.{self.key}"


def _table(section: str, *rows: tuple[str, str, str, float, float, float, float | None]) -> list[Parameter]:
    return [Parameter(row[0], section, *row[1:]) for row in rows]


_MM, _KG, _N_MM, PERCENT, MS = 1e-3, 1.0, 1e3, 1e-2, 1e-3

# In the order of the file. Ranges are wide: they catch a wrong unit or a slip of the finger, not an odd car.
PARAMETERS: tuple[Parameter, ...] = (
    *_table(
        "body",
        ("mass", "mass", "kg", _KG, 300, 3000, None),
        ("wheelbase", "wheelbase", "mm", _MM, 1500, 8000, None),
        ("cg_ahead", "cg_ahead_of_rear_axle", "mm", _MM, -8000, 8000, None),
        ("cg_height", "cg_height", "mm", _MM, 100, 1500, None),
        ("pitch_inertia", "pitch_inertia", "kg m2", 1.0, 50, 20000, None),
        ("front_unsprung", "front_unsprung", "kg", _KG, 5, 300, None),
        ("rear_unsprung", "rear_unsprung", "kg", _KG, 20, 500, None),
    ),
    *_table(
        "rear_tyre",
        ("rear_radius", "radius", "mm", _MM, 200, 700, None),
        ("grip", "grip", "", 1.0, 0.3, 6, None),
        ("peak_slip", "peak_slip", "%", PERCENT, 1, 60, 12),
        ("sliding", "sliding_grip", "%", PERCENT, 20, 100, 80),
        ("relaxation", "relaxation", "mm", _MM, 100, 2000, 600),
        ("wheel_inertia", "inertia", "kg m2", 1.0, 0.2, 60, None),
    ),
    *_table(
        "front_tyre",
        ("front_radius", "radius", "mm", _MM, 150, 500, None),
        ("front_tyre_rate", "stiffness", "N/mm", _N_MM, 50, 1500, None),
    ),
    *_table(
        "front_suspension",
        ("front_spring", "spring", "N/mm", _N_MM, 5, 500, None),
        ("rebound", "rebound", "N s/m", 1.0, 0, 60000, None),
        ("bump", "bump", "N s/m", 1.0, 0, 60000, None),
        ("droop", "droop", "mm", _MM, 1, 400, None),
        ("bump_travel", "bump_travel", "mm", _MM, 1, 400, None),
        ("stop_rate", "stop_stiffness", "N/mm", _N_MM, 100, 5000, 1000),
        ("stop_damping", "stop_damping", "N s/m", 1.0, 0, 60000, 3000),
    ),
    *_table(
        "wheelie_bar",
        ("bar_behind", "behind_rear_axle", "mm", _MM, 100, 4000, None),
        ("bar_clear", "clear", "mm", _MM, -1000, 1500, None),
        ("bar_rate", "stiffness", "N/mm", _N_MM, 1, 2000, None),
        ("bar_damping", "damping", "N s/m", 1.0, 0, 60000, 3000),
    ),
    *_table(
        "rear_suspension",
        ("rear_spring", "spring", "N/mm", _N_MM, 5, 1000, None),
        ("rear_damping", "damping", "N s/m", 1.0, 0, 60000, None),
        ("rear_travel", "travel", "mm", _MM, 5, 400, None),
        ("anti_squat", "anti_squat", "%", PERCENT, 0, 300, None),
    ),
    *_table(
        "engine",
        ("torque_scale", "torque_scale", "%", PERCENT, 20, 300, 100),
        ("friction", "friction", "N m", 1.0, 0, 1000, None),
        ("engine_inertia", "inertia", "kg m2", 1.0, 0.02, 5, None),
        ("launch_speed", "launch_speed", "rpm", 1 / RADS, 500, 15000, None),
        ("launch_share", "launch_torque", "%", PERCENT, 5, 150, 100),
        ("full_after", "full_after", "ms", MS, 0, 5000, 0),
        ("boost", "boost", "%", PERCENT, 0, 90, 0),
        ("boost_lag", "boost_lag", "ms", MS, 10, 3000, 250),
    ),
    *_table(
        "converter",
        ("converter_ratio", "torque_ratio", "", 1.0, 1, 4, None),
        ("coupling", "coupling_at", "%", PERCENT, 40, 100, 90),
        ("turbine_inertia", "turbine_inertia", "kg m2", 1.0, 0, 2, None),
    ),
    *_table(
        "clutch",
        ("clutch_torque", "torque", "N m", 1.0, 10, 20000, None),
        ("clutch_full", "full_torque", "N m", 1.0, 10, 20000, None),
        ("clutch_after", "rises_after", "ms", MS, 0, 20000, 0),
        ("clutch_rise", "rises_for", "ms", MS, 0, 20000, 0),
        ("clutch_centrifugal", "centrifugal", "%", PERCENT, 0, 100, 0),
        ("clutch_inertia", "inertia", "kg m2", 1.0, 0, 2, None),
    ),
    *_table(
        "gearbox",
        ("shift_time", "shift", "ms", MS, 0, 1000, None),
        ("final_drive", "final_drive", "", 1.0, 1, 10, None),
        ("efficiency", "efficiency", "%", PERCENT, 40, 100, None),
    ),
    *_table(
        "resistance",
        ("drag_area", "drag_area", "m2", 1.0, 0, 4, None),
        ("air_density", "air_density", "kg/m3", 1.0, 0.5, 2, 1.2),
        ("rolling", "rolling", "%", PERCENT, 0, 10, 1.5),
    ),
    *_table(
        "response",
        ("delay", "delay", "ms", MS, 0, 80, None),
        ("lag", "lag", "ms", MS, 0, 500, None),
    ),
    *_table(
        "sensor",
        ("sensor_ahead", "ahead_of_front_axle", "mm", _MM, -4000, 2500, None),
        ("sensor_height", "rest_height", "mm", _MM, 1, 2000, None),
        ("sensor_farthest", "farthest", "mm", _MM, 10, 5000, None),
        ("sensor_noise", "noise", "mm", _MM, 0, 100, 0),
        ("sensor_delay", "delay", "ms", MS, 0, 100, 0),
    ),
    *_table(
        "strip",
        ("rollout", "rollout", "mm", _MM, 0, 1000, 280),
        ("beam_height", "beam_height", "mm", _MM, 10, 300, 100),
    ),
)
BY_NAME = {p.name: p for p in PARAMETERS}
_MOST_COUPLING = 99  # %: the torques of a converter are never equal at no slip
OPTIONAL = ("wheelie_bar", "rear_suspension", "converter", "clutch")


@dataclass(frozen=True)
class Scatter:
    """How far a parameter differs from car to car: one standard deviation, as a share of it or in SI
    units."""

    size: float
    relative: bool


@dataclass(frozen=True)
class Ways:
    """In what ways a fitted car may be another one: each row changes the logarithms of all `names` together,
    by one standard deviation of a chance of its own. `misses`: how many times as far a prediction
    may miss as for a usual fit to two runs of a car that does not obey the model, 1 at least."""

    names: tuple[str, ...]
    rows: tuple[tuple[float, ...], ...]
    misses: float = 1.0


@dataclass(frozen=True)
class VehicleFile:
    """One vehicle file: the car, how its like differ, what looks wrong, and how it reads."""

    path: Path
    text: str
    digest: str
    name: str
    car: Car
    scatter: dict[str, Scatter]
    warnings: list[str]
    shown: list[Shown]
    estimated: list[str]
    """What the file leaves to a rule of bench.vehicle.estimates: a line for each."""
    ways: Ways | None = None
    """How else the car may be by the runs that it was fitted to; None where it was not."""


def scattered(vehicle: VehicleFile, number: int, seed: int = 0) -> Car:
    """One car of the spread: each parameter with a scatter moved by a normal share of it, at most three
    standard deviations and within its range. Number 0 is the car itself."""
    if number == 0:
        return vehicle.car
    rng = Random((seed << 20) + number)
    changes: dict[str, Any] = {}
    for name in sorted(vehicle.scatter):
        scatter, p = vehicle.scatter[name], BY_NAME[name]
        own = float(getattr(vehicle.car, name))
        move = max(-3.0, min(3.0, rng.normal())) * scatter.size
        value = own * (1 + move) if scatter.relative else own + move
        changes[name] = max(p.least * p.si, min(p.greatest * p.si, value))
    if vehicle.ways is not None:
        changes |= _another(vehicle, changes, rng)
    return replace(vehicle.car, **changes)


def _another(vehicle: VehicleFile, changes: dict[str, Any], rng: Random) -> dict[str, Any]:
    """Another car that the runs allow, moved as `changes` say."""
    ways = vehicle.ways
    assert ways is not None
    moves = [max(-3.0, min(3.0, rng.normal())) for _ in ways.rows]
    found: dict[str, Any] = {}
    for i, name in enumerate(ways.names):
        by = exp(sum(move * row[i] for move, row in zip(moves, ways.rows, strict=True)))
        value = by * float(changes.get(name, getattr(vehicle.car, name)))
        if name in BY_NAME:
            p = BY_NAME[name]
            most = _MOST_COUPLING if name == "coupling" else p.greatest
            value = max(p.least * p.si, min(most * p.si, value))
        found[name] = value
    return found


def written(name: str, value: float) -> str:
    """A parameter's SI value in the unit of the file."""
    p = BY_NAME[name]
    return with_sign(plain(value / p.si), p.unit)
