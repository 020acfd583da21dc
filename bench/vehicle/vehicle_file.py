"""A vehicle file read: its values in their ranges, and all that is wrong with them at once."""

from __future__ import annotations

import hashlib
import os
from fractions import Fraction
from math import sqrt
from pathlib import Path
from typing import Any

from bench.calibration.parsing import parse
from bench.calibration.quantity import Quantity
from bench.calibration.reader import CalibrationMistakes, File, Section, read_text
from bench.vehicle.car import (
    BY_NAME,
    GEARS,
    GRAVITY,
    MS,
    OPTIONAL,
    PARAMETERS,
    PERCENT,
    POINTS,
    RADS,
    Car,
    Parameter,
    Scatter,
    VehicleFile,
    Ways,
    written,
)
from bench.vehicle.estimates import ESTIMATES

# sections of which nothing must be said
_OF_RULES = ("strip", "driver", "resistance", "response")


class _Reader:
    def __init__(self, file: File) -> None:
        self.file = file
        self.sections: dict[str, Section] = {}
        self.q: dict[str, Quantity] = {}
        self.value: dict[str, float] = {}
        self.left_out: list[Parameter] = []

    def section(self, name: str) -> Section:
        if name not in self.sections:
            self.sections[name] = self.file.section(name, required=name not in (*OPTIONAL, *_OF_RULES))
        return self.sections[name]

    def number(self, p: Parameter) -> None:
        if p.section in OPTIONAL and not self.file.has(p.section):
            self.section(p.section)
            self.value[p.name] = 0.0
            return
        if p.name in ESTIMATES and not self.section(p.section).gives(p.key, p.unit or "1"):
            self.left_out.append(p)
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

    def estimate(self, torque: tuple[float, ...]) -> list[str]:
        """Fill in what was left out and can be estimated; a line for each."""
        self.value["torque_most"] = max(torque, default=0.0)
        said = []
        for name, rule in ESTIMATES.items():
            p = BY_NAME[name]
            if p not in self.left_out:
                continue
            known = self.good("mass", "wheelbase", "cg_ahead", "rear_radius", "front_spring", "droop")
            value = rule.of(self.value) if known else p.least * p.si
            self.value[name] = max(p.least * p.si, min(p.greatest * p.si, value))
            words = f"{written(name, float(f'{self.value[name]:.3g}'))}, {rule.said}"
            self.section(p.section).say(p.key, words)
            said.append(f"{p.section}.{p.key}: {words}, give or take {100 * rule.scatter:.0f} %")
        del self.value["torque_most"]
        return said

    def good(self, *names: str) -> bool:
        return all(name not in self.q or self.q[name].good for name in names)

    def wrong(self, name: str, what: str, right: str) -> None:
        p = BY_NAME[name]
        q = self.q.get(name)
        self.file.wrong(q.path if q else (p.section, p.key), what, right, *([q] if q else []))

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
    file = parse(os.fspath(path), text, "car")
    r = _Reader(file)
    about = file.section("car")
    name = about.text("name")
    about.finish()
    for parameter in PARAMETERS:
        r.number(parameter)
    engine = _engine(r)
    tuples = engine | _converter(r) | _gearbox(r) | _driver(r)
    estimated = r.estimate(engine["torque"])
    response = r.section("response")
    lost = response.number("torque_lost_at_20_deg", "%", default=7)
    r.within(lost, 0, 60)
    beyond = r.section("sensor").choice("beyond_reads", ("high", "low"), "high")
    scatter = {p.name: Scatter(ESTIMATES[p.name].scatter, True) for p in r.left_out} | _scatter(r)
    ways = _ways(r)
    for section in r.sections.values():
        section.finish()
    file.finish()
    told: dict[str, Any] = {**r.value, **tuples}
    car = Car(retard_loss=float(lost.value) / 100 / 400, beyond_high=beyond == "high", **told)
    _judge(r, car)
    if file.mistakes:
        raise CalibrationMistakes(mistake for _, mistake in sorted(file.mistakes, key=lambda entry: entry[0]))
    digest = digest or hashlib.sha256(text.encode()).hexdigest()
    judged = (list(file.warnings), file.shown, estimated)
    return VehicleFile(Path(path), text, digest, name, car, scatter, *judged, ways)


def _engine(r: _Reader) -> dict[str, tuple[float, ...]]:
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
        "torque_speed": tuple(float(v) / RADS for v in speed.values),
        "torque": tuple(float(v) for v in torque.values),
    }


def _converter(r: _Reader) -> dict[str, object]:
    if r.file.has("clutch") == r.file.has("converter"):
        what = "stands beside [clutch]" if r.file.has("clutch") else "section is missing"
        r.file.wrong(("converter",), what, "[converter], or [clutch] in its place")
    if not r.file.has("converter"):
        return {"converter": 0.0}
    s = r.section("converter")
    absorbed = s.number("stall_torque", "N m")
    at = s.number("stall_torque_at", "rpm")
    r.within(absorbed, 10, 10000)
    r.within(at, 500, 15000)
    speed = float(at.value) / RADS
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
        shifts = tuple(float(v) * (MS if by_time else 1 / RADS) for v in q.values)
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
        "throttle_time": tuple(float(v) * MS for v in time.values),
        "throttle": tuple(float(v) * PERCENT for v in throttle.values),
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
            if r.value.get(p.name, 0) == 0 and relative and p.section in OPTIONAL:
                continue
            found[p.name] = Scatter(float(q.value) * (PERCENT if relative else p.si), relative)
        s.finish()
    return found


_PATHS = {p.path: p.name for p in PARAMETERS} | {"converter.stall_torque": "converter"}
_MOST_WAYS = 64


def _ways(r: _Reader) -> Ways | None:
    """[scatter.fit], as a fit writes it: `of` names parameters, way_1, way_2 ... are rows of numbers for
    them."""
    s = r.file.section("scatter.fit")
    paths = s.text("of").split()
    for path in paths:
        if path not in _PATHS:
            r.file.wrong(("scatter", "fit", "of"), f"{path} is no parameter", "as a fit wrote it")
    misses = s.number("misses", "", default=1)
    r.within(misses, 1, 1000)
    rows = []
    for n in range(1, _MOST_WAYS + 1):
        if f"way_{n}" not in s.content:
            break
        q = s.numbers(f"way_{n}", "", least=max(1, len(paths)), most=max(1, len(paths)))
        r.within(q, -3, 3)
        rows.append(tuple(float(v) for v in q.values))
    s.finish()
    if not paths or r.file.mistakes:
        return None
    return Ways(tuple(_PATHS[path] for path in paths), tuple(rows), float(misses.value))


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
