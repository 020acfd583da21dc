"""verify --vehicle as a person runs it: a device as a process, a car that it moves."""

from __future__ import annotations

import json

import pytest

from tests.bench.verify.test_verify_command import CALIBRATION, device, liftlatch
from tests.vehicle_support import CAR_PATH, NOT_BUILT

pytestmark = [
    pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT)),
    pytest.mark.slow,  # a run of eight thousand steps, each waiting for the one before
]


def drive(port, *arguments):
    return liftlatch(
        "verify", "--vehicle", CAR_PATH, "--calibration", CALIBRATION, "--port", port, *arguments
    )


def test_a_good_device_drives_the_car_as_the_reference_would(tmp_path):
    with device("--core", "c") as port:
        done = drive(port, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "demo_car.toml: equal" in done.stdout
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["traces"][0]["verdict"] == "equal"


def test_a_bug_is_found_with_the_car_as_well():
    with device("--bug", "hold-short") as port:
        done = drive(port)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "demo_car.toml: different at tick" in done.stdout
    assert "state rest instead of hold" in done.stdout
    assert "replay id" not in done.stdout
