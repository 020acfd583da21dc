"""Words on the command line that mean nothing: one clear line, and nothing is run."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from bench.cli import liftlatch
from bench.errors import UserError
from tests import ROOT

TRACE = str(ROOT / "traces/clean_launch.csv")
CALIBRATION = str(ROOT / "traces/demo.toml")
CAR = str(ROOT / "traces/demo_car.toml")
REPLAY = ["replay", TRACE, "--calibration", CALIBRATION]
SWEEP = ["sweep", TRACE, "--calibration", CALIBRATION, "--vary", "hold_ms=1"]
SEARCH = ["search", "--vehicle", CAR, "--calibration", CALIBRATION, "--limit", "lift_mm=300"]
PREDICT = ["predict", "--vehicle", CAR, "--calibration", CALIBRATION]
PORT = ["--port", "loop://"]


def said(words: list[str]) -> str:
    """The line that a command ends with."""
    done = CliRunner().invoke(liftlatch, words, standalone_mode=False)
    assert done.stdout == ""
    if isinstance(done.exception, click.ClickException):
        return done.exception.format_message()
    assert isinstance(done.exception, UserError), done.exc_info
    return str(done.exception)


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ([*REPLAY, "--speed", "nan"], "'nan' is not a valid number"),
        ([*REPLAY, "--max-gap", "a"], "'a' is not a valid number"),
        ([*REPLAY, "--rate", "nan"], "'nan' is not a valid number"),
        ([*SEARCH, "--share", "nan"], "'nan' is not a valid number"),
        ([*SEARCH, "--cars", "9.5"], "'9.5' is not a valid whole number"),
        ([*PREDICT, "--noise", "nan"], "'nan' is not a valid number"),
        ([*PREDICT, "--distance", "61"], "'61' is none of 60, 330, 660, 1000, 1320 ft"),
        (["verify", TRACE, "--calibration", CALIBRATION, *PORT, "--timeout", "nan"], "not a valid number"),
        (["record", "run.csv", *PORT, "--seconds", "nan"], "not a valid number"),
        (["record", "run.csv", *PORT, "--baud", "0"], "0 is not in the range"),
    ],
)
def test_what_is_no_number_is_refused(words: list[str], line: str) -> None:
    assert line in said(words)


@pytest.mark.parametrize(
    "words",
    [
        ["replay", "", "--calibration", CALIBRATION],
        ["replay", TRACE, "--calibration", ""],
        [*REPLAY, "--out", ""],
        ["calibration", "check", ""],
        ["desk", "", "--calibration", CALIBRATION],
        ["predict", "--vehicle", "", "--calibration", CALIBRATION],
    ],
)
def test_an_empty_name_is_refused(words: list[str]) -> None:
    """As a variable of the shell leaves it that was never set."""
    assert "the name is empty" in said(words)


@pytest.mark.parametrize("words", [SWEEP, SEARCH])
def test_an_empty_cluster_does_not_mean_this_machine(words: list[str]) -> None:
    assert "no Dask scheduler at" in said([*words, "--cluster", ""])


def test_a_calibration_of_a_device_that_plays_nothing() -> None:
    assert "is for --plays only" in said(["device", "--calibration", CALIBRATION])


@pytest.mark.parametrize("command", ["calibration check", "predict"])
def test_what_cannot_be_read_is_named(command: str) -> None:
    """/proc/self/mem opens, and its first byte cannot be read (proc(5)): an OSError without a name."""
    file = "/proc/self/mem"
    words = [*command.split(), *(["--calibration", CALIBRATION, "--vehicle"] if command == "predict" else [])]
    done = CliRunner().invoke(liftlatch, [*words, file], standalone_mode=False)
    assert isinstance(done.exception, OSError)
    assert done.exception.filename == file


@pytest.mark.parametrize("command", ["calibration check", "predict"])
def test_an_empty_file_is_not_called_another_kind(command: str, tmp_path: Path) -> None:
    path = tmp_path / "empty.toml"
    path.touch()
    words = [*command.split(), *(["--calibration", CALIBRATION, "--vehicle"] if command == "predict" else [])]
    assert said([*words, str(path)]) == f"{path}: is empty; key = value, one a line"
