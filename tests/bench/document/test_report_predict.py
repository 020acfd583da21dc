"""What the page of a prediction says in words, without a browser."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.vehicle.document import make_document
from bench.vehicle.facts import make_facts
from bench.vehicle.predict import Options, predict
from tests.vehicle_support import NOT_BUILT, calibration, demo

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))


def test_a_car_that_turned_over_has_no_landing() -> None:
    """0 m/s would read as the softest of landings."""
    car = replace(demo().car, bar_rate=0.0)
    predicted = predict(replace(demo(), car=car), calibration(), Options(feet=330))
    found = make_facts(predicted, ["predict"])
    made = make_document(found, predicted)
    assert found["without"]["end"] == "turned over"
    assert found["without"]["landing_speed_mps"] is None
    landed = found["with"]["landing_speed_mps"]
    assert landed > 0
    assert made.answer[0].endswith(f"It lands at {landed:.2f} m/s with it, never without it.")
    assert (f"{landed:.2f} m/s", "landing, never without") in made.key
    assert any("Without the controller" in text and "turned over" in text for text in made.alarm)


def test_both_landings_are_told_with_their_numbers() -> None:
    predicted = predict(demo(), calibration(), Options(feet=330))
    found = make_facts(predicted, ["predict"])
    speeds = [found[side]["landing_speed_mps"] for side in ("with", "without")]
    assert min(speeds) > 0
    made = make_document(found, predicted)
    assert f"It lands at {speeds[0]:.2f} m/s with it, at {speeds[1]:.2f} m/s without it." in made.answer[0]
    # what gets worse stands first: the demo's common hold drops the nose
    assert made.alarm == found["harm"]
    assert f"lands harder, {speeds[0]:.2f} m/s ({speeds[1]:.2f})" in made.alarm[0]
