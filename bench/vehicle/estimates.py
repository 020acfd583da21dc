"""What a car's file may leave out because nobody can measure it in a workshop: rules that stand in.

None of them is better than its scatter, one standard deviation, with which the parameter then differs from
car to car in a spread. Where no source stands, the rule is common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import sqrt

Values = Mapping[str, float]  # parameters in SI units, `torque_most` among them


@dataclass(frozen=True)
class Estimate:
    """A rule for one parameter: its value in SI units from others, the words for it, and its scatter as a
    share."""

    of: Callable[[Values], float]
    said: str
    scatter: float


def _pitch_inertia(v: Values) -> float:
    body = v["mass"] - v["front_unsprung"] - v["rear_unsprung"]
    return 0.75 * body * v["cg_ahead"] * (v["wheelbase"] - v["cg_ahead"])


def _damping(share: float) -> Callable[[Values], float]:
    def of(v: Values) -> float:
        sprung = v["mass"] * v["cg_ahead"] / v["wheelbase"] - v["front_unsprung"]
        return 2 * share * sqrt(v["front_spring"] * max(sprung, 1.0))

    return of


def _constant(value: float) -> Callable[[Values], float]:
    return lambda v: value


# In an order in which each needs only what stands before it or in the file.
ESTIMATES: dict[str, Estimate] = {
    "front_unsprung": Estimate(lambda v: 0.05 * v["mass"], "5 % of the mass", 0.15),
    "rear_unsprung": Estimate(lambda v: 0.12 * v["mass"], "12 % of the mass", 0.15),
    # The dynamic index k2 / (a b) of a car with its masses between the axles is below 1 (T. D. Gillespie,
    # Fundamentals of Vehicle Dynamics, SAE 1992, the chapter on ride; from memory); 0.75: common practice.
    "pitch_inertia": Estimate(_pitch_inertia, "0.75 times the body's mass and both axles' distances", 0.12),
    "wheel_inertia": Estimate(
        lambda v: 0.25 * v["rear_unsprung"] * v["rear_radius"] ** 2,
        "half the rear unsprung mass at 0.7 of the radius",
        0.2,
    ),
    "front_tyre_rate": Estimate(_constant(400e3), "both tyres together, usual", 0.2),
    "bump_travel": Estimate(lambda v: 0.8 * v["droop"], "0.8 of the droop", 0.15),
    "rebound": Estimate(_damping(0.5), "half of critical damping", 0.25),
    "bump": Estimate(_damping(0.4), "0.4 of critical damping", 0.25),
    "bar_rate": Estimate(_constant(100e3), "usual", 0.25),
    "friction": Estimate(lambda v: 0.075 * v["torque_most"], "7.5 % of the greatest torque", 0.2),
    "engine_inertia": Estimate(_constant(0.45), "usual", 0.2),
    "turbine_inertia": Estimate(_constant(0.08), "usual", 0.3),
    "clutch_inertia": Estimate(_constant(0.08), "usual", 0.3),
    "shift_time": Estimate(_constant(0.06), "usual", 0.3),
    "efficiency": Estimate(_constant(0.9), "usual", 0.02),
    "drag_area": Estimate(_constant(0.65), "usual", 0.15),
    "delay": Estimate(_constant(0.010), "usual", 0.2),
    "lag": Estimate(_constant(0.015), "usual", 0.2),
}
