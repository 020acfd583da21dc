"""Plateaus and what a sensor reads of nothing, in invented recordings and in those of real sensors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.errors import UserError
from bench.sensor.recording import spread
from tests import RECORDINGS
from tests.bench.sensor.support import counts, recording, steps, write

RANGES = RECORDINGS / "range_sensors"
real = pytest.mark.skipif(not RANGES.is_dir(), reason="the recordings of range sensors are not here")


def test_plateaus_are_found_where_the_height_stands(tmp_path: Path) -> None:
    truth = [130.0, 180.0, 150.0, 154.0, 400.0]
    found = recording(write(tmp_path / "steps.csv", counts(steps(truth), 0.8))).plateaus
    assert len(found) == len(truth)
    for i, one in enumerate(found):
        # of each 2 s all but what the quarters of a second around a step hide
        assert one.start <= 2000 * i + 250
        assert one.stop >= 2000 * (i + 1) - 250
        assert one.reading == pytest.approx(float(counts(np.array([truth[i]]), 0)[0]), abs=1.5)


def test_a_slow_hand_is_no_plateau(tmp_path: Path) -> None:
    slow = np.concatenate((np.full(2000, 130.0), np.linspace(130, 190, 4000), np.full(2000, 190.0)))
    found = recording(write(tmp_path / "slow.csv", counts(slow, 0.5))).plateaus
    assert [(one.start < 200, one.stop > 1700) for one in found[:1]] == [(True, True)]
    assert len(found) == 2


def test_a_car_that_drives_does_not_stand(tmp_path: Path) -> None:
    read = counts(np.full(9000, 200.0), 0.8)
    speed = np.where((np.arange(9000) > 3000), 40.0, 0.0)
    (one,) = recording(write(tmp_path / "run.csv", read, "count", **{"speed_km/h": speed})).plateaus
    assert (one.start, one.stop) == (0, 3001)


def test_a_spike_is_not_nothing_and_a_lost_echo_is(tmp_path: Path) -> None:
    read = counts(np.full(6000, 200.0), 0.8)
    once = read.copy()
    once[3000:3005] = 4095
    assert recording(write(tmp_path / "spike.csv", once)).nothing is None
    for at in (1000, 3000, 5000):
        read[at : at + 100] = 4095
    found = recording(write(tmp_path / "lost.csv", read))
    assert found.nothing == 4095
    assert np.count_nonzero(~found.good) == 300


def test_a_sensor_that_comes_to_its_end_has_not_lost_the_ground(tmp_path: Path) -> None:
    up = np.concatenate((np.full(2000, 200.0), np.linspace(200, 600, 2000), np.linspace(600, 200, 2000)))
    found = recording(write(tmp_path / "end.csv", counts(up, 0.8)))
    assert found.nothing is None


def test_too_short_a_recording_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="10 readings of the height; 20 or more"):
        recording(write(tmp_path / "short.csv", counts(np.linspace(130, 140, 10), 1)))


def test_a_spread_forgets_outliers() -> None:
    """Against numpy's standard deviation of what was drawn."""
    drawn = np.random.default_rng(2).normal(0, 1.5, 5000)
    with_spikes = drawn.copy()
    with_spikes[::100] = 60
    found, kept = spread(with_spikes)
    assert found == pytest.approx(np.std(np.delete(drawn, np.s_[::100])), rel=0.005)
    assert np.count_nonzero(~kept) == 50


@real
@pytest.mark.parametrize("name", ["laser_sin_08", "laser_sin_10", "laser_sin_12"])
def test_stands_of_a_real_laser(name: str) -> None:
    """Sources: README.md beside the recordings. What stands by a plain search with numpy, each half second
    within 2 mm, is a plateau; and what is called one moves by no more than ten."""
    path = RECORDINGS / f"{name}.csv"
    found = recording(path, columns={"time": "1:s", "height": "2:m"}, height_offset_mm=250)
    mm = np.genfromtxt(path, delimiter=",")[:, 1] * 1000 + 250
    np.testing.assert_allclose(found.height_mm, mm, atol=1e-6)
    for one in found.plateaus:
        assert np.ptp(mm[one.start : one.stop]) < 10
    inside = np.zeros(len(mm), bool)
    for one in found.plateaus:
        inside[one.start : one.stop] = True
    rows = 38  # three quarters of a second at 50 Hz
    still = [i for i in range(len(mm) - rows) if np.ptp(mm[i : i + rows]) < 1.5]
    assert all(inside[i + rows // 2] for i in still)


@real
@pytest.mark.parametrize("column", [3, 5, 7, 12])
def test_no_echo_of_real_ultrasonic_sensors(column: int) -> None:
    """5.000 m is no echo (UCI Machine Learning Repository, data set 194, Freire, Veloso, Barreto 2010)."""
    path = RANGES / "ultrasound_24.csv"
    read = np.genfromtxt(path, delimiter=",", skip_header=1, usecols=[column - 1])
    found = recording(path, rate_hz=9.0, columns={"height": f"S{column}:m"})
    silent = read == 5.0
    if silent.mean() < 0.01:
        assert found.nothing is None
    else:
        assert found.nothing == 5000
        assert np.array_equal(~found.good, silent)


@real
def test_no_echo_of_a_real_laser_beam() -> None:
    """0 is no echo (NASA, Deorbit, Descent and Landing Flight 1)."""
    path = RANGES / "lidar_4_beams.csv"
    read = np.genfromtxt(path, delimiter=",", skip_header=1, usecols=[1])
    found = recording(path, columns={"time": "1:ns", "height": "2:m"})
    assert found.nothing == 0
    assert np.count_nonzero(~found.good) == np.count_nonzero(read == 0) > 100
