"""The car's folder: what the command line does not say is found there, and only there."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bench import folder
from bench.cli import liftlatch
from bench.errors import UserError
from bench.files import MANIFEST
from tests import ROOT

TRACES = ROOT / "traces"
SAID = """\
calibration = "calibration.toml"
vehicle = "cars/car.toml"
layouts = ["*.none=logger.toml"]
port = "/dev/none"
distance_ft = 60
[limits]
lift_mm = 300
landing_m_per_s = 1.5
"""


@pytest.fixture
def car(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    here = tmp_path / "car"
    (here / "cars").mkdir(parents=True)
    (here / "days" / "one").mkdir(parents=True)
    shutil.copy(TRACES / "demo.toml", here / "calibration.toml")
    shutil.copy(TRACES / "plain.toml", here)
    shutil.copy(TRACES / "demo_car.toml", here / "cars" / "car.toml")
    lines = (TRACES / "clean_launch.csv").read_text().splitlines(keepends=True)
    (here / "run.csv").write_text("".join(lines[:400]))
    (here / folder.FILE).write_text(SAID)
    monkeypatch.chdir(here)
    return here


def run(*words: str) -> Result:
    return CliRunner().invoke(liftlatch, words)


def test_what_is_not_said_is_found_and_told(car: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = run("replay", "run.csv", "--json", "--out", "out")
    assert done.exit_code == 0, done.output
    assert "from liftlatch.toml: --calibration calibration.toml, --layout *.none=logger.toml" in done.stderr
    facts = json.loads(done.stdout)
    assert facts["calibration"]["file"] == "calibration.toml"
    assert facts["from_folder"]["--calibration"] == ["calibration.toml"]
    page = (car / "out" / "report.html").read_text()
    assert "From the folder" in page
    # below it the same, by another way there
    monkeypatch.chdir(car / "days" / "one")
    done = run("replay", "../../run.csv", "--json")
    assert json.loads(done.stdout)["calibration"]["file"] == "../../calibration.toml"
    # it is an input like one that is said
    text = (car / "calibration.toml").read_text()
    (car / "calibration.toml").write_text(text + "# a note\n")
    done = run("replay", "../../run.csv", "--out", "../../out")
    assert "made with another --calibration" in str(done.exception)
    assert "--calibration" in (car / "out" / MANIFEST).read_text()


def test_options_win(car: Path) -> None:
    done = run("replay", "run.csv", "--calibration", "plain.toml", "--layout", "*.x=y.toml", "--json")
    facts = json.loads(done.stdout)
    assert facts["calibration"]["file"] == "plain.toml"
    assert "from_folder" not in facts
    assert done.stderr == ""


def test_each_command_takes_what_it_needs(car: Path) -> None:
    """A device that is not there is asked for by its port, a board that is started has one of its own."""
    assert "FILE calibration.toml" in run("calibration", "check").stderr
    assert "calibration" not in run("trace", "show", "run.csv").stderr
    done = run("load")
    assert "--calibration calibration.toml, --port /dev/none" in done.stderr
    assert "/dev/none: there is no such port" in str(done.exception)
    assert "--calibration" not in run("load", "--show").stderr
    done = run("verify", "run.csv")
    assert "--vehicle" not in done.stderr
    done = run("stand", "--out", "stand.html")
    assert done.exit_code == 0
    assert "--port" not in done.stderr
    done = run("search", "--near", "0")  # stopped before it drives
    assert done.exit_code == 2
    assert "needs one of the two" not in done.output


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("calibraton = 'x'", "there is no key 'calibraton'; did you mean calibration?"),
        ("calibration = 3", "calibration: is no file's name"),
        ("port = 3", "port: is no text"),
        ("distance_ft = 'far'", "distance_ft: is no number"),
        ("limits = 3", "limits: is no table"),
        ("layouts = 3", "layouts: is no list"),
        ("calibration", "is not TOML"),
        ('calibration = "a"\ncalibration = "b"', "is given twice"),
        ("distance_ft = 660,5", "decimal comma"),
    ],
)
def test_a_wrong_file_is_one_line(car: Path, line: str, what: str) -> None:
    (car / folder.FILE).write_text(line + "\n")
    done = run("replay", "run.csv")
    assert isinstance(done.exception, UserError)
    assert what in str(done.exception)
    assert str(done.exception).count("\n") == 0
    assert run("replay", "--help").exit_code == 0
    assert run("completion", "bash").exit_code == 0


def test_outside_of_such_a_folder_nothing_changes(car: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(car.parent)
    done = run("replay", "car/run.csv")
    assert done.exit_code == 2
    assert "Missing option '--calibration'" in done.output
    done = run("replay", "car/run.csv", "--calibration", "car/plain.toml", "--json")
    assert "from_folder" not in json.loads(done.stdout)
