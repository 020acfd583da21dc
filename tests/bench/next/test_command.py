"""`liftlatch next`: what a person gets between two runs."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest

from bench.book.store import Book
from bench.calibration import load
from tests import ROOT
from tests.bench.test_terminal import here
from tests.fit_support import car_off_by, record
from tests.vehicle_support import NOT_BUILT
from tests.weekends.weekend import FOLDER

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))


@pytest.fixture
def car(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(ROOT / "traces" / "demo_car.toml", tmp_path / "car.toml")
    shutil.copy(ROOT / "traces" / "demo.toml", tmp_path / "calibration.toml")
    (tmp_path / "liftlatch.toml").write_text(FOLDER)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: object) -> tuple[int, str, str]:
    return here("next", *map(str, words))


@pytest.mark.slow
def test_two_rounds(car: Path) -> None:
    """A car unlike its file; what is proposed is driven, and what was said of it is kept and scored."""
    true = car_off_by(0.05, 101)
    first = record(car / "run1.csv", true, 2.0, 1, driven=load(car / "calibration.toml"))
    code, out, err = run(first, "--distance", "60", "--json", "--note", "first")
    assert code == 0, err
    facts = json.loads(out)
    names = [step["step"] for step in facts["steps"]]
    assert "same" in names
    assert len(names) > 1
    assert facts["fit"]["runs"] == [1]
    assert facts["last"]["note"] == "first"
    folder = car / "book" / "0001" / "next"
    present = load(car / "calibration.toml")
    for step in facts["steps"]:
        made = load(folder / f"{step['step']}.toml")
        assert f"{made.crc:08x}" == step["image_crc32"]
        assert made.warnings == present.warnings
        assert (made.crc == present.crc) == (step["step"] == "same") == (not step["changed"])
        for figure in step["figures"].values():
            assert figure["low"] <= figure["expected"] <= figure["high"]
    by_name = {step["step"]: step for step in facts["steps"]}
    if "safer" in by_name:
        lifts, landings = (
            [by_name[name]["figures"].get(figure, {"expected": 0})["expected"] for name in ("safer", "same")]
            for figure in ("peak_lift_mm", "landing_m_per_s")
        )
        assert lifts[0] < lifts[1] or landings[0] < landings[1]
    if "faster" in by_name:
        times = [by_name[name]["figures"]["time_s"]["expected"] for name in ("faster", "same")]
        assert times[0] < times[1]
        assert by_name["faster"]["keeps_limits"]
    page = (folder / "report.html").read_text()
    assert "modelled" in page
    for step in facts["steps"]:  # what gets worse stands before what is expected
        for line in step["worse"]:
            assert "than with" in line
            assert page.index("In the model: Worse with") < page.index("What is expected")
    assert tomllib.loads((folder / "fitted.toml").read_text())["scatter"]["fit"]
    # the next round: a step is driven, and scored
    taken = names[0]
    second = record(car / "run2.csv", true, 2.0, 2, driven=load(folder / f"{taken}.toml"))
    code, out, err = run(second, "--distance", "60", "--step", taken)
    assert code == 0, err
    assert "Predictions" in out
    row = Book(car / "book").row(2)
    assert row.crc == by_name[taken]["image_crc32"]
    assert row.predictions["steps"]


@pytest.mark.slow
def test_a_car_that_the_model_does_not_describe_gets_no_prediction(car: Path) -> None:
    """A height that follows nothing the model knows: the nose waits in the air as no car does."""
    path = record(car / "run.csv", car_off_by(0.05, 3), 2.0, 3, driven=load(car / "calibration.toml"))
    lines = path.read_text().splitlines()
    for i, line in enumerate(lines[2:], 2):
        cells = line.split(",")
        since = float(cells[0]) - 1.0
        if since > 0.3:
            cells[1] = f"{300 + 120 * (int(4 * since) % 2):.2f}"
        lines[i] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n")
    code, out, _ = run(path)
    assert code == 1
    assert "No prediction: " in out
    assert not list((car / "book" / "0001").glob("next/*er.toml"))
    assert Book(car / "book").row(1).predictions == {}


def test_what_goes_wrong_is_one_line(car: Path) -> None:
    assert "has no run yet" in run()[2]
    shutil.copy(ROOT / "traces" / "clean_launch.csv", car)
    assert "the last run has no step faster" in run("clean_launch.csv", "--step", "faster")[2]
    assert not (car / "book").exists()
