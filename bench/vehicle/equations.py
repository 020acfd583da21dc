"""The car's equations, in plain Python: slow, to be read, and the measure of the compiled twin.

Coordinates
    way x     of the rear axle, m, forwards
    pitch     of the body, rad, nose up
    travel u  of the front strut from rest, m, extension positive: the wheel moves down along the body's own
              vertical
    rise w    of the body over the rear axle from rest, m, along the same vertical; only with rear springs
    turn      of the rear wheels, rad, forwards; only its rate counts

A point at (p, r) from the rear axle, measured in the body at rest, forwards and up, is at

    X = x + p cos(pitch) - (r + w) sin(pitch)        Z = R + p sin(pitch) + (r + w) cos(pitch)

with R the rear radius: the rear tyre does not give, so the rear axle stays at R. The body's centre of gravity
is such a point, the front wheel's centre one with r less u. Masses: body, front wheels and hubs (at their
centre), rear axle and wheels (at theirs). Lagrange's equations of the five coordinates follow from the
masses' Jacobians J, with rows for X and Z:  (sum of m J'J + inertias) q'' = sum of J'(F - m J^q^) + torques.
They are built here as they stand and solved together with the tyre's law.

Drive line. The engine's flywheel drives the converter's pump; the turbine turns with `ratio` times the rear
wheels' turn against the body. With rear springs and anti-squat the axle housing turns with the rise: the turn
against the housing is  turn + pitch + jacking w,  jacking = anti-squat * h / (L R).  The half-shaft torque
acts between housing and wheel, so it is the generalised force of that sum: it turns the wheel, lifts the nose
and pushes the body up. It is not thrust times radius: wheel and turbine inertia are between the two.

    pump torque     K w^2 max(1 - s^7, -1),  s = turbine speed / engine speed, not below 0
    turbine torque  pump torque * a factor falling straight from the torque ratio at s = 0 to 1 at `coupling`
    engine torque   share * (curve + friction) * throttle - friction, the share lagging behind the command

Of a boosted engine the part `boost` of (curve + friction) follows throttle times share with `boost_lag`.

A clutch in place of the converter brings the gearbox's input, which has the turbine's place, and the engine
to one speed within half a millisecond as long as its capacity allows; else it slips and carries that capacity

    (launch's to last, in a straight line over the time) * (1 - c + c (w / launch speed)^2)

with `clutch_centrifugal` c. Half a millisecond is what the steps stand: a locked clutch creeps by some rad/s.

A gear change moves the ratio in a straight line from one to the next in the shift time; the turbine's inertia
then gives back its own speed as torque (ratio * inertia * rate of ratio * turn).

Rear tyre. The slip state k follows the sliding speed over the relaxation length sigma:

    sigma k' = (w R - v) - |v| k,  thrust = grip * rear load * shape(k / peak slip),  shape(s) = 2 s/(1 + s^2)

beyond its peak falling to `sliding` instead of 0. The rear load is what the vertical motion of all masses
asks of the ground beside front tyre and bar.

Front. Strut: preloaded spring that cannot pull, rebound and bump damper, droop and bump stop as springs with
dampers that only push. Tyre: a spring that cannot pull. Bar: a spring with a damper under a point of the
body, that only pushes; it rolls freely.

Left out on purpose: tyre growth, lift by air, single cylinder events, the rear tyre's own spring. Drag acts
at the body's centre of gravity, rolling resistance at the axle. The rear tyre cannot leave the ground: a
negative rear load shows as one, with no thrust.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import cos, fabs, sin

from bench.vehicle.car import GRAVITY, Car

# The states, in the order of vehicle.c.
WAY, SPEED, PITCH, PITCH_RATE, TRAVEL, TRAVEL_RATE, WHEEL, SLIP, ENGINE, SHARE = range(10)
RISE, RISE_RATE, BOOST = range(10, 13)
STATES = 13
_LOCKS_S = 0.0005


@dataclass(frozen=True)
class Forces:
    """What acts at one state: m/s2, rad/s2, N; the ratio; N m of torque at full command."""

    acceleration: float
    pitch_acceleration: float
    front_load: float
    rear_load: float
    thrust: float
    bar_load: float
    gear_ratio: float
    torque: float


class Statics:
    """What follows from a car's parameters: the body alone, and the loads at rest."""

    def __init__(self, car: Car) -> None:
        self.body_mass = car.mass - car.front_unsprung - car.rear_unsprung
        moment = car.mass * car.cg_ahead - car.front_unsprung * car.wheelbase
        self.body_ahead = moment / self.body_mass
        moment = car.mass * car.cg_height - car.front_unsprung * car.front_radius
        self.body_up = (moment - car.rear_unsprung * car.rear_radius) / self.body_mass - car.rear_radius
        self.front_up = car.front_radius - car.rear_radius
        self.front_load = car.mass * GRAVITY * car.cg_ahead / car.wheelbase
        self.rear_load = car.mass * GRAVITY - self.front_load
        self.strut = self.front_load - car.front_unsprung * GRAVITY
        self.rear_springs = self.rear_load - car.rear_unsprung * GRAVITY
        self.free_radius = car.front_radius + self.front_load / car.front_tyre_rate
        sprung = car.rear_spring > 0
        self.jacking = car.anti_squat * car.cg_height / (car.wheelbase * car.rear_radius) if sprung else 0.0
        self.input_inertia = car.turbine_inertia + car.clutch_inertia
        behind = self.input_inertia + car.wheel_inertia / (car.gear[0] * car.final_drive) ** 2
        self.locking = 1 / (_LOCKS_S * (1 / car.engine_inertia + 1 / behind))


@dataclass(frozen=True)
class _Point:
    """A point of the car: where it is, how it moves with each coordinate (x, pitch, travel, rise), and its
    acceleration when none of the coordinates' rates changes."""

    height: float
    along: tuple[float, float, float, float]
    up: tuple[float, float, float, float]
    held_along: float
    held_up: float

    def up_rate(self, rates: Sequence[float]) -> float:
        """m/s upwards, from the rates of the coordinates."""
        return sum(a * b for a, b in zip(self.up, rates, strict=True))


class Equations:
    """One car's right-hand side."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.statics = Statics(car)
        self._curve = tuple(zip(car.torque_speed, car.torque, strict=True))
        self._throttle = tuple(zip(car.throttle_time, car.throttle, strict=True))
        begins = car.clutch_after
        self._clutch = ((begins, car.clutch_torque), (begins + car.clutch_rise, car.clutch_full))

    def _point(self, y: Sequence[float], p: float, r: float, on_strut: bool = False) -> _Point:
        s, c, q = sin(y[PITCH]), cos(y[PITCH]), y[PITCH_RATE]
        r += y[RISE] - (y[TRAVEL] if on_strut else 0.0)
        dr = y[RISE_RATE] - (y[TRAVEL_RATE] if on_strut else 0.0)
        strut = 1.0 if on_strut else 0.0
        return _Point(
            height=self.car.rear_radius + p * s + r * c,
            along=(1.0, -p * s - r * c, strut * s, -s),
            up=(0.0, p * c - r * s, -strut * c, c),
            held_along=-(p * c - r * s) * q * q - 2 * c * q * dr,
            held_up=-(p * s + r * c) * q * q - 2 * s * q * dr,
        )

    def front_wheel(self, y: Sequence[float]) -> _Point:
        """The front wheels' centre."""
        return self._point(y, self.car.wheelbase, self.statics.front_up, on_strut=True)

    def front_load(self, y: Sequence[float]) -> float:
        """N under both front tyres."""
        depth = self.statics.free_radius - self.front_wheel(y).height
        return max(0.0, self.car.front_tyre_rate * depth)

    def strut_force(self, y: Sequence[float]) -> float:
        """N with which the front struts push body and wheels apart."""
        car, travel, rate = self.car, y[TRAVEL], y[TRAVEL_RATE]
        spring = max(0.0, self.statics.strut - car.front_spring * travel)
        damper = -(car.rebound if rate > 0 else car.bump) * rate
        return (
            spring
            + damper
            - self._stop(travel - car.droop, rate)
            + self._stop(-car.bump_travel - travel, -rate)
        )

    def _rear_springs(self, y: Sequence[float]) -> float:
        car, rise, rate = self.car, y[RISE], y[RISE_RATE]
        spring = max(0.0, self.statics.rear_springs - car.rear_spring * rise)
        stops = self._stop(-car.rear_travel - rise, -rate) - self._stop(rise - car.rear_travel, rate)
        return spring - car.rear_damping * rate + stops

    def _stop(self, depth: float, rate: float) -> float:
        return max(0.0, self.car.stop_rate * depth + self.car.stop_damping * rate) if depth > 0 else 0.0

    def _engine(self, y: Sequence[float], time: float, turbine: float) -> tuple[float, float, float, float]:
        """Torque at full command, rates of engine and boost, torque into the gearbox."""
        car, engine = self.car, y[ENGINE]
        throttle = _at(self._throttle, time)
        boost_rate = (throttle * y[SHARE] - y[BOOST]) / car.boost_lag if car.boost > 0 else 0.0
        if time < car.full_after:
            throttle *= car.launch_share + (1 - car.launch_share) * time / car.full_after
        full = (car.torque_scale * _at(self._curve, engine) + car.friction) * throttle
        full *= 1 - car.boost * (1 - y[BOOST])
        friction = car.friction * min(engine, 1.0)
        taken, given = (
            self._clutched(engine, turbine, time)
            if car.clutch_torque > 0
            else self._converted(engine, turbine)
        )
        return full, (y[SHARE] * full - friction - taken) / car.engine_inertia, boost_rate, given

    def _converted(self, engine: float, turbine: float) -> tuple[float, float]:
        """Pump and turbine torque of the converter."""
        car = self.car
        ratio = max(0.0, turbine / engine) if engine > 1 else 0.0
        pump = car.converter * engine * fabs(engine) * max(1 - ratio**7, -1.0)
        part = min(ratio / car.coupling, 1.0)
        more = car.converter_ratio + (1 - car.converter_ratio) * part if pump > 0 else 1.0
        return pump, pump * more

    def _clutched(self, engine: float, turbine: float, time: float) -> tuple[float, float]:
        """The clutch's torque on both sides."""
        car = self.car
        share = 1 - car.clutch_centrifugal + car.clutch_centrifugal * (engine / car.launch_speed) ** 2
        most = _at(self._clutch, time) * share
        carried = max(-most, min(most, (engine - turbine) * self.statics.locking))
        return carried, carried

    def _grip(self, slip: float) -> float:
        """Thrust as a share of the rear load, at a slip as a share of that of the peak."""
        shape = 2 * slip / (1 + slip * slip)
        if fabs(slip) > 1:
            shape = (1 - self.car.sliding) * shape + (self.car.sliding if slip > 0 else -self.car.sliding)
        return self.car.grip * shape

    def _masses(
        self, points: tuple[tuple[float, _Point], ...], ratio: float, shaft: float
    ) -> tuple[list[list[float]], list[float]]:
        """The mass matrix, and the forces of gravity, of the moving frame and of the shaft, for the
        coordinates x, pitch, travel, rise, turn."""
        car = self.car
        m = [[0.0] * 5 for _ in range(5)]
        f = [0.0] * 5
        m[0][0] += car.rear_unsprung
        m[1][1] += car.pitch_inertia
        m[4][4] += car.wheel_inertia
        for mass, point in points:
            for i in range(4):
                for j in range(4):
                    m[i][j] += mass * (point.along[i] * point.along[j] + point.up[i] * point.up[j])
                f[i] -= mass * (point.along[i] * point.held_along + point.up[i] * (point.held_up + GRAVITY))
        shaft_turn = (0.0, 1.0, 0.0, self.statics.jacking, 1.0)
        inertia = self.statics.input_inertia * ratio * ratio
        for i in range(5):
            f[i] += shaft * shaft_turn[i]
            for j in range(5):
                m[i][j] += inertia * shaft_turn[i] * shaft_turn[j]
        return m, f

    def rates(
        self, time: float, y: Sequence[float], share: float, ratio: float, ratio_rate: float
    ) -> tuple[list[float], Forces]:
        """The states' rates and the forces, at a time since launch, a commanded share of torque, and a ratio
        of engine to rear wheels that moves at `ratio_rate` a second."""
        car, st = self.car, self.statics
        coordinate_rates = (y[SPEED], y[PITCH_RATE], y[TRAVEL_RATE], y[RISE_RATE])
        body = self._point(y, st.body_ahead, st.body_up)
        wheel = self.front_wheel(y)
        bar = self._point(y, -car.bar_behind, car.bar_clear - car.rear_radius)

        turn = y[WHEEL] + y[PITCH_RATE] + st.jacking * y[RISE_RATE]
        full, engine_rate, boost_rate, turbine = self._engine(y, time, ratio * turn)
        shaft = ratio * (turbine * car.efficiency if turbine > 0 else turbine / car.efficiency)
        shaft -= ratio * st.input_inertia * ratio_rate * turn

        front = self.front_load(y)
        bar_load = 0.0
        if car.bar_rate > 0 and bar.height < 0:
            bar_load = max(0.0, -car.bar_rate * bar.height - car.bar_damping * bar.up_rate(coordinate_rates))
        drag = 0.5 * car.air_density * car.drag_area * y[SPEED] * fabs(y[SPEED])
        rolling = car.rolling * car.mass * GRAVITY * max(-1.0, min(1.0, y[SPEED] / 0.5))

        points = ((st.body_mass, body), (car.front_unsprung, wheel))
        m, f = self._masses(points, ratio, shaft)
        f[0] -= rolling
        f[2] += self.strut_force(y)
        f[3] += self._rear_springs(y)
        for i in range(4):
            f[i] += front * wheel.up[i] + bar_load * bar.up[i] - drag * body.along[i]

        # The thrust T is the sixth unknown: it drives x and brakes the wheel, and it is a share of the rear
        # load.
        grip = self._grip(y[SLIP] / car.peak_slip)
        on_thrust = (1.0, 0.0, 0.0, 0.0, -car.rear_radius)
        # rear load = free + sum of lift[i] q''[i]
        free = car.mass * GRAVITY - front - bar_load
        lift = [0.0] * 5
        for mass, point in points:
            free += mass * point.held_up
            for i in range(4):
                lift[i] += mass * point.up[i]
        unknown = [0, 1, 2, 3, 4] if car.rear_spring > 0 else [0, 1, 2, 4]
        rows = [[m[i][j] for j in unknown] + [-on_thrust[i], f[i]] for i in unknown]
        gripping = [-grip * lift[j] for j in unknown] + [1.0, grip * free]
        found = _solve([*rows, gripping])
        accelerations = dict(zip([*unknown, 5], found, strict=True))
        rear = free + sum(lift[i] * accelerations[i] for i in unknown)
        if rear <= 0:
            slack = [0.0] * len(unknown) + [1.0, 0.0]
            accelerations = dict(zip([*unknown, 5], _solve([*rows, slack]), strict=True))
            rear = free + sum(lift[i] * accelerations[i] for i in unknown)

        dy = [0.0] * STATES
        dy[WAY], dy[PITCH], dy[TRAVEL], dy[RISE] = coordinate_rates
        dy[SPEED], dy[PITCH_RATE], dy[TRAVEL_RATE] = accelerations[0], accelerations[1], accelerations[2]
        dy[RISE_RATE] = accelerations.get(3, 0.0)
        dy[WHEEL] = accelerations[4]
        dy[SLIP] = (y[WHEEL] * car.rear_radius - y[SPEED] - fabs(y[SPEED]) * y[SLIP]) / car.relaxation
        dy[ENGINE] = engine_rate
        dy[BOOST] = boost_rate
        dy[SHARE] = (share - y[SHARE]) / car.lag if car.lag > 0 else 0.0
        return dy, Forces(
            accelerations[0], accelerations[1], front, rear, accelerations[5], bar_load, ratio, full
        )

    def energy(self, y: Sequence[float]) -> float:
        """J of all masses and springs; the drive line's and the tyre's slip are not in it."""
        car, st = self.car, self.statics
        rates = (y[SPEED], y[PITCH_RATE], y[TRAVEL_RATE], y[RISE_RATE])
        total = 0.5 * car.pitch_inertia * y[PITCH_RATE] ** 2 + 0.5 * car.rear_unsprung * y[SPEED] ** 2
        total += 0.5 * car.wheel_inertia * y[WHEEL] ** 2
        body, wheel = self._point(y, st.body_ahead, st.body_up), self.front_wheel(y)
        for mass, point in ((st.body_mass, body), (car.front_unsprung, wheel)):
            along = sum(a * b for a, b in zip(point.along, rates, strict=True))
            total += 0.5 * mass * (along**2 + point.up_rate(rates) ** 2) + mass * GRAVITY * point.height
        total += _stored(car.front_spring, st.strut, y[TRAVEL])
        total += 0.5 * car.front_tyre_rate * max(0.0, st.free_radius - wheel.height) ** 2
        total += 0.5 * car.stop_rate * max(0.0, y[TRAVEL] - car.droop) ** 2
        total += 0.5 * car.stop_rate * max(0.0, -car.bump_travel - y[TRAVEL]) ** 2
        if car.bar_rate > 0:
            bar = self._point(y, -car.bar_behind, car.bar_clear - car.rear_radius)
            total += 0.5 * car.bar_rate * max(0.0, -bar.height) ** 2
        if car.rear_spring > 0:
            total += _stored(car.rear_spring, st.rear_springs, y[RISE])
            total += 0.5 * car.stop_rate * max(0.0, fabs(y[RISE]) - car.rear_travel) ** 2
        return total


def _at(points: tuple[tuple[float, float], ...], place: float) -> float:
    """The value of straight lines between points, the ends held."""
    if place <= points[0][0]:
        return points[0][1]
    for (left, low), (right, high) in pairwise(points):
        if place < right:
            return low + (high - low) * (place - left) / (right - left)
    return points[-1][1]


def _stored(rate: float, preload: float, way: float) -> float:
    """J in a preloaded spring that cannot pull."""
    force = max(0.0, preload - rate * way)
    return force * force / (2 * rate)


def _solve(rows: list[list[float]]) -> list[float]:
    """Linear equations by elimination with pivots; each row ends in its right-hand side. `rows` are not
    changed."""
    a = [list(row) for row in rows]
    n = len(a)
    for k in range(n):
        pivot = max(range(k, n), key=lambda i: fabs(a[i][k]))
        a[k], a[pivot] = a[pivot], a[k]
        for i in range(k + 1, n):
            part = a[i][k] / a[k][k]
            if part != 0.0:
                for j in range(k, n + 1):
                    a[i][j] -= part * a[k][j]
    found = [0.0] * n
    for k in range(n - 1, -1, -1):
        found[k] = (a[k][n] - sum(a[k][j] * found[j] for j in range(k + 1, n))) / a[k][k]
    return found


@dataclass
class Gearbox:
    """Which gear is in, and where a change is under way."""

    car: Car
    gear: int = 0
    since: float | None = None
    _ratios: tuple[float, ...] = field(init=False)

    def __post_init__(self) -> None:
        self._ratios = tuple(ratio * self.car.final_drive for ratio in self.car.gear)

    def shift(self, time: float, engine: float) -> None:
        """End a change that has lasted its time, begin one that is due."""
        if self.since is not None and time - self.since >= self.car.shift_time:
            self.gear += 1
            self.since = None
        if self.since is None and self.gear + 1 < len(self._ratios):
            reached = time if self.car.shift_by_time else engine
            if reached >= self.car.shift_at[self.gear]:
                self.since = time

    def ratio(self, time: float) -> tuple[float, float]:
        """Engine turns for each turn of the wheels, and how fast that changes, 1/s."""
        now = self._ratios[self.gear]
        if self.since is None:
            return now, 0.0
        after = self._ratios[self.gear + 1]
        part = (time - self.since) / self.car.shift_time if self.car.shift_time > 0 else 1.0
        if part >= 1.0:
            return after, 0.0
        return now + (after - now) * part, (after - now) / self.car.shift_time


class Motion:
    """A car on its way: state, gearbox, and steps of the classic fourth-order Runge-Kutta method."""

    def __init__(self, car: Car) -> None:
        self.model = Equations(car)
        self.gearbox = Gearbox(car)
        self.state = [0.0] * STATES
        self.state[ENGINE] = car.launch_speed
        self.state[SHARE] = self.state[BOOST] = 1.0

    def step(self, time: float, h: float, share: float, midpoint: bool = False) -> Forces:
        """Move by h seconds with a commanded share of torque; gives the forces at the start. `midpoint`: by
        the midpoint method, of second order."""
        y, rates, gearbox = self.state, self.model.rates, self.gearbox
        gearbox.shift(time, y[ENGINE])
        if self.model.car.lag <= 0:
            y[SHARE] = share
        k1, forces = rates(time, y, share, *gearbox.ratio(time))
        middle = time + 0.5 * h
        k2, _ = rates(middle, _moved(y, k1, 0.5 * h), share, *gearbox.ratio(middle))
        if midpoint:
            self.state = _moved(y, k2, h)
            return forces
        k3, _ = rates(middle, _moved(y, k2, 0.5 * h), share, *gearbox.ratio(middle))
        k4, _ = rates(time + h, _moved(y, k3, h), share, *gearbox.ratio(time + h))
        for i in range(STATES):
            y[i] += h / 6 * (k1[i] + 2 * k2[i] + 2 * k3[i] + k4[i])
        return forces


def _moved(y: Sequence[float], rates: Sequence[float], h: float) -> list[float]:
    return [a + h * b for a, b in zip(y, rates, strict=True)]
