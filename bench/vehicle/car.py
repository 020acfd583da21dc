"""A car as a file describes it: parameters with units and ranges, what is wrong with them, their scatter."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from fractions import Fraction
from math import sqrt
from pathlib import Path
from typing import Any

from bench.calibration.reader import (
    CalibrationMistakes,
    File,
    Quantity,
    Section,
    Shown,
    parse,
    plain,
    read_text,
    with_sign,
)
from bench.random import Random

GRAVITY = 9.80665
POINTS = 16
GEARS = 6

_RADS = 30 / 3.141592653589793  # rpm in a rad/s


@dataclass(frozen=True)
class Car:
    """One car in SI units (m, kg, s, N, rad); what each length is shows the sketch in README.md.

    Values are for the whole axle where there are two of a thing. `bar_rate` 0 is a car without a wheelie bar,
    `rear_spring` 0 one whose rear axle is fixed to its body. `torque` is the brake torque at full throttle.
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
    throttle_time: tuple[float, ...]
    throttle: tuple[float, ...]
    converter: float  # N m of pump torque for each (rad/s)^2 at stall
    converter_ratio: float
    coupling: float
    turbine_inertia: float
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


_MM, _KG, _N_MM, _PERCENT, _MS = 1e-3, 1.0, 1e3, 1e-2, 1e-3

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
        ("peak_slip", "peak_slip", "%", _PERCENT, 1, 60, 12),
        ("sliding", "sliding_grip", "%", _PERCENT, 20, 100, 80),
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
        ("anti_squat", "anti_squat", "%", _PERCENT, 0, 300, None),
    ),
    *_table(
        "engine",
        ("torque_scale", "torque_scale", "%", _PERCENT, 20, 300, 100),
        ("friction", "friction", "N m", 1.0, 0, 1000, None),
        ("engine_inertia", "inertia", "kg m2", 1.0, 0.02, 5, None),
        ("launch_speed", "launch_speed", "rpm", 1 / _RADS, 500, 15000, None),
        ("launch_share", "launch_torque", "%", _PERCENT, 5, 150, 100),
        ("full_after", "full_after", "ms", _MS, 0, 5000, 0),
    ),
    *_table(
        "converter",
        ("converter_ratio", "torque_ratio", "", 1.0, 1, 4, None),
        ("coupling", "coupling_at", "%", _PERCENT, 40, 100, 90),
        ("turbine_inertia", "turbine_inertia", "kg m2", 1.0, 0, 2, None),
    ),
    *_table(
        "gearbox",
        ("shift_time", "shift", "ms", _MS, 0, 1000, None),
        ("final_drive", "final_drive", "", 1.0, 1, 10, None),
        ("efficiency", "efficiency", "%", _PERCENT, 40, 100, None),
    ),
    *_table(
        "resistance",
        ("drag_area", "drag_area", "m2", 1.0, 0, 4, None),
        ("air_density", "air_density", "kg/m3", 1.0, 0.5, 2, 1.2),
        ("rolling", "rolling", "%", _PERCENT, 0, 10, 1.5),
    ),
    *_table(
        "response",
        ("delay", "delay", "ms", _MS, 0, 80, None),
        ("lag", "lag", "ms", _MS, 0, 500, None),
    ),
    *_table(
        "sensor",
        ("sensor_ahead", "ahead_of_front_axle", "mm", _MM, -4000, 2500, None),
        ("sensor_height", "rest_height", "mm", _MM, 1, 2000, None),
        ("sensor_farthest", "farthest", "mm", _MM, 10, 5000, None),
        ("sensor_noise", "noise", "mm", _MM, 0, 100, 0),
        ("sensor_delay", "delay", "ms", _MS, 0, 100, 0),
    ),
    *_table(
        "strip",
        ("rollout", "rollout", "mm", _MM, 0, 1000, 280),
        ("beam_height", "beam_height", "mm", _MM, 10, 300, 100),
    ),
)
BY_NAME = {p.name: p for p in PARAMETERS}
_OPTIONAL = ("wheelie_bar", "rear_suspension")


@dataclass(frozen=True)
class Scatter:
    """How far a parameter differs from car to car: one standard deviation, as a share of it or in SI
    units."""

    size: float
    relative: bool


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


class _Reader:
    def __init__(self, file: File) -> None:
        self.file = file
        self.sections: dict[str, Section] = {}
        self.q: dict[str, Quantity] = {}
        self.value: dict[str, float] = {}

    def section(self, name: str) -> Section:
        if name not in self.sections:
            self.sections[name] = self.file.section(
                name, required=name not in (*_OPTIONAL, "strip", "driver")
            )
        return self.sections[name]

    def number(self, p: Parameter) -> None:
        if p.section in _OPTIONAL and not self.file.has(p.section):
            self.section(p.section)
            self.value[p.name] = 0.0
            return
        default = None if p.default is None else Fraction(str(p.default))
        q = self.section(p.section).number(p.key, p.unit, default=default)
        if q.good and not p.least <= q.value <= p.greatest:
            small = "small" if q.value < p.least else "large"
            right = f"{q.written(Fraction(str(p.least)))} to {q.written(Fraction(str(p.greatest)))}"
            self.file.wrong(q.path, f"{q.written(q.value)} is too {small}", right, q)
        self.q[p.name] = q
        self.value[p.name] = float(q.value) * p.si

    def good(self, *names: str) -> bool:
        return all(name not in self.q or self.q[name].good for name in names)

    def wrong(self, name: str, what: str, right: str) -> None:
        self.file.wrong(self.q[name].path, what, right, self.q[name])

    def row(self, section: str, key: str, unit: str, least: int, most: int) -> Quantity:
        return self.section(section).numbers(key, unit, least=least, most=most)

    def same_length(self, first: Quantity, second: Quantity) -> bool:
        if first.good and second.good and len(first.values) != len(second.values):
            what = f"has {len(second.values)} values"
            self.file.wrong(
                second.path, what, f"{len(first.values)}, one for each of {first.path[-1]}", second
            )
        return first.good and second.good

    def rises(self, q: Quantity) -> None:
        if q.good and any(b <= a for a, b in zip(q.values, q.values[1:], strict=False)):
            self.file.wrong(q.path, "does not rise all along", "each value above the one before", q)

    def within(self, q: Quantity, least: float, greatest: float) -> None:
        for i, value in enumerate(q.values):
            if q.good and not least <= value <= greatest:
                right = f"{q.written(least)} to {q.written(greatest)}"
                self.file.wrong((*q.path, i), f"{q.written(value)} is out of range", right, q)


def load(path: str | os.PathLike[str]) -> VehicleFile:
    """The car of a file.

    Raises CalibrationMistakes (a UserError) with all of its mistakes at once, and OSError where it cannot be
    read.
    """
    raw, text = read_text(path)
    return read(text, path, hashlib.sha256(raw).hexdigest())


def read(text: str, path: str | os.PathLike[str], digest: str = "") -> VehicleFile:
    """The car of a text; `path` is the name it has in messages. Raises CalibrationMistakes."""
    file = parse(os.fspath(path), text)
    r = _Reader(file)
    about = file.section("car")
    name = about.text("name")
    about.finish()
    for parameter in PARAMETERS:
        r.number(parameter)
    tuples = _engine(r) | _converter(r) | _gearbox(r) | _driver(r)
    response = r.section("response")
    lost = response.number("torque_lost_at_20_deg", "%", default=7)
    r.within(lost, 0, 60)
    beyond = r.section("sensor").choice("beyond_reads", ("high", "low"), "high")
    scatter = _scatter(r)
    for section in r.sections.values():
        section.finish()
    file.finish()
    told: dict[str, Any] = {**r.value, **tuples}
    car = Car(retard_loss=float(lost.value) / 100 / 400, beyond_high=beyond == "high", **told)
    _judge(r, car)
    if file.mistakes:
        raise CalibrationMistakes(mistake for _, mistake in sorted(file.mistakes, key=lambda entry: entry[0]))
    digest = digest or hashlib.sha256(text.encode()).hexdigest()
    return VehicleFile(Path(path), text, digest, name, car, scatter, list(file.warnings), file.shown)


def _engine(r: _Reader) -> dict[str, object]:
    speed = r.row("engine", "torque_at", "rpm", 2, POINTS)
    torque = r.row("engine", "torque", "N m", 2, POINTS)
    r.within(speed, 0, 20000)
    r.within(torque, 0, 10000)
    r.rises(speed)
    r.same_length(speed, torque)
    for q, key, unit in ((speed, "torque_at", "rpm"), (torque, "torque", "nm")):
        if not q.given:
            r.file.wrong(("engine", f"{key}_{unit}"), "is missing", "the torque curve: speeds and torques", q)
    return {
        "torque_speed": tuple(float(v) / _RADS for v in speed.values),
        "torque": tuple(float(v) for v in torque.values),
    }


def _converter(r: _Reader) -> dict[str, object]:
    s = r.section("converter")
    absorbed = s.number("stall_torque", "N m")
    at = s.number("stall_torque_at", "rpm")
    r.within(absorbed, 10, 10000)
    r.within(at, 500, 15000)
    speed = float(at.value) / _RADS
    return {"converter": float(absorbed.value) / speed**2 if speed else 0.0}


def _gearbox(r: _Reader) -> dict[str, object]:
    s = r.section("gearbox")
    gears = s.numbers("ratios", "", least=1, most=GEARS)
    r.within(gears, 0.3, 10)
    if not gears.given:
        r.file.wrong(("gearbox", "ratios"), "is missing", "one ratio for each gear: [1.54, 1.0]", gears)
    elif gears.good and any(b >= a for a, b in zip(gears.values, gears.values[1:], strict=False)):
        r.file.wrong(gears.path, "does not fall all along", "each ratio below the one before", gears)
    by_time = s.gives("shift_at", "ms")
    wanted = len(gears.values) - 1
    shifts: tuple[float, ...] = ()
    if not gears.good:
        s.numbers("shift_at", "rpm", "ms", least=0, most=GEARS)
    elif wanted:
        q = s.numbers("shift_at", "rpm", "ms", least=wanted, most=wanted)
        if not q.given:
            right = f"{wanted} engine speeds (shift_at_rpm) or times since launch (shift_at_ms)"
            r.file.wrong(("gearbox", "shift_at_rpm"), "is missing", right, q)
        r.within(q, 0, 20000)
        if by_time:
            r.rises(q)
        shifts = tuple(float(v) * (_MS if by_time else 1 / _RADS) for v in q.values)
    return {"gear": tuple(float(v) for v in gears.values), "shift_at": shifts, "shift_by_time": by_time}


def _driver(r: _Reader) -> dict[str, object]:
    """The throttle over the time since launch; without one it is open all the way."""
    if not r.file.has("driver"):
        r.section("driver")
        return {"throttle_time": (0.0,), "throttle": (1.0,)}
    time = r.row("driver", "after", "ms", 1, POINTS)
    throttle = r.row("driver", "throttle", "%", 1, POINTS)
    r.rises(time)
    r.within(time, 0, 60000)
    r.within(throttle, 0, 100)
    for q, key in ((time, "after_ms"), (throttle, "throttle_percent")):
        if not q.given:
            r.file.wrong(("driver", key), "is missing", "times since launch and the throttle at each", q)
    r.same_length(time, throttle)
    return {
        "throttle_time": tuple(float(v) * _MS for v in time.values),
        "throttle": tuple(float(v) * _PERCENT for v in throttle.values),
    }


def _scatter(r: _Reader) -> dict[str, Scatter]:
    """The tables [scatter.SECTION], whose keys are those of the section, as percent or in a unit of its
    kind."""
    r.file.section("scatter")
    found: dict[str, Scatter] = {}
    for name in dict.fromkeys(p.section for p in PARAMETERS):
        s = r.file.section(f"scatter.{name}")
        for p in PARAMETERS:
            if p.section != name:
                continue
            units = [p.unit] if p.unit == "%" else [p.unit, "%"]
            if not any(s.gives(p.key, unit) for unit in units if unit) and p.key not in s.content:
                continue
            q = s.number(p.key, *units)
            relative = q.unit == "%" and p.unit != "%"
            if q.good and (q.value < 0 or (relative and q.value > 50)):
                right = "0 to 50 %" if relative else "0 or more: one standard deviation"
                r.file.wrong(q.path, f"{q.written(q.value)} is no scatter", right, q)
            if r.value.get(p.name, 0) == 0 and relative and p.section in _OPTIONAL:
                continue
            found[p.name] = Scatter(float(q.value) * (_PERCENT if relative else p.si), relative)
        s.finish()
    return found


def _judge(r: _Reader, car: Car) -> None:
    """What no range can say: the car must stand, and its parts must fit."""
    if r.good("cg_ahead", "wheelbase"):
        if car.cg_ahead <= 0:
            what = "the centre of gravity is not ahead of the rear axle: the car would sit on its tail"
            r.wrong("cg_ahead", what, "the distance from the rear axle forwards, above 0")
        elif car.cg_ahead >= car.wheelbase:
            what = "the centre of gravity is ahead of the front axle: the car would stand on its nose"
            right = f"less than the wheelbase, {r.q['wheelbase'].written(r.q['wheelbase'].value)}"
            r.wrong("cg_ahead", what, right)
    if car.bar_rate and r.good("bar_clear") and car.bar_clear <= 0:
        what = "the bar's wheel is below the ground"
        r.wrong("bar_clear", what, "its height over the ground with the car standing, above 0")
    if r.good("sensor_height", "sensor_farthest") and car.sensor_height >= car.sensor_farthest:
        r.wrong("sensor_height", "at rest the sensor is beyond its range", "less than farthest_mm")
    if r.good("beam_height", "front_radius") and car.beam_height >= 2 * car.front_radius:
        r.wrong("beam_height", "the beam passes over the front tyre", "less than the tyre's height")
    if r.good(*_WEIGHTS):
        _judge_weights(r, car)


_WEIGHTS = (
    *("mass", "wheelbase", "cg_ahead", "cg_height", "pitch_inertia", "front_unsprung", "rear_unsprung"),
    *("rear_radius", "front_radius", "front_spring", "droop"),
)


def _judge_weights(r: _Reader, car: Car) -> None:
    body = car.mass - car.front_unsprung - car.rear_unsprung
    if body <= 0:
        r.wrong("mass", "is not more than the unsprung masses", "the whole car with its driver")
        return
    front = car.mass * car.cg_ahead / car.wheelbase
    if front <= car.front_unsprung:
        what = f"is more than the front axle carries, {front:.0f} kg: the front springs would have to pull"
        r.wrong("front_unsprung", what, "less, or the centre of gravity farther ahead")
        return
    if car.mass - front <= car.rear_unsprung:
        what = f"is more than the rear axle carries, {car.mass - front:.0f} kg"
        r.wrong("rear_unsprung", what, "less, or the centre of gravity farther back")
        return
    wheels = car.front_unsprung * car.front_radius + car.rear_unsprung * car.rear_radius
    ahead = (car.mass * car.cg_ahead - car.front_unsprung * car.wheelbase) / body
    up = (car.mass * car.cg_height - wheels) / body
    if not 0 < ahead < car.wheelbase or up <= 0:
        what = (
            "does not fit the unsprung masses: the body alone would have its centre of gravity"
            f" {ahead:.2f} m ahead of the rear axle and {up:.2f} m high"
        )
        r.wrong("cg_height", what, "check masses, radii and heights")
    gyration = sqrt(car.pitch_inertia / body)
    if not 0.15 < gyration / car.wheelbase < 0.9:
        r.file.warn(
            f"body.pitch_inertia: a radius of gyration of {gyration:.2f} m is odd for a wheelbase of"
            f" {car.wheelbase:.2f} m; 0.3 to 0.6 of it is usual"
        )
    if (front - car.front_unsprung) * GRAVITY < car.front_spring * car.droop:
        r.file.warn("front_suspension: the springs are loose before the wheels hang at full droop")
    if car.bar_rate and r.good("bar_clear", "bar_behind"):
        lift = car.bar_clear / car.bar_behind * car.wheelbase
        if lift < car.droop:
            r.file.warn(
                f"wheelie_bar: it touches at {1000 * lift:.0f} mm of lift, before the front wheels leave the"
                " ground"
            )
    if car.grip * car.cg_height < car.cg_ahead:
        r.file.warn(
            f"rear_tyre.grip: with {car.grip:g} steady thrust does not lift the nose of this car; that takes"
            f" {car.cg_ahead / car.cg_height:.2f}"
        )


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
    return replace(vehicle.car, **changes)


def written(name: str, value: float) -> str:
    """A parameter's SI value in the unit of the file."""
    p = BY_NAME[name]
    return with_sign(plain(value / p.si), p.unit)
