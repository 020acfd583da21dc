"""A controller with a clock and a converter of its own."""

from __future__ import annotations

import numpy as np
import pytest

from bench.blackbox.played import played
from bench.blackbox.unit import LEAD_DEG, Limits, Unit, parse_limits, reference, seen
from bench.errors import UserError
from controller import Controller
from firmware_model import binding
from tests.bench.blackbox.test_played import steady
from tests.blackbox_support import edges_of_core, image, square


def test_a_perfect_unit_reads_what_was_recorded() -> None:
    run = square()
    read = seen(run.wires, run.calibration, Unit())
    rows = run.rows[: len(read.inputs)]
    assert (read.inputs["counts"] == rows["counts"]).all()
    assert (read.inputs["switches"] == rows["switches"]).all()
    on = rows["speed"] > 0
    steady_ticks = on & (np.convolve(on, np.ones(200), "full")[: len(on)] == 200)
    assert np.abs(read.inputs["speed"][steady_ticks].astype(int) - 600).max() <= 1
    assert np.abs(read.inputs["engine"][200:].astype(int) - 6000).max() <= 3


def test_noise_gain_offset_phase_and_drift_are_what_the_unit_says() -> None:
    run = played(steady(engine=3000), image())
    unit = Unit(phase=0.25, gain=1.01, offset=3.0, drift=100e-6, noise=2, seed=5)
    read = seen(run.wires, run.calibration, unit)
    counts = read.inputs["counts"].astype(int)
    assert set(counts.tolist()) == {1011, 1012, 1013, 1014, 1015}  # 1000 * 1.01 + 3, and 2 either way
    assert counts.mean() == pytest.approx(1013, abs=0.2)
    assert read.tick_at[0] == pytest.approx(250.0)
    assert np.diff(read.tick_at) == pytest.approx(1000.1)


def test_a_crank_that_stands_still_has_no_speed() -> None:
    rows = steady(engine=3000)
    rows["engine"][1000:] = 0
    run = played(rows, image())
    read = seen(run.wires, run.calibration, Unit())
    assert read.inputs["engine"][run.before + 900] == 3000
    assert read.inputs["engine"][run.before + 1999] == 0


def test_the_reference_is_the_controller_stepped_event_by_event() -> None:
    for number in range(3):
        unit = Unit.drawn(Limits(), number)
        unit = Unit(unit.phase, unit.gain, unit.offset, unit.drift, 2, 20.0, 30.0, 0.0, number)
        ours = reference(square(), unit)
        core = Controller() if binding.available() else binding.Core()
        other = edges_of_core(core, unit, square())
        for name in ("fuel", "fuel_us", "spark", "spark_us"):
            assert (getattr(ours, name) == getattr(other, name)).all(), name


def test_the_spark_comes_later_by_the_retard() -> None:
    run = played(steady(engine=3000, request_retard=100), image())
    made = reference(run, Unit())
    late = made.spark_us * run.turning - LEAD_DEG
    middle = (run.crank > (run.before + 100) * 1000) & (run.crank < (run.before + 1900) * 1000)
    assert late[middle] == pytest.approx(10.0, abs=0.1)  # 10 degrees were asked for


def test_drawn_units_lie_within_their_limits_and_reach_them() -> None:
    units = [Unit.drawn(Limits(), seed) for seed in range(300)]
    assert {abs(round(unit.drift * 1e6, 6)) for unit in units} >= {100.0}
    assert max(abs(unit.gain - 1) for unit in units) == pytest.approx(0.001)
    assert max(abs(unit.offset) for unit in units) == 1.0
    assert min(unit.phase for unit in units) < 0.02 < 0.98 < max(unit.phase for unit in units)


def test_limits_are_read_and_wrong_ones_named() -> None:
    assert parse_limits(None) == Limits()
    assert parse_limits("noise=4, drift=50") == Limits(noise=4, drift_ppm=50.0)
    for text in ("noise", "noise=1.5", "noise=-1", "voltage=3", "drift=nan", "gain=99"):
        with pytest.raises(UserError, match="no limit"):
            parse_limits(text)
