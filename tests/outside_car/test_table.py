"""How the table counts: what is missed, what a range holds, what is written."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

pytest.importorskip("mujoco")

from tests.outside_car import table
from tests.outside_car.kinds import KINDS
from tests.outside_car.tape import truth, vehicle_text
from tests.vehicle_support import calibration, demo

NAN = math.nan


def subject(*true: table.Figures) -> table.Subject:
    cases = [table.Case(str(i), calibration(), one) for i, one in enumerate(true)]
    return table.Subject("one", demo(), [], [], cases, {}, None)


def test_a_figure_that_only_one_side_has_is_missed_without_end() -> None:
    one = table.Told(figures=[(310.0, None, 1.0, 1.2, 5.0), (300.0, 0.7, 0.0, 1.2, None)])
    cars = subject((300.0, 0.5, NAN, 1.1, 5.1), (300.0, None, 0.0, 1.1, 5.1))
    assert table._missed(cars, one, 0) == [10, 0]
    assert table._missed(cars, one, 1) == [math.inf, math.inf]
    assert table._missed(cars, one, 2) == [0]  # nobody knows the first one
    assert table._missed(cars, one, 4) == [pytest.approx(0.1), math.inf]


def test_a_range_holds_what_lies_in_it_as_it_is_shown() -> None:
    one = table.Told(ranges=[[(290.0, 310.4), (0.4, 0.6), (0.0, 0.0), (1.0, 1.2), (5.0, math.inf)]])
    for true, held in ((300.0, True), (310.4, True), (311.0, False), (289.0, False)):
        assert table._held(subject((true, 0.5, 0.0, 1.1, 9.0)), one, 0) == [held]
    assert table._held(subject((300.0, 0.5, 0.0, 1.1, 9.0)), one, 4) == [True]
    assert table._held(subject((300.0, None, NAN, 1.1, 9.0)), one, 2) == []


def test_six_calibrations_differ_and_tapes_err_by_seed() -> None:
    made = table.calibrations()
    assert len({one.image for one in made.values()}) == 6
    kind = KINDS["links"]
    assert vehicle_text(kind, 1) == vehicle_text(kind, 1) != vehicle_text(kind, 2)
    given, real = table.read(vehicle_text(kind, 1), Path("car.toml")).car, truth(kind)
    for name, value in real.items():
        assert abs(getattr(given, name) / value - 1) < 0.2, name
    assert abs(given.cg_ahead / real["cg_ahead"] - 1) < 0.025


def test_the_page_says_what_was_not_reached() -> None:
    missed = {0: [20.0, 30.0], 1: [0.1], 2: [0.0], 3: [0.0], 4: [0.01]}
    text = table._page(
        [], [], [], missed, {0: [True, True], 1: [True, False], 4: [False, False]}, (15, 18, 20)
    )
    assert (
        "peak mm, fitted to two runs: missed by 25.00 in the median, 15 at most was aimed at: NOT reached"
        in text
    )
    assert (
        "landing m/s, fitted to two runs: missed by 0.10 in the median, 0.15 at most was aimed at: reached"
        in text
    )
    assert "hold 50 % of the truths; at least 70 was aimed at: NOT reached" in text
    assert "hold 75 % of 20 true ones (those of 95 %: 90 %); 70 to 90 was aimed at: reached" in text
