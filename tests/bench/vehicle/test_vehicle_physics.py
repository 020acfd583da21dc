"""The car against statics, mechanics and drag racing as published, in the plain Python formulation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.vehicle.car import GRAVITY
from bench.vehicle.equations import (
    ENGINE,
    PITCH,
    PITCH_RATE,
    RISE_RATE,
    SHARE,
    SLIP,
    SPEED,
    STATES,
    TRAVEL,
    TRAVEL_RATE,
    WAY,
    WHEEL,
    Equations,
    Motion,
)
from bench.vehicle.loop import run
from bench.vehicle.results import FOOT, MARKS_FT
from bench.vehicle.track import Track
from tests.vehicle_support import calibration, demo, steady, textbook


@pytest.fixture
def g981(monkeypatch):
    """The sources reckon with 9.81 m/s2."""
    monkeypatch.setattr("bench.vehicle.equations.GRAVITY", 9.81)


def at_grip_limit(model):
    return steady(model, [PITCH, TRAVEL, ENGINE], lambda y, rates, forces: [], [0.0, 0.0, 1.0])


# R. N. Jazar, Vehicle Dynamics (Springer 2008), eqs 2.87, 2.88 and the rear-wheel form of 2.117: a = mu g a1
# / (L - mu h). Problem data: slides p3vehicle-dynamic (A), Automobile text Ex. 31.7 (B), Jazar Exercise 10 p.
# 92 (C).
@pytest.mark.parametrize(
    ("mass", "wheelbase", "behind_front", "height", "mu", "acceleration"),
    [
        (1800, 2.6, 1.3, 0.7, 0.7, 4.231),
        (1500, 2.75, 1.15, 0.85, 0.6, 3.022),
        (1550, 2.62, 1.31, 0.72, 0.8, 5.030),
    ],
)
def test_traction_limit_of_rear_wheel_drive(g981, mass, wheelbase, behind_front, height, mu, acceleration):
    car = textbook(
        mass=mass, wheelbase=wheelbase, cg_ahead=wheelbase - behind_front, cg_height=height, grip=mu
    )
    _, forces = at_grip_limit(Equations(car))
    assert forces.acceleration == pytest.approx(acceleration, abs=6e-4)
    assert forces.front_load + forces.rear_load == pytest.approx(mass * 9.81, rel=1e-6)
    if mass == 1800:  # both loads at the limit, reckoned from eqs 2.87 and 2.88
        assert forces.front_load == pytest.approx(6778.7, abs=0.5)
        assert forces.rear_load == pytest.approx(10879.3, abs=0.5)


def test_load_transfer(g981):
    # R. N. Jazar, Vehicle Dynamics (Springer 2008), exercise 12, p. 92: m=2058.9, L=2.7508, h=0.76, midway,
    # a=1.7: front 9131.9, rear 11065.9 N
    car = textbook(mass=2058.9, wheelbase=2.7508, cg_ahead=2.7508 / 2, cg_height=0.76, grip=3.0)
    _, forces = steady(
        Equations(car),
        [PITCH, TRAVEL, ENGINE, SLIP],
        lambda y, rates, f: [f.acceleration - 1.7],
        [0, 0, 1, 0.01],
    )
    assert forces.front_load == pytest.approx(9131.9, abs=0.5)
    assert forces.rear_load == pytest.approx(11065.9, abs=0.5)


def test_static_loads(monkeypatch):
    # D. Halliday, R. Resnick, Physics (from memory; second-hand, as quoted in physicsforums 221879):
    # m=1360, L=3.05, CG 1.78 behind the front axle; 2775 N a front wheel, 3889 N a rear one with g = 9.8
    monkeypatch.setattr("bench.vehicle.equations.GRAVITY", 9.8)
    statics = Equations(textbook(mass=1360, wheelbase=3.05, cg_ahead=3.05 - 1.78)).statics
    assert statics.front_load / 2 == pytest.approx(2775, abs=0.6)
    assert statics.rear_load / 2 == pytest.approx(3889, abs=0.6)


def balance(car, pitch):
    """Acceleration that just holds the nose at a pitch, and the whole car's centre of gravity from the rear
    contact, forwards and up."""
    model = Equations(car)

    def hanging(values_pitch):
        from scipy.optimize import root

        def state(values):
            y = [0.0] * STATES
            y[PITCH], y[TRAVEL], y[ENGINE], y[SLIP] = (
                values_pitch,
                values[0] * 0.1,
                values[1] * 500,
                values[2],
            )
            return y

        def off(values):
            rates, _ = model.rates(0.0, state(values), 1.0, 5.0, 0.0)
            return [rates[PITCH_RATE], rates[TRAVEL_RATE], rates[WHEEL] * car.rear_radius - rates[SPEED]]

        found = root(off, [car.droop * 10, 1.0, 0.02], tol=1e-14)
        assert max(abs(v) for v in off(found.x)) < 1e-4
        return state(found.x)

    y = hanging(pitch)
    _, forces = model.rates(0.0, y, 1.0, 5.0, 0.0)
    assert forces.front_load == 0
    statics = model.statics
    c, s = math.cos(pitch), math.sin(pitch)
    up = statics.front_up - y[TRAVEL]
    body = (statics.body_ahead * c - statics.body_up * s, statics.body_ahead * s + statics.body_up * c)
    wheel = (car.wheelbase * c - up * s, car.wheelbase * s + up * c)
    ahead = (statics.body_mass * body[0] + car.front_unsprung * wheel[0]) / car.mass
    over = (statics.body_mass * body[1] + car.front_unsprung * wheel[1]) / car.mass + car.rear_radius
    return forces.acceleration, ahead, over


def test_balance_follows_the_moved_centre_of_gravity():
    # Lift-off and balance: a = g X / Z with X, Z of the centre of gravity from the rear contact (Giancoli's
    # lift-off a = g x / y at any pitch, the hanging wheel moved along). Wheels that must spin up lift too:
    # their inertia I takes the moment I a / R beside it, so that Z becomes Z + I / (m R).
    car = replace(demo().car, turbine_inertia=0.0, bar_rate=0.0, rolling=0.0, grip=9.0)
    needed = []
    for pitch in (0.10, 0.2, 0.35):
        acceleration, ahead, over = balance(car, pitch)
        over += car.wheel_inertia / (car.mass * car.rear_radius)
        assert acceleration == pytest.approx(GRAVITY * ahead / over, rel=1e-9)
        needed.append(acceleration)
    # Common practice, no source: the higher the nose, the less effort lifts it further.
    assert needed == sorted(needed, reverse=True)


def test_lift_off_and_overturning_of_a_published_problem(monkeypatch):
    # D. C. Giancoli, Physics for Scientists & Engineers 4th ed., ch. 10 prob. 101: x = 0.35 m, y = 0.95 m.
    # Lift-off g x / y = 3.61 m/s2 (g = 9.80), overturning at atan(x / y) = 20.2 degrees.
    monkeypatch.setattr("bench.vehicle.equations.GRAVITY", 9.80)
    # There the vehicle turns about the point where it touches the ground: hardly any rear wheel.
    car = textbook(
        mass=300, wheelbase=1.5, cg_ahead=0.35, cg_height=0.95, grip=9.0, droop=1e-9, rear_radius=1e-3,
        wheel_inertia=1e-6,
    )  # fmt: skip
    assert balance(car, 1e-6)[0] == pytest.approx(3.61, abs=0.005)
    assert balance(car, math.radians(20.0))[0] > 0 > balance(car, math.radians(20.4))[0]
    # a = g cot(phi0 + pitch): falls all along
    phi = math.atan2(0.95, 0.35)
    for pitch in (0.05, 0.15, 0.25):
        assert balance(car, pitch)[0] == pytest.approx(9.80 / math.tan(phi + pitch), rel=3e-3)


def free(car, **changes):
    """A car whose wheels turn freely and whose engine does nothing."""
    off = {
        "grip": 0.0,
        "converter": 0.0,
        "torque_scale": 0.0,
        "friction": 0.0,
        "rolling": 0.0,
        "drag_area": 0.0,
    }
    return replace(car, **(off | changes))


def rod(length):
    """A uniform rod that stands on the rear axle, which is too heavy to move."""
    heavy = 1e6
    radius = 0.3
    car = textbook(
        mass=heavy + 1 + 1e-6, rear_unsprung=heavy, front_unsprung=1e-6, wheelbase=2.0, cg_ahead=0.0,
        cg_height=radius + length / 2 / (heavy + 1), pitch_inertia=length**2 / 12, droop=0.1,
        front_spring=1e-3, stop_rate=1e-3, front_tyre_rate=1.0,
    )  # fmt: skip
    return free(car)


def fall(car, pitch, until, step=0.001):
    motion = Motion(car)
    motion.state[PITCH] = pitch
    time = 0.0
    seen = [(0.0, pitch)]
    while motion.state[PITCH] < until and time < 3:
        motion.step(time, step, 0.0)
        time += step
        seen.append((time, motion.state[PITCH]))
    return seen


def test_a_rod_falls_as_published():
    # Rod on its foot: theta'' = (3 g / 2 L) sin theta (K. Brown, mathpages.com/home/kmath259; physicsforums
    # 616656); closed form w T = ln(8 tan(theta_end / 4) / theta0). L = 1 m, g = 9.80665: w = 3.83536 /s;
    # theta0 = 0.01 -> 90 degrees in 1.5131 s; theta(0.1, 0.2, 0.5 s) = 0.010745, 0.013089, 0.034760 rad
    # while small
    seen = fall(rod(1.0), 0.01, math.pi / 2)
    times, angles = np.array(seen).T
    assert np.interp(math.pi / 2, angles, times) == pytest.approx(1.5131, abs=3e-4)
    for time, angle in ((0.1, 0.010745), (0.2, 0.013089), (0.5, 0.034760)):
        assert np.interp(time, times, angles) == pytest.approx(angle, rel=2e-3)
    growth = np.log(angles[900] / angles[700]) / (times[900] - times[700])
    assert growth == pytest.approx(3.83536, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("rear", [{}, {"rear_spring": 9e4, "rear_travel": 0.08, "anti_squat": 1.2}])
def test_energy_stays_with_no_losses(rear):
    # A theorem of mechanics: bar, droop stop, bump stop and both contacts give back what they took.
    none = {"rebound": 0.0, "bump": 0.0, "stop_damping": 0.0, "bar_damping": 0.0, "rear_damping": 0.0}
    from scipy.integrate import solve_ivp

    model = Equations(free(demo().car, **none, **rear))
    start = [0.0] * STATES
    start[PITCH], start[SPEED], start[PITCH_RATE] = 0.16, 20.0, 1.5
    found = solve_ivp(
        lambda t, y: model.rates(t, y, 0.0, 5.0, 0.0)[0],
        (0, 0.9),
        start,
        method="DOP853",
        rtol=1e-10,
        atol=1e-12,
    )
    states = found.y.T.tolist()
    touched = set()
    for y in states:
        _, forces = model.rates(0.0, y, 0.0, 5.0, 0.0)
        touched |= {"bar"} if forces.bar_load else set()
        touched |= {"ground"} if forces.front_load else {"air"}
        touched |= {"droop"} if y[TRAVEL] > model.car.droop else set()
        touched |= {"bump"} if y[TRAVEL] < -model.car.bump_travel else set()
    assert touched == {"bar", "ground", "air", "droop", "bump"}

    def energy(y):
        turn = y[WHEEL] + y[PITCH_RATE] + model.statics.jacking * y[RISE_RATE]
        return model.energy(y) + 0.5 * model.car.turbine_inertia * (5.0 * turn) ** 2

    drift = [energy(y) - energy(start) for y in states]
    assert max(map(abs, drift)) < 0.01  # J, of some 6 kJ that move about


def test_mass_alone_cannot_be_told_from_a_run():
    # Dimensional analysis: all masses, inertias, stiffnesses and torques 1.3 times as great move alike.
    car = demo().car
    scaled = (
        *("mass", "pitch_inertia", "front_unsprung", "rear_unsprung", "wheel_inertia", "front_tyre_rate"),
        *("front_spring", "rebound", "bump", "stop_rate", "stop_damping", "bar_rate", "bar_damping"),
        *("torque_scale", "friction", "engine_inertia", "converter", "turbine_inertia", "drag_area"),
    )
    heavier = replace(car, **{name: 1.3 * getattr(car, name) for name in scaled})
    one, other = Motion(car), Motion(heavier)
    for i in range(800):
        one.step(i * 0.0005, 0.0005, 1.0)
        other.step(i * 0.0005, 0.0005, 1.0)
    assert one.state[PITCH] > 0.1
    assert other.state == pytest.approx(one.state, rel=1e-9, abs=1e-12)


def test_steps_follow_a_tight_integration():
    # scipy's DOP853 at rtol 1e-9, started afresh each 5 ms as an independent integrator. That 0.1 mm of
    # lift does not matter is common practice, no source.
    from scipy.integrate import solve_ivp

    motion = Motion(demo().car)
    exact = list(motion.state)
    ratio, _ = motion.gearbox.ratio(0.0)
    worst = 0.0
    for tick in range(120):
        begin = tick * 0.005
        for i in range(10):
            motion.step(begin + i * 0.0005, 0.0005, 1.0)
        assert motion.gearbox.since is None
        found = solve_ivp(
            lambda t, y: motion.model.rates(t, y, 1.0, ratio, 0.0)[0],
            (begin, begin + 0.005), exact, method="DOP853", rtol=1e-9, atol=1e-11,
        )  # fmt: skip
        exact = found.y[:, -1].tolist()
        worst = max(worst, abs(math.sin(exact[PITCH]) - math.sin(motion.state[PITCH])) * 2650)
    assert exact[PITCH] > 0.05
    assert worst < 0.1
    assert motion.state[WAY] == pytest.approx(exact[WAY], abs=1e-4)


def test_strip_marks():
    # 1 ft = 0.3048 m exactly; 66 ft = 20.1168 m and 1320 ft = 402.336 m, a quarter of 1609.344 m
    metres = [feet * FOOT for feet in MARKS_FT]
    assert metres == pytest.approx([18.288, 100.584, 201.168, 304.8, 402.336], abs=1e-12)
    assert metres[-1] * 4 == pytest.approx(1609.344, abs=1e-9)


HP = 745.699872  # W: 550 ft lbf/s


@pytest.mark.slow
def test_times_lie_where_the_published_formulas_say():
    """Huntington (224, 6.290) and Fox / McCaul (230, 6.269), as quoted by J. Lucius; products MPH * ET of
    1409 and 1442 against 1350 for constant power (Fox, Am. J. Phys. 41, 311)."""
    car = demo().car
    outcome = run(car, calibration(), Track(), controlled=False)
    seconds = outcome.at_mark("nose_time", 1320)
    mph = outcome.at_mark("velocity", 1320) / 0.44704
    speeds = np.linspace(car.torque_speed[0], car.torque_speed[-1], 500)
    power = (np.interp(speeds, car.torque_speed, car.torque) * speeds).max() / HP
    load = car.mass / 0.45359237 / power
    ideal = 4.803 * load ** (1 / 3)
    assert ideal < seconds
    assert 281.1 / load ** (1 / 3) > mph
    assert seconds == pytest.approx(6.290 * load ** (1 / 3), rel=0.03)
    assert mph == pytest.approx(230 / load ** (1 / 3), rel=0.03)
    assert 1350 < 1409 * 0.97 < seconds * mph < 1442 * 1.03


@pytest.mark.slow
def test_constant_power_comes_near_the_ideal():
    """t = (9 m x^2 / 8 P)^(1/3) and v = (3 P x / m)^(1/3) for constant power (Nahin, In Praise of Simple
    Physics; Fox). W = 3200 lb, P = 600 hp: 8.391 s, 160.89 mph. Nothing real is faster."""
    from scipy.integrate import solve_ivp

    power = 600 * HP
    speeds = tuple(np.geomspace(10.0, 250.0, 16))
    # A straight line between two points of P / w lies above it, at most by this factor.
    step = speeds[1] / speeds[0]
    above = (1 + step) ** 2 / (4 * step)
    car = textbook(
        mass=3200 * 0.45359237, wheelbase=8.0, cg_ahead=4.0, cg_height=0.35, pitch_inertia=8000.0, grip=60.0,
        torque_speed=speeds, torque=tuple(power / w / above for w in speeds), torque_scale=1.0, friction=0.0,
        engine_inertia=0.05, launch_share=1.0, full_after=0.0, converter=60.0, converter_ratio=1.0,
        front_spring=1e6, rebound=1e4, bump=1e4, front_tyre_rate=1e6, relaxation=0.3, wheel_inertia=0.05,
    )  # fmt: skip
    model = Equations(car)
    y = [0.0] * STATES
    y[ENGINE], y[SHARE] = 20.0, 1.0
    found = solve_ivp(
        lambda t, y: model.rates(t, y, 1.0, 1.0, 0.0)[0], (0, 12), y, method="LSODA", rtol=1e-5, atol=1e-7,
        events=_passed, max_step=0.2,
    )  # fmt: skip
    seconds, mph = float(found.t_events[0][0]), float(found.y_events[0][0][SPEED]) / 0.44704
    assert 8.391 < seconds < 8.391 * 1.03
    assert 160.89 > mph > 160.89 * 0.97
    assert 1350 < seconds * mph < 1409


def _passed(t, y):
    return y[WAY] - 402.336


_passed.terminal = True  # type: ignore[attr-defined]
