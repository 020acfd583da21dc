"""How the invented car moves: a thrust over time, a nose that follows it, speeds, an engine.

One degree of freedom for the nose. While the front wheels stand, the front springs carry what the thrust has
not taken off them; when they hang at full droop only gravity and thrust act, and the nose flies. A wheelie
bar stands in the way of the highest flights. Engine and shaft follow the speed through two gears and a
converter. It is a sketch that looks like a launch, not a model to tune a car with.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

from bench.demo.chance import Chance

STEP_S = 0.001

EIGHTH_MILE_M = 201.168
WHEELBASE_M = 2.65
SENSOR_AHEAD_M = 0.35  # of the front axle
REST_MM = 130.0

_DROOP_M = 0.070
_LIFT_OFF = 24.5  # m/s2 of thrust that just unloads the front wheels
_FALL = 10.2  # m/s2 at the front axle with no thrust and hanging wheels
_REBOUND, _BUMP = 14.0, 8.0  # damping, 1/s
_BUMP_STOP_M, _BUMP_STOP = -0.045, 900.0  # 1/s2
_BAR_M, _BAR, _BAR_DAMPING = 0.375, 260.0, 9.0

_TYRE_TURN_M = 2.64
_FINAL = 4.30
_GEARS = (1.76, 1.0)
_STALL = 5250.0
_SHIFT_S = 0.07

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Drive:
    """What driver, engine and track do. Points are (seconds since launch, value), straight lines between.

    `thrust` in m/s2; `slip` the share by which the rear tyres turn too fast; `shift_s` when the second gear
    goes in; `launch_s` the seconds of staging before the launch.
    """

    seed: int
    thrust: Points
    slip: Points = ((0.0, 0.14), (0.8, 0.07), (2.0, 0.03))
    shift_s: float = 1.75
    launch_s: float = 1.2
    after_s: float = 0.7


@dataclass
class Motion:
    """The car every STEP_S from the start of the recording. `height_mm` is the nose over the track where the
    sensor sits, `front_kmh` what the front wheels turn, `finish_s` the time of the end of the eighth mile."""

    launch_s: float
    finish_s: float
    time_s: list[float]
    lift_mm: list[float]
    height_mm: list[float]
    speed_kmh: list[float]
    front_kmh: list[float]
    engine_rpm: list[float]
    shaft_rpm: list[float]
    armed: list[int]
    launch: list[int]


def move(drive: Drive) -> Motion:
    """Move the car from staging over the eighth mile until `after_s` behind its end."""
    made = Motion(drive.launch_s, 0.0, [], [], [], [], [], [], [], [], [])
    nose, gearbox, front = _Nose(Chance(drive.seed)), _Driveline(drive), _FrontWheel()
    thrust = speed = way = 0.0
    steps, end = 0, 1 << 30
    while steps < end:
        since = steps * STEP_S - drive.launch_s
        finished = way >= EIGHTH_MILE_M
        if finished and end == 1 << 30:
            made.finish_s = since
            end = steps + round(drive.after_s / STEP_S)
        wanted = 0.0
        if since >= 0:
            wanted = -9.0 if finished else at(drive.thrust, since) * gearbox.drives(since)
        thrust += (wanted - thrust) * (STEP_S / 0.03)
        speed = max(0.0, speed + thrust * STEP_S)
        way += speed * STEP_S
        lift = nose.step(thrust, speed)
        front_speed = front.step(speed, lift)
        engine, shaft = gearbox.step(since, speed, finished)

        made.time_s.append(steps * STEP_S)
        made.lift_mm.append(lift * 1000)
        made.height_mm.append(_height_mm(lift))
        made.speed_kmh.append(speed * 3.6)
        made.front_kmh.append(front_speed * 3.6)
        made.engine_rpm.append(engine)
        made.shaft_rpm.append(shaft)
        made.armed.append(1 if steps * STEP_S >= 0.2 and since < _disarm_s(made) else 0)
        made.launch.append(1 if since >= 0 else 0)
        steps += 1
    return made


def at(points: Points, place: float) -> float:
    """The value of straight lines between points, the ends held."""
    if place <= points[0][0]:
        return points[0][1]
    for (left, low), (right, high) in pairwise(points):
        if place < right:
            return low + (high - low) * (place - left) / (right - left)
    return points[-1][1]


def _disarm_s(made: Motion) -> float:
    return made.finish_s + 0.4 if made.finish_s else 1e9


def _height_mm(lift: float) -> float:
    """The sensor looks along a beam that tilts with the car, so it reads a little more than the height."""
    pitch = lift / WHEELBASE_M
    over = REST_MM + lift * 1000 * (WHEELBASE_M + SENSOR_AHEAD_M) / WHEELBASE_M
    return over * (1 + pitch * pitch / 2)


class _Nose:
    """Lift of the body at the front axle, metres."""

    def __init__(self, chance: Chance) -> None:
        self._chance = chance
        self._lift = 0.0
        self._rate = 0.0
        self._road = 0.0

    def step(self, thrust: float, speed: float) -> float:
        # The track is not flat: a slow random walk, stronger as the car goes faster.
        self._road += self._chance.normal() * 0.35 * min(speed, 40.0) / 40.0 - self._road * (STEP_S / 0.02)
        push = _FALL * (thrust / _LIFT_OFF - 1.0) + self._road
        if self._lift < _DROOP_M:
            damping = _REBOUND if self._rate > 0 else _BUMP
            push += max(0.0, _FALL * (1.0 - self._lift / _DROOP_M) - damping * self._rate)
        if self._lift < _BUMP_STOP_M:
            push += _BUMP_STOP * (_BUMP_STOP_M - self._lift)
        if self._lift > _BAR_M:
            push -= max(0.0, _BAR * (self._lift - _BAR_M) + _BAR_DAMPING * self._rate)
        self._rate += push * STEP_S
        self._lift += self._rate * STEP_S
        return self._lift


class _FrontWheel:
    """Speed of the front wheels: the car's on the ground, slowing down in the air."""

    def __init__(self) -> None:
        self._speed = 0.0

    def step(self, speed: float, lift: float) -> float:
        if lift > _DROOP_M + 0.004:
            self._speed -= self._speed * (STEP_S / 1.1)
        else:
            self._speed += (speed - self._speed) * (STEP_S / 0.025)
        return self._speed


class _Driveline:
    """Engine and shaft speed, rpm, through converter and gears."""

    def __init__(self, drive: Drive) -> None:
        self._drive = drive
        self._chance = Chance(drive.seed + 1000)
        self._engine = 2300.0
        self._rate = 0.0

    def drives(self, since: float) -> float:
        """The share of the thrust that arrives: the gear change takes most of it for a moment."""
        return 0.3 if 0 <= since - self._drive.shift_s < _SHIFT_S else 1.0

    def step(self, since: float, speed: float, finished: bool) -> tuple[float, float]:
        slip = at(self._drive.slip, since) if since > 0 else 0.0
        shaft = speed * (1.0 + slip) / _TYRE_TURN_M * 60.0 * _FINAL
        turbine = shaft * _GEARS[1 if since >= self._drive.shift_s else 0]
        wanted = 2300.0 if since < -0.75 else 4300.0 if since < 0 else _coupled(turbine)
        if finished:
            wanted = max(2300.0, turbine * 0.94)
        # A second-order answer, a little under-damped: the flare at launch and after the change.
        self._rate += ((wanted - self._engine) * 900.0 - self._rate * 38.0) * STEP_S
        self._engine += self._rate * STEP_S
        return self._engine + self._chance.normal() * 14.0, shaft


def _coupled(turbine: float) -> float:
    """Engine speed over the converter: its stall speed at rest, close above the turbine later."""
    own = turbine * turbine
    stall = _STALL * _STALL
    return sqrt(sqrt(own * own + stall * stall))
