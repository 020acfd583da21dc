"""Noise, spikes, period, movement and delay, against what was put in and against scipy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from bench.sensor import measured
from bench.sensor.keys import filtered, time_constant
from tests import RECORDINGS
from tests.bench.sensor.support import counts, recording, steps, write

LASER = RECORDINGS / "laser_sin_08.csv"


def test_noise_is_what_was_put_in_whatever_drifts_and_spikes(tmp_path: Path) -> None:
    """The demo calibration's curve is 500 mm over 4096 counts; the truth is bent, so it is told in counts."""
    sigma = 1.5
    drifting = 200 + 1.5 * np.sin(np.arange(20000) / 8000)
    read = counts(drifting, sigma, period=1)
    for i, long in enumerate((1, 2, 3, 1, 7)):
        read[3000 * (i + 1) : 3000 * (i + 1) + long] = 2500 + 17 * i
    found = measured.noise([recording(write(tmp_path / "still.csv", read))])
    assert found is not None
    per_mm = (2400 - 1150) / 170
    assert found.sigma_mm == pytest.approx(sigma * per_mm * 500 / 4096, rel=0.02)
    assert (found.bursts, found.longest_burst, found.mean_burst) == (5, 7, 14 / 5)
    assert found.spikes == pytest.approx(14 / 20000, rel=0.03)
    assert found.drift_mm == pytest.approx(1.5 * per_mm * 500 / 4096, rel=0.1)


@pytest.mark.skipif(not LASER.exists(), reason="the recordings are not here")
def test_noise_of_a_real_laser_is_what_scipy_leaves() -> None:
    """scipy.signal.detrend over the same stand."""
    found = recording(LASER, columns={"time": "1:s", "height": "2:m"}, height_offset_mm=250)
    noise = measured.noise([found])
    assert noise is not None
    (one,) = found.plateaus
    left = signal.detrend(found.height_mm[one.start : one.stop])
    assert noise.sigma_mm == pytest.approx(np.std(left, ddof=2), rel=0.01)


def test_nothing_that_stands_gives_no_noise(tmp_path: Path) -> None:
    moving = 250 + 100 * np.sin(np.arange(4000) / 300)
    assert measured.noise([recording(write(tmp_path / "moving.csv", counts(moving, 1)))]) is None


@pytest.mark.parametrize("period", [2, 3, 5, 20])
def test_the_sensors_own_period(tmp_path: Path, period: int) -> None:
    read = counts(np.full(10000, 200.0), 1.5, period=period)
    found = measured.period_s(recording(write(tmp_path / "still.csv", read)))
    assert found == pytest.approx(period / 1000, rel=0.02)


def test_a_sensor_as_fast_as_the_rows_has_no_period_to_see(tmp_path: Path) -> None:
    read = counts(np.full(10000, 200.0), 1.5, period=1)
    assert measured.period_s(recording(write(tmp_path / "still.csv", read))) is None


def test_the_fastest_movement(tmp_path: Path) -> None:
    """A sine of 100 mm and 3 rad/s moves by 300 mm/s at most; a spike moves nothing."""
    time = np.arange(8000) / 1000
    read = counts(300 + 100 * np.sin(3 * time), 0.3)
    read[2600:2605] = 3900
    found = recording(write(tmp_path / "hand.csv", read))
    fastest = measured.fastest_mm_per_s(found, 0.0, 0.005)
    slope = (3950 - 2400) / 200 * 500 / 4096  # above 300 mm the truth is steeper
    assert fastest == pytest.approx(300 * slope, rel=0.15)


@pytest.mark.parametrize("late", [0, 7, 40])
def test_the_delay_is_where_scipy_correlates_best(tmp_path: Path, late: int) -> None:
    time = np.arange(9000) / 1000
    # It begins and ends at rest, so that scipy's sums, which know no bounds, are not drawn to 0.
    truth = 200 + 60 * np.exp(-(((time - 4.5) / 0.8) ** 2)) * np.sin(5 * time)
    late_mm = np.roll(truth, late)[500:8500]
    rod = truth[500:8500]
    path = write(tmp_path / "both.csv", np.round(late_mm, 2), "mm", rod_mm=rod)
    mine = recording(path)
    other = recording(path, columns={"height": "rod:mm"})
    found = measured.delay(mine, other)
    assert found is not None
    both = signal.correlate(late_mm - 200, rod - 200)
    lags = signal.correlation_lags(len(late_mm), len(rod))
    assert 1000 * found.seconds == pytest.approx(lags[both.argmax()], abs=1.0)
    assert 1000 * found.seconds == pytest.approx(late, abs=0.2)
    assert found.correlation > 0.999


@pytest.mark.slow
def test_a_channel_that_does_not_move_has_no_delay(tmp_path: Path) -> None:
    path = write(tmp_path / "both.csv", np.round(steps([130, 200, 150]), 2), "mm", rod_mm=np.full(6000, 7.0))
    assert measured.delay(recording(path), recording(path, columns={"height": "rod:mm"})) is None


def test_what_a_filter_leaves_of_noise() -> None:
    """scipy.signal.lfilter over white noise."""
    noise = np.random.default_rng(3).normal(0, 1, 400_000)
    for period, constant in ((1.0, 4.0), (5.0, 11.0), (10.0, 0.0)):
        a = 1 - np.exp(-period / constant) if constant else 1.0
        left = np.std(signal.lfilter([a], [1, a - 1], noise))
        assert filtered(period, constant) == pytest.approx(left, rel=0.01)
        if constant:
            assert time_constant(period, filtered(period, constant)) == pytest.approx(constant)
