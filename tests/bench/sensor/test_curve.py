"""Lines of least squares against numpy and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import make_lsq_spline

from bench.sensor.curve import MOST_POINTS, broken, fit, straight


@given(st.integers(0, 10_000), st.integers(2, 30))
def test_a_straight_line_is_numpys(seed: int, n: int) -> None:
    random = np.random.default_rng(seed)
    x = np.sort(random.choice(4096, n, replace=False)).astype(float)
    y = 0.11 * x + 20 + random.normal(0, 3, n)
    assert straight(x, y) == pytest.approx(tuple(np.polyfit(x, y, 1)), rel=1e-6, abs=1e-6)


@given(st.integers(0, 10_000))
def test_a_broken_line_is_scipys_spline_of_degree_1(seed: int) -> None:
    random = np.random.default_rng(seed)
    x = np.sort(random.choice(np.arange(0, 4096, 40), 20, replace=False)).astype(float)
    y = np.interp(x, [0, 1500, 4096], [40, 130, 500]) + random.normal(0, 2, len(x))
    at = x[[0, 5, 12, 19]]
    knots = np.concatenate((at[:1], at, at[-1:]))
    assert broken(x, y, at) == pytest.approx(make_lsq_spline(x, y, knots, k=1)(at), rel=1e-6)


def test_a_straight_sensor_needs_two_points() -> None:
    x = np.array([200.0, 900.0, 1700.0, 2600.0, 3900.0])
    y = 0.12 * x + 15 + np.array([0.3, -0.2, 0.1, -0.3, 0.2])
    found = fit(x, y, 1.0)
    assert len(found.readings) == 2
    assert found.shown
    assert np.abs(found.left).max() < 0.5


def test_a_bent_one_as_many_as_leave_no_more_than_allowed() -> None:
    x = np.linspace(200, 3900, 15)
    y = 40 + 4e5 / (4400 - x)
    found = fit(x, y, 8.0)
    assert 2 < len(found.readings) < MOST_POINTS
    assert np.abs(found.left).max() <= 8
    assert np.abs(found.straight_left).max() > 8
    most = fit(x, y, 0.0)
    assert len(most.readings) == MOST_POINTS
    assert np.abs(most.left).max() < np.abs(found.left).max()


def test_what_is_left_stands_in_the_order_given() -> None:
    x = np.array([3900.0, 200.0, 1700.0])
    found = fit(x, np.array([500.0, 40.0, 300.0]), 1000.0)
    line = np.polyval(np.polyfit(x, [500, 40, 300], 1), x)
    assert found.left == pytest.approx(np.array([500, 40, 300]) - line)
    assert not fit(x, np.array([500.0, 40.0, 300.0]), 0.1).shown


def test_no_point_is_taken_twice() -> None:
    x = np.arange(9.0) * 100
    found = fit(x, np.where(np.arange(9) % 2, 50.0, 0.0) + x, 1.0)
    assert len(set(found.readings.tolist())) == len(found.readings) == MOST_POINTS
