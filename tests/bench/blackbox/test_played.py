"""A run as wires: what is put out when."""

from __future__ import annotations

import numpy as np
import pytest

from bench.blackbox.played import DAC_MOST, played
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID
from tests.blackbox_support import image, square


def steady(seconds: float = 2.0, **fields: int) -> np.ndarray:
    rows = np.zeros(int(seconds * 1000), INPUT)
    rows["counts"] = 1000
    rows["switches"] = SPEED_VALID
    for name, value in fields.items():
        rows[name] = value
    return rows


def test_pulses_come_as_often_as_the_rate_says() -> None:
    # Four strokes: 720 degrees a cycle. 8 cylinders at 1000 rpm: 1000 / 60 / 2 * 8 events a second, one in
    # 15 ms. 36 km/h are 10 m/s: 200 pulses a second of 20 a metre. 600 rpm are 10 turns a second: 80 pulses
    # of 8. (Arithmetic.)
    run = played(steady(engine=1000, speed=360, shaft=600), image())
    inside = slice(run.before * run.tick_us, (run.before + 2000) * run.tick_us)
    for pulses, every in ((run.crank, 15_000), (run.speed_pulses, 5000), (run.shaft_pulses, 12_500)):
        own = pulses[(pulses > inside.start) & (pulses < inside.stop)]
        assert set(np.diff(own).tolist()) <= {every - 1, every, every + 1}
        assert len(own) == pytest.approx(2_000_000 / every, abs=1)


def test_it_begins_and_ends_with_arming_off_and_the_voltage_is_of_full_scale() -> None:
    run = played(steady(switches=SPEED_VALID | ARMED | LAUNCH, engine=3000), image())
    switches = run.rows["switches"]
    assert not (switches[: run.before] & (ARMED | LAUNCH)).any()
    assert (switches[run.before : run.before + 2000] == SPEED_VALID | ARMED | LAUNCH).all()
    assert not (switches[run.before + 2000 :] & ARMED).any()
    assert len(run.rows) > run.before + 2000
    assert set(run.dac.tolist()) == {round(1000 * DAC_MOST / 4095)}


def test_what_no_wire_carries_is_cut() -> None:
    run = played(steady(counts=60_000, speed=60_000, request_reduction=5000, engine=3000), image())
    row = run.rows[run.before]
    assert (row["counts"], row["speed"], row["request_reduction"]) == (4095, 20_000, 1000)


def test_cylinders_follow_the_firing_order() -> None:
    assert square().cylinder[:9].tolist() == [1, 8, 4, 3, 6, 5, 7, 2, 1]
    assert square().turning[100] == pytest.approx(6000 * 360 / 60e6, rel=1e-3)
