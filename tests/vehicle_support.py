"""What the tests of the car share: the demo car, calibrations of it, and cars reduced to textbook ones."""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import Any

from bench.calibration import CalibrationFile, compile_text
from bench.vehicle import compiled
from bench.vehicle.car import Car, VehicleFile
from bench.vehicle.equations import ENGINE, PITCH, SLIP, STATES, TRAVEL, Equations
from bench.vehicle.vehicle_file import load
from tests import ROOT

CAR_PATH = ROOT / "traces" / "demo_car.toml"
CALIBRATION_PATH = ROOT / "traces" / "plain.toml"
NOT_BUILT = compiled.available()


@functools.cache
def demo() -> VehicleFile:
    """The demo car."""
    return load(CAR_PATH)


@functools.cache
def calibration(*changes: tuple[str, str]) -> CalibrationFile:
    """The demo calibration with some of its text changed."""
    text = CALIBRATION_PATH.read_text()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return compile_text(text, "changed.toml")


def front_wheel(*changes: tuple[str, str]) -> CalibrationFile:
    """The demo calibration for the speed of a front wheel, with some of its text changed."""
    text = (ROOT / "traces" / "demo_front_wheel.toml").read_text()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return compile_text(text, "changed.toml")


def held(ms: int) -> CalibrationFile:
    """The demo calibration with another hold."""
    return calibration(("hold_ms = 300 ", f"hold_ms = {ms} "))


def looking(ms: int, hold_ms: int = 0) -> CalibrationFile:
    """The demo calibration with look-ahead both ways."""
    return calibration(
        ("hold_ms = 300 ", f"hold_ms = {hold_ms} "),
        ("rising_ms = 0", f"rising_ms = {ms}"),
        ("falling_ms = 0", f"falling_ms = {ms}"),
    )


def textbook(**changes: Any) -> Car:
    """A car as in a problem of statics: nothing that turns or rolls has inertia, nothing resists, the springs
    hardly give, the wheels weigh nothing to speak of."""
    plain: dict[str, Any] = {
        "front_unsprung": 1e-3,
        "rear_unsprung": 1e-3,
        "rear_radius": 0.3,
        "front_radius": 0.3,
        "wheel_inertia": 1e-3,
        "turbine_inertia": 0.0,
        "front_spring": 1e9,
        "front_tyre_rate": 1e9,
        "stop_rate": 1e9,
        "rebound": 0.0,
        "bump": 0.0,
        "stop_damping": 0.0,
        "bar_rate": 0.0,
        "drag_area": 0.0,
        "rolling": 0.0,
        "efficiency": 1.0,
    }
    return replace(demo().car, **(plain | changes))


def steady(model: Equations, unknown: list[int], wanted: Any, guess: list[float]) -> tuple[list[float], Any]:
    """A state in which the car, just moving off, accelerates without any turning or bouncing: its `unknown`
    states are sought, the pitch, strut and wheel keep up, and `wanted(rates, forces)` is 0 as well."""
    from scipy.optimize import root

    ratio = 5.0
    radius = model.car.rear_radius

    def state(values: list[float]) -> list[float]:
        y = [0.0] * STATES
        y[SLIP], y[ENGINE] = model.car.peak_slip, 500.0
        for i, value in zip(unknown, values, strict=True):
            y[i] = value * _SCALES.get(i, 1.0)
        return y

    def off(values: list[float]) -> list[float]:
        rates, forces = model.rates(0.0, state(values), 1.0, ratio, 0.0)
        keeps = [rates[3], rates[5] / 10, (rates[6] * radius - rates[1])]
        return [*keeps, *wanted(state(values), rates, forces)][: len(unknown)]

    found = root(off, guess, tol=1e-13)
    assert max(abs(v) for v in off(found.x)) < 1e-4, found
    y = state(list(found.x))
    return y, model.rates(0.0, y, 1.0, ratio, 0.0)[1]


_SCALES = {PITCH: 0.1, TRAVEL: 0.01, ENGINE: 500.0}
