"""What gets worse, in words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bench.vehicle.harm import Side, at_share, harm, of_cars, of_run
from bench.vehicle.results import MARKS_FT, SCORES
from bench.vehicle.run import run
from bench.vehicle.track import Track
from tests.vehicle_support import NOT_BUILT, calibration, demo

OLD = Side("no control", 0.3, 1.0, 1000.0, 0.05, 5.0, 660, 0.0, 0.0)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"landing": 1.5}, "lands harder, 1.50 m/s (1.00)"),
        ({"landing": math.inf}, "never lands"),
        ({"bar": 2400.0}, "leans harder on the bar, 2.4 kN (1.0)"),
        ({"clearance": -0.003}, "comes nearer to the ground, -3 mm (50)"),
        ({"lift": 0.4}, "rises higher, 400 mm (300)"),
        ({"time": 5.25}, "is slower, 5.250 s to 660 ft (5.000)"),
        ({"time": math.inf}, "does not get to 660 ft"),
        ({"out": 0.2}, "is out of service in 20.0 % of the run (0.0)"),
        ({"over": 1.0}, "turns over"),
    ],
)
def test_each_harm_is_told_and_its_opposite_is_not(changes: dict[str, float], says: str) -> None:
    new = replace(OLD, name="this one", **changes)
    assert harm(new, [OLD]) == [f"Worse with this one than with no control: it {says}."]
    assert harm(replace(OLD, name="this one"), [new]) == []


def test_a_landing_after_none_is_harm_and_little_differences_are_not() -> None:
    flat = replace(OLD, landing=None)
    assert "lands harder, 1.00 m/s (no landing)" in harm(OLD, [flat])[0]
    assert harm(flat, [OLD]) == []
    high = replace(OLD, clearance=0.12)
    assert harm(replace(high, clearance=0.08), [high]) == []
    assert harm(replace(OLD, landing=1.04, time=5.004, lift=0.309), [OLD]) == []


def test_harms_stand_in_one_sentence_for_each_other_side() -> None:
    new = replace(OLD, name="B", landing=2.0, time=5.5)
    mild = replace(OLD, name="A", landing=1.98)
    assert harm(new, [mild, OLD]) == [
        "Worse with B than with A: it is slower, 5.500 s to 660 ft (5.000).",
        "Worse with B than with no control: it lands harder, 2.00 m/s (1.00); is slower, 5.500 s to 660 ft"
        " (5.000).",
    ]


def test_many_cars_are_judged_by_what_most_of_them_stay_within() -> None:
    scores = {name: np.zeros(20) for name in SCORES}
    scores["nose_time"] = np.full((20, len(MARKS_FT)), 5.0)
    scores["end_time"] = np.full(20, 6.0)
    scores["landing_speed"] = np.array([*np.linspace(0.1, 1.9, 19), np.nan])
    scores["clearance"] = np.linspace(0.01, 0.20, 20)
    scores["turned_over"][0] = 1
    scores["out_of_service"][:2] = 1.0
    side = of_cars("it", scores, 660)
    assert side.landing == pytest.approx(1.9)  # 19 of 20
    assert side.clearance == pytest.approx(0.02)
    assert (side.out, side.over, side.cars) == (0.1, 0.05, 20)
    assert of_cars("it", scores, 660, 1.0).landing == math.inf
    assert harm(side, [replace(side, name="old", over=0.0)])[0] == (
        "Worse with it than with old, of 20 cars: it turns over in 5.0 % of the cars (0.0)."
    )
    assert at_share(np.arange(20.0), 0.95) == 18


@pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))
def test_the_common_hold_without_look_ahead_lands_harder_than_no_control() -> None:
    car, cal = demo().car, calibration()
    new, old = (
        of_run(name, run(car, cal, Track(), controlled=on), 660)
        for name, on in (("this calibration", True), ("no control", False))
    )
    (sentence,) = harm(new, [old])
    assert "lands harder" in sentence
    assert "leans harder" not in sentence
