"""Vehicle files: what they mean, every mistake by name, scatter."""

from __future__ import annotations

import re
from dataclasses import fields

import pytest

from bench.calibration import CalibrationMistakes
from bench.vehicle.car import BY_NAME, PARAMETERS, Car, scattered
from bench.vehicle.vehicle_file import read
from tests.vehicle_support import CAR_PATH, demo

TEXT = CAR_PATH.read_text()


def changed(*changes):
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return read(text, "car.toml")


def mistakes(*changes):
    with pytest.raises(CalibrationMistakes) as caught:
        changed(*changes)
    return str(caught.value).splitlines()


def test_the_demo_car_is_sound():
    vehicle = demo()
    assert vehicle.warnings == []
    assert vehicle.name == "Pellowkin"
    assert (vehicle.car.mass, vehicle.car.cg_height, vehicle.car.front_spring) == (1200, 0.56, 48000)
    # 7400 rpm; N m at (rad/s)^2: 1316 at 5000 rpm
    assert vehicle.car.shift_at == pytest.approx((774.926,), abs=1e-3)
    assert vehicle.car.converter == pytest.approx(1316 / 523.5988**2, rel=1e-6)
    assert vehicle.car.retard_loss * 20**2 == pytest.approx(0.07)


def test_every_number_of_a_car_has_a_parameter():
    apart = {"torque_speed", "torque", "throttle_time", "throttle", "converter", "gear", "shift_at"}
    apart |= {"shift_by_time", "retard_loss", "beyond_high"}
    assert {f.name for f in fields(Car)} - apart == set(BY_NAME)
    assert len({p.path for p in PARAMETERS}) == len(PARAMETERS)


def test_other_units_mean_what_they_say():
    # International pound of 1959: 0.45359237 kg; 1 in = 25.4 mm; standard gravity 9.80665 m/s2
    one = changed(
        ("mass_kg = 1200 ", "mass_lb = 2645.5471 "), ("wheelbase_mm = 2650", "wheelbase_in = 104.3307087")
    )
    assert one.car.mass == pytest.approx(1200, abs=1e-4)
    assert one.car.wheelbase == pytest.approx(2.65, abs=1e-8)
    two = changed(
        ("spring_n_per_mm = 48", "spring_lb_per_in = 274.08707"),
        ("friction_nm = 120", "friction_lbft = 88.50746"),
    )
    assert two.car.front_spring == pytest.approx(48000, abs=0.05)
    assert two.car.friction == pytest.approx(120, abs=1e-4)


def test_shift_by_time_and_driver_and_missing_bar():
    vehicle = changed(
        ("shift_at_rpm = [7400] ", "shift_at_ms = [1700] "),
        ("[converter]", "[driver]\nafter_ms = [0, 900]\nthrottle_percent = [100, 60]\n[converter]"),
    )
    assert (vehicle.car.shift_by_time, vehicle.car.shift_at) == (True, (1.7,))
    assert (vehicle.car.throttle_time, vehicle.car.throttle) == ((0.0, 0.9), (1.0, 0.6))
    bar = re.search(r"\[wheelie_bar\].*?\n\n", TEXT, re.DOTALL)
    scatter = re.search(r"\[scatter.wheelie_bar\].*?\n\n", TEXT, re.DOTALL)
    assert bar
    assert scatter
    bare = read(TEXT.replace(bar[0], "").replace(scatter[0], ""), "car.toml")
    assert bare.car.bar_rate == 0


CLUTCH = """[clutch]
torque_nm = 1900
full_torque_nm = 2600
rises_after_ms = 500
rises_for_ms = 1000
centrifugal_percent = 80
"""


def test_a_clutch_in_place_of_the_converter():
    converter = re.search(r"\[converter\].*?\n\n", TEXT, re.DOTALL)
    assert converter
    boosted = TEXT.replace("[converter]", "boost_percent = 30\n[converter]")
    vehicle = read(boosted.replace(converter[0], CLUTCH), "car.toml")
    car = vehicle.car
    assert (car.clutch_torque, car.clutch_full, car.clutch_after, car.clutch_rise) == (1900, 2600, 0.5, 1.0)
    assert (car.clutch_centrifugal, car.converter, car.turbine_inertia) == (0.8, 0, 0)
    assert (car.boost, car.boost_lag) == (0.3, 0.25)
    assert any("clutch.inertia" in line for line in vehicle.estimated)
    assert (demo().car.clutch_torque, demo().car.boost) == (0, 0)
    (both,) = mistakes(("[converter]", CLUTCH + "[converter]"))
    assert both.endswith("converter: stands beside [clutch]; [converter], or [clutch] in its place")
    (neither,) = mistakes((converter[0], ""))
    assert neither.endswith("converter: section is missing; [converter], or [clutch] in its place")


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("axle_mm = 1400", "axle_mm = -100",
         "body.cg_ahead_of_rear_axle_mm: the centre of gravity is not"
         " ahead of the rear axle: the car would sit on its tail;"
         " the distance from the rear axle forwards, above 0"),
        ("axle_mm = 1400", "axle_mm = 2700",
         "body.cg_ahead_of_rear_axle_mm: the centre of gravity is ahead of"
         " the front axle: the car would stand on its nose; less than the wheelbase, 2650 mm"),
        ("clear_mm = 200", "clear_mm = -20", "wheelie_bar.clear_mm: the bar's wheel is below the ground;"
         " its height over the ground with the car standing, above 0"),
        ("unsprung_kg = 60", "unsprung_kg = 295", None),
        ("mass_kg = 1200", "mass_kg = 12", "body.mass_kg: 12 kg is too small; 300 kg to 3000 kg"),
        ("mass_kg = 1200", "mass = 1200", "body.mass: names no unit; for example mass_kg"),
        ("mass_kg = 1200", "mass_mm = 1200", "body.mass_mm: is a length, but mass is a mass;"
         " for example mass_kg"),
        ("grip = 3.0", "grop = 3.0", "rear_tyre.grop: unknown key; grip is the nearest known one"),
        ("ratios = [1.54, 1.0]", "ratios = [1.0, 1.54]", "gearbox.ratios: does not fall all along;"
         " each ratio below the one before"),
        ("shift_at_rpm = [7400]", "shift_at_rpm = [7400, 8000]",
         "gearbox.shift_at_rpm: has 2 values; 1 values"),
        ("rest_height_mm = 130", "rest_height_mm = 600",
         "sensor.rest_height_mm: at rest the sensor is beyond"
         " its range; less than farthest_mm"),
        ("torque_nm = [485, 776,", "torque_nm = [776,", "engine.torque_nm: has 9 values; 10, one for each of"
         " torque_at_rpm"),
        ("mass_kg = 10\n", "mass_kg = -10\n", "scatter.body.mass_kg: -10 kg is no scatter;"
         " 0 or more: one standard deviation"),
        ('beyond_reads = "high"', 'beyond_reads = "middle"', 'sensor.beyond_reads: "middle" is not known;'
         ' "high" or "low"'),
    ],
)  # fmt: skip
def test_each_mistake_is_one_line(old, new, line):
    if line is None:
        # still in range, but the axle does not carry so much
        found = mistakes((old, new), ("axle_mm = 1400", "axle_mm = 600"))
        assert len(found) == 1
        assert "front_unsprung_kg: is more than the front axle carries, 272 kg" in found[0]
        return
    found = mistakes((old, new))
    assert len(found) == 1, found
    number = TEXT[: TEXT.index(old)].count("\n") + 1
    assert found[0] == f"car.toml:{number}: {line}"


def test_all_mistakes_at_once_in_the_order_of_lines():
    found = mistakes(
        ("mass_kg = 1200", "mass_kg = 12"),
        ("clear_mm = 200", "clear_mm = -5"),
        ("lag_ms = 15", "leg_ms = 15"),
    )
    lines = [int(line.split(":")[1]) for line in found]
    assert len(found) == 3
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (
            ("clear_mm = 200", "clear_mm = 20"),
            "wheelie_bar: it touches at 41 mm of lift, before the front wheels",
        ),
        (("grip = 3.0", "grip = 1.2"), "rear_tyre.grip: with 1.2 steady thrust does not lift the nose"),
        (("kgm2 = 1280", "kgm2 = 12800"), "body.pitch_inertia: a radius of gyration of 3.58 m is odd"),
        (("spring_n_per_mm = 48", "spring_n_per_mm = 148"), "front_suspension: the springs are loose"),
    ],
)
def test_what_is_odd_is_a_warning(change, text):
    (warning,) = changed(change).warnings
    assert warning.startswith(text)


def test_a_spread_is_as_wide_as_the_file_says():
    vehicle = demo()
    cars = [scattered(vehicle, number, seed=7) for number in range(1, 601)]
    assert scattered(vehicle, 0) is vehicle.car
    assert cars[4] == scattered(vehicle, 5, seed=7) != scattered(vehicle, 5, seed=8)
    for name, scatter in vehicle.scatter.items():
        own = getattr(vehicle.car, name)
        values = [getattr(car, name) for car in cars]
        size = scatter.size * (own if scatter.relative else 1)
        mean = sum(values) / len(values)
        spread = (sum((v - mean) ** 2 for v in values) / len(values)) ** 0.5
        # standard errors of mean and deviation over 600: 4 % and 3 % of the deviation
        assert abs(mean - own) < 0.2 * size
        assert spread == pytest.approx(size, rel=0.15)
        assert max(abs(v - own) for v in values) <= 3.0001 * size
    moved = {f.name for f in fields(Car) if getattr(cars[0], f.name) != getattr(vehicle.car, f.name)}
    assert moved == set(vehicle.scatter)
