"""Random runs of a nose: its true lift over the ticks of one launch, and the car's speed.

Invented, not recorded: flights of 0.5 to 2.7 s with peaks of 150 to 700 mm, more than most sensors see;
a nose that leans on the wheelie bar for a while, dips and rises again in the air, lands, squats,
bounces, and lifts a second time; a clean one stays below every ceiling. The open loop gives the lift; the
controller's output changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import RandomState
from numpy.typing import NDArray

from .calibrations import DOWN_MM_MS, UP_MM_MS, Calibrated

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Flight:
    """True lift at the axle in mm and its speed in mm/s, the car's speed in 0.1 km/h, one for a tick."""

    lift_mm: Floats
    lift_mm_s: Floats
    speed: NDArray[np.int64]
    launch: int  # ticks at which these things happen
    off: int
    top: int
    fall: int
    land: int


class _Curve:
    """A lift put together from pieces that join without a jump."""

    def __init__(self, tick_ms: float) -> None:
        self.tick_ms = tick_ms
        self.pieces: list[Floats] = []
        self.ticks = 0

    def add(self, shape: str, ms: float, start: float, end: float, wobble: float = 0.0) -> None:
        n = max(1, round(ms / self.tick_ms))
        s = np.arange(1, n + 1) / n
        if shape == "ease":
            part = (1 - np.cos(np.pi * s)) / 2
        elif shape == "drop":  # ever faster, as something that falls
            part = s * s
        elif shape == "thrown":  # ever slower, as something thrown upwards
            part = s * (2 - s)
        else:  # rest where it is, perhaps swinging
            part = s
        piece = start + (end - start) * part + wobble * np.sin(4 * np.pi * s)
        self.pieces.append(piece)
        self.ticks += n


LONGEST_MS = 2700


def draw(rng: RandomState, c: Calibrated, kind: str = "any") -> Flight:
    """One random flight of a kind: "high" peaks above the lift where half the reduction is asked, "beyond"
    above the sensor's range, "clean" below the lift where the maps begin."""
    while True:
        flight = _draw(rng, c, kind)
        if (flight.land - flight.off) * c.tick_ms <= LONGEST_MS:
            return flight


def _draw(rng: RandomState, c: Calibrated, kind: str) -> Flight:
    up = UP_MM_MS * c.gain  # the fastest the axle moves, mm a ms
    down = DOWN_MM_MS * c.gain
    curve = _Curve(c.tick_ms)
    curve.add("rest", rng.uniform(250, 350) + c.period * c.tick_ms * c.heal, 0, 0)
    launch = curve.ticks
    curve.add("rest", rng.uniform(50, 300), 0, 0)
    off = curve.ticks

    least = max(150.0, float(c.lift_axis[2]) + 20) if kind == "high" else 150.0
    if kind == "beyond":
        far = (c.far_mm - c.rest_mm) * c.gain
        peak = rng.uniform(far + 30, max(far + 60, 700))
    elif rng.random_sample() < 0.5:
        peak = rng.uniform(least, 700)
    else:
        peak = rng.uniform(least, max(least + 10, 380))
    if kind == "clean":
        return _clean(rng, c, curve, launch)
    _up(curve, rng, 0, peak, up)
    if kind == "beyond":  # and stays there, on the wheelie bar
        curve.add("rest", rng.uniform(400, 900), peak, peak, rng.uniform(0, 12))
    top = curve.ticks
    fall = _air(curve, rng, peak, up, down)
    land = curve.ticks
    _squat(curve, rng)
    if rng.random_sample() < 0.5:
        bounce = rng.uniform(20, 120)
        ms = np.sqrt(2 * bounce / rng.uniform(6, 12) * 1000)
        curve.add("thrown", ms, 0, bounce)
        curve.add("drop", ms, bounce, 0)
        _squat(curve, rng)
    if rng.random_sample() < 0.5:
        curve.add("rest", rng.uniform(0, 400), 0, 0)
        second = rng.uniform(100, 450)
        _up(curve, rng, 0, second, up)
        _air(curve, rng, second, up, down)
        _squat(curve, rng)
    # Long enough to see whether torque that was taken in a failure is given back.
    curve.add("rest", rng.uniform(150, 400) + c.period * c.tick_ms * c.returns, 0, 0)

    return _flight(rng, curve, launch, off, top, fall, land)


def _flight(rng: RandomState, curve: _Curve, launch: int, off: int, top: int, fall: int, land: int) -> Flight:
    lift = np.concatenate(curve.pieces)
    seconds = np.maximum(np.arange(curve.ticks) - launch, 0) * curve.tick_ms / 1000
    tick_ms = curve.tick_ms
    greatest, slowness = rng.uniform(2200, 3400), rng.uniform(2.2, 3.5)
    speed = np.rint(greatest * (1 - np.exp(-seconds / slowness))).astype(np.int64)
    return Flight(lift, np.gradient(lift) * 1000 / tick_ms, speed, launch, off, top, fall, land)


def _clean(rng: RandomState, c: Calibrated, curve: _Curve, launch: int) -> Flight:
    """A nose so low and slow that neither noise nor look-ahead reach the maps, for 1.5 to 4 s."""
    noise = c.error_mm + 4 * c.rising_s * c.speed_noise(c.look_ms) * c.gain
    most = max(20.0, float(c.lift_axis[1]) - noise)
    peak = rng.uniform(0.3, 0.7) * most
    slowest = np.pi / 2 * peak * c.rising_s * 1000 / (0.9 * most - peak)
    off = curve.ticks
    curve.add("ease", max(slowest, 300.0) * rng.uniform(1.0, 1.3), 0, peak)
    top = curve.ticks
    curve.add("rest", rng.uniform(300, 1200), peak, peak)
    fall = curve.ticks
    curve.add("ease", rng.uniform(200, 500), peak, 0)
    land = curve.ticks
    curve.add("rest", rng.uniform(700, 1500), 0, 0)
    return _flight(rng, curve, launch, off, top, fall, land)


def _up(curve: _Curve, rng: RandomState, start: float, end: float, up: float) -> None:
    shortest = np.pi / 2 * (end - start) / up
    curve.add("ease", max(shortest, 150) * rng.uniform(1.0, 1.6), start, end)


def _air(curve: _Curve, rng: RandomState, peak: float, up: float, down: float) -> int:
    """From the top to the ground; the tick at which the last fall begins."""
    if rng.random_sample() < 0.3:  # on the wheelie bar
        curve.add("rest", rng.uniform(100, 700), peak, peak, rng.uniform(0, 12))
    if rng.random_sample() < 0.25:  # torque comes back and lifts the nose again
        dip = peak * rng.uniform(0.4, 0.8)
        curve.add("ease", np.pi / 2 * (peak - dip) / down * rng.uniform(1.0, 1.5), peak, dip)
        peak = dip + rng.uniform(0.3, 1.0) * (peak - dip)
        _up(curve, rng, dip, peak, up)
    fall = curve.ticks
    curve.add("drop", 2 * peak / down * rng.uniform(1.0, 1.5), peak, 0)
    return fall


def _squat(curve: _Curve, rng: RandomState) -> None:
    """The struts take the landing."""
    depth, ms = rng.uniform(10, 40), rng.uniform(60, 100)
    curve.add("thrown", ms / 2, 0, -depth)
    curve.add("ease", ms / 2, -depth, 0)
