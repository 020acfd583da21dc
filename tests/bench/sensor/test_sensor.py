"""`liftlatch sensor`: from recordings to keys, and bad input."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bench.calibration import load
from bench.calibration.guesses import guesses
from bench.cli import liftlatch
from bench.errors import UserError
from bench.replay.inputs import from_trace
from bench.replay.run import run as step
from bench.trace.read import read_trace
from controller.constants import FAULT_UNUSED
from tests.bench.sensor.support import counts, steps, write
from tests.bench.start.test_start import ANSWERS, options
from tests.vehicle_support import CALIBRATION_PATH

LIFTS = [0, 50, 100, 150, 200, 250]
GAIN = 0.883


def run(*words: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(liftlatch, [str(word) for word in words])
    if isinstance(done.exception, UserError):
        return 2, str(done.exception)
    return done.exit_code, done.output


def facts_of(*words: str | Path) -> dict[str, Any]:
    code, said = run("sensor", *words, "--json")
    assert code == 0, said
    found: dict[str, Any] = json.loads(said)
    return found


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recordings of a sensor that is not the calibration's: bent, of 5 ms, with a spread of 1.5 mm."""
    folder = tmp_path_factory.mktemp("sensor")
    write(folder / "blocks.csv", counts(steps([130 + lift / GAIN for lift in LIFTS]), 1.5, 1))
    write(folder / "still.csv", counts(np.full(10_000, 130.0), 1.5, 2))
    hand = 130 + 100 * (1 - np.cos(np.arange(9000) / 600))
    read = counts(np.roll(hand, 12), 1.5, 3)
    read[4000:4300] = 4095
    write(folder / "hand.csv", read, rod_mm=hand)
    return folder


def test_the_keys_are_those_of_the_sensor(files: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    found = facts_of(
        *(files / f"{name}.csv" for name in ("blocks", "still", "hand")), "--calibration", CALIBRATION_PATH,
        "--heights", ",".join(map(str, LIFTS)), "--heights-are", "lifts", "--against", "rod:mm", "--out", out,
    )  # fmt: skip
    shows = [one["shows"] for one in found["recordings"]]
    assert shows == ["known heights", "a car that stands", "a nose that moves"]
    assert found["mistakes"] == []
    new = tomllib.loads((out / "calibration.toml").read_text(encoding="utf-8"))
    sensor = new["sensor"]
    assert (sensor["period_ms"], sensor["agree_samples"], sensor["rest_height_mm"]) == (5, 2, 130)
    assert sensor["measured_noise_mm"] == pytest.approx(1.5, rel=0.07)
    assert sensor["noise_mm"] in (6.0, 6.5)
    assert new["filter"]["time_constant_ms"] > 4
    # the curve, through the whole converter, is the truth where it was measured
    made = load(out / "calibration.toml")
    heights = np.linspace(132, 410, 30)
    truth = np.interp(heights, (130, 300, 500), (1150, 2400, 3950))
    assert np.abs(made.counts_to_height(truth) - heights).max() < 1.0
    assert len(sensor["curve_v"]) == 3
    assert found["delay"]["ms"] == pytest.approx(14, abs=2)  # 12 ms late, and held for 5
    hand = found["recordings"][2]
    assert hand["nothing"] == 4095
    assert not any("nothing" in line for line in found["not_shown"])
    assert any("noise_mm = 3 IS TOO SMALL" in line for line in found["alarm"])
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary == found
    assert "<svg" in (out / "sensor.svg").read_text(encoding="utf-8")


def test_with_the_new_keys_the_controller_uses_the_readings(tmp_path: Path) -> None:
    """The point of it: 3 mm of spread at noise_mm = 3 are often not used, and are with what is proposed."""
    height = 130 + np.random.default_rng(7).normal(0, 3, 8000)
    still, out = write(tmp_path / "still.csv", np.round(height * 4096 / 500)), tmp_path / "out"
    found = facts_of(still, "--calibration", CALIBRATION_PATH, "--out", out)
    assert found["mistakes"] == []
    unused = []
    for path in (CALIBRATION_PATH, out / "calibration.toml"):
        calibration = load(path)
        inputs = from_trace(read_trace(still), calibration)
        done = step("reference", calibration.image, inputs.arrays)
        unused.append(float(np.mean((done.ticks["faults"][100:] & FAULT_UNUSED) != 0)))
    # The difference of two readings spreads by 3 * sqrt(2) mm; allowed are 3 + 5 mm, then 12 + 5. Of a normal
    # distribution 6 % and 0.006 % lie beyond; each that is not used widens what the next may differ by.
    assert 0.04 < unused[0] < 0.06
    assert unused[1] < 0.0005


def test_a_recording_that_shows_nothing_new_asks_for_nothing(tmp_path: Path) -> None:
    """Quiet, of 1 ms, with the calibration's own curve."""
    random = np.random.default_rng(4)
    height = 130 + random.normal(0, 0.6, 5000)
    still = write(tmp_path / "still.csv", np.round(height * 4096 / 500))
    found = facts_of(still, "--calibration", CALIBRATION_PATH)
    assert [one["key"] for one in found["keys"] if one["changes"]] == ["sensor.measured_noise_mm"]
    assert found["alarm"] == []
    assert any("known heights" in line for line in found["not_shown"])


def test_blocks_under_the_sensor_come_off_the_rest_height(tmp_path: Path) -> None:
    blocks = write(tmp_path / "b.csv", np.round(steps([131, 106, 81, 56]) * 4096 / 500 + 20))
    words = (blocks, "--calibration", CALIBRATION_PATH, "--heights", "0,25,50,75", "--rest-height", "131")
    curve = facts_of(*words)["curve"]
    assert curve["known_mm"] == [131, 106, 81, 56]
    (x0, y0), (x1, y1) = curve["points"]
    assert (y1 - y0) / (x1 - x0) == pytest.approx(500 / 4096, rel=0.01)
    assert y0 == pytest.approx((x0 - 20) * 500 / 4096, abs=0.2)


def test_a_reading_that_never_moves_is_said_first(tmp_path: Path) -> None:
    frozen = write(tmp_path / "frozen.csv", np.full(3000, 1065.0))
    code, said = run("sensor", frozen, "--calibration", CALIBRATION_PATH)
    assert code == 0
    assert "THE READING NEVER MOVES" in said.split("Keys of the calibration", maxsplit=1)[0]


def test_what_is_read_of_nothing_inside_the_window_moves_its_end(tmp_path: Path) -> None:
    read = np.round((130 + np.random.default_rng(5).normal(0, 0.8, 6000)) * 4096 / 500)
    read[2000:2400] = 3900
    lost = write(tmp_path / "lost.csv", read)
    found = facts_of(lost, "--calibration", CALIBRATION_PATH)
    (window,) = (one for one in found["keys"] if one["key"] == "sensor.window_counts")
    low, high = json.loads(window["proposed"])
    assert low == 40
    assert read[read != 3900].max() < high < 3900
    assert any("lie inside the window" in line for line in found["alarm"])


def test_a_guess_of_a_start_is_no_guess_any_more(tmp_path: Path) -> None:
    car = tmp_path / "car"
    assert run("start", car, *options(**ANSWERS))[0] == 0
    path = car / "calibration.toml"
    assert any("noise_mm" in line for line in guesses(path.read_text(encoding="utf-8"), path))
    calibration = load(path)
    height = 130 + np.random.default_rng(6).normal(0, 0.6, 6000)
    still = write(tmp_path / "still.csv", np.round(calibration.height_to_counts(height)))
    text = facts_of(still, "--calibration", path)["proposed_calibration"]
    assert not any("noise_mm" in line for line in guesses(text, path))
    assert "# computed: 4 times the spread of 0.6" in text


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--heights", "0,50"], "2 heights given, 6 plateaus found"),
        (["--heights", "0,fifty"], "'0,fifty' is no list of heights"),
        (["--heights", "50"], "'50' is no list of heights"),
        (["--heights", "0,50,50"], "has a height twice"),
        (["--heights", "0,100,50,150,200,250", "--heights-are", "lifts"], "do not go one way"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(files: Path, words: list[str], what: str) -> None:
    code, said = run("sensor", files / "blocks.csv", "--calibration", CALIBRATION_PATH, *words)
    assert code == 2
    assert what in said
    assert "\n" not in said.strip()


def test_mm_and_counts_do_not_go_together(files: Path, tmp_path: Path) -> None:
    other = write(tmp_path / "mm.csv", np.full(3000, 130.0) + np.arange(3000) % 2, "mm")
    code, said = run("sensor", files / "still.csv", other, "--calibration", CALIBRATION_PATH)
    assert code == 2
    assert "give the same kind of channel" in said
