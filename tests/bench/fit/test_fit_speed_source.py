"""What a speed was taken for, with runs of a car that does not obey the model; and one that comes late."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.calibration import load
from bench.fit.facts import _POOR
from bench.fit.fit import fit, rest_of
from bench.fit.measured import measure
from bench.fit.speed_source import SHAFT_NOISE, source
from bench.trace.read import read_trace
from bench.vehicle.vehicle_file import read
from tests import ROOT
from tests.outside_car.kinds import KINDS
from tests.outside_car.log import log_text
from tests.outside_car.tape import vehicle_text
from tests.vehicle_support import NOT_BUILT

KIND = "welded"


def given():
    return read(vehicle_text(KINDS[KIND], 7), Path("car.toml")).car


@pytest.fixture(scope="module")
def columns():
    pytest.importorskip("mujoco")
    from tests.outside_car.car import OutsideCar

    demo = load(ROOT / "traces" / "demo.toml")
    return [OutsideCar(KINDS[KIND], 11).drive(demo, controlled=on).columns for on in (True, False)]


@pytest.mark.slow
@pytest.mark.parametrize("what", ["road", "shaft", "front"])
def test_a_wheel_s_speed_taken_for_the_road_s_is_noticed(columns, tmp_path, what):
    for number, one in enumerate(columns):
        path = tmp_path / f"{number}.csv"
        path.write_text(log_text(one, 5, speed=what))
        run = measure(read_trace(path), given(), None)
        said = [note for note in run.notes if note.startswith(("speed: hardly", "speed: one share"))]
        assert len(said) == (what != "road")
        assert (run.noise["speed"] == SHAFT_NOISE) == (what == "shaft")
        if what == "front":
            assert "hardly rises" in said[0]
            assert np.isnan(run.values["speed"]).mean() > 0.2


@pytest.mark.slow
@pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))
def test_a_speed_that_comes_late_and_a_slow_logger_are_fitted(columns, tmp_path):
    """A satellite receiver's speed of 80 ms ago; and a logger of 20 rows a second."""
    found = {}
    for name, form in (("plain", {}), ("late", {"late_s": 0.08}), ("slow", {"rate": 20})):
        path = tmp_path / f"{name}.csv"
        path.write_text(log_text(columns[0], 5, **form))
        found[name] = fit(given(), [measure(read_trace(path), given(), None)], frozenset())
    later = found["late"].late[0]["speed"] - found["plain"].late[0]["speed"]
    assert later == pytest.approx(0.08, abs=0.035)  # one standard deviation of what it is given, 0.03 s, off
    for name, one in found.items():
        for channel, (_, left) in rest_of(one)[0].items():
            assert left < _POOR[channel], (name, channel)


def test_a_steady_pull_is_no_wheel_s():
    time = np.linspace(0, 3, 300)
    lift = np.where((time > 0.4) & (time < 1.6), 300.0, 0.0)
    speed = 20 * time - 1.5 * time**2
    assert source(time, speed, lift, None) == "road"
    slip = 1 + 0.12 * np.exp(-time)
    assert source(time, speed, lift, 700 * speed * slip) == "road"
    assert source(time, speed, lift, 700 * speed) == "shaft"
    coasting = np.where((time > 0.4) & (time < 1.6), 20 * 0.4, speed)
    assert source(time, coasting, lift, None) == "front"
    assert source(time, 100 * time, lift, None) == "shaft"
