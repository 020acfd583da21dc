"""The way from a run to a verified device: the commands that bench.readme.walk finds there."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest

from bench.cli import liftlatch
from bench.device.emulated import missing
from bench.readme.walk import HERE, PAGES, PICTURES, not_printed, steps
from tests import ROOT

OWN, WALK, STANDS = (page.read_text(encoding="utf-8") for page in PAGES)
README = (ROOT / "README.md").read_text(encoding="utf-8")


def options_known(command: str, words: list[str]) -> None:
    step: click.Command | None = liftlatch
    while isinstance(step, click.Group):
        step = step.get_command(click.Context(step), words.pop(0))
    assert step is not None
    known = {name for option in step.params for name in option.opts}
    assert {word for word in words if word.startswith("--")} <= known, command


def test_the_way_has_all_its_steps_and_options() -> None:
    found = steps(WALK)
    programs = [shlex.split(command)[:2] for command, _ in found]
    assert programs[0][0] == "sed"
    assert programs[1:] == [["bench/run", name] for name in ("fit", "search", "predict", "verify")]
    for command, shown in found[1:]:
        options_known(command, shlex.split(command)[1:])
        assert shown, command
    for name in PICTURES:
        assert (HERE / name).is_file()
        assert f"(bench/readme/{name})" in README or f"(../readme/{name})" in WALK + OWN + STANDS


def test_an_own_run_has_all_its_steps_and_options() -> None:
    found = steps(OWN)
    programs = [command.split()[:3] for command, _ in found]
    assert [program for program in programs if program[0] == "bench/run"] == [
        ["bench/run", "trace", "show"],
        ["bench/run", "trace", "learn"],
        ["bench/run", "replay", "out/run.csv"],
        ["bench/run", "replay", "out/run.csv"],
    ]
    for command, _ in found:
        words = shlex.split(command)
        if words[0] == "bench/run":
            options_known(command, words[1:])


@pytest.mark.slow
def test_an_own_run_prints_what_its_page_shows(tmp_path: Path) -> None:
    for name in ("bench", "traces", ".venv"):
        (tmp_path / name).symlink_to(ROOT / name)
    (tmp_path / "out").mkdir()
    for command, shown in steps(OWN):
        done = subprocess.run(
            ["bash", "-c", command], cwd=tmp_path, stdout=subprocess.PIPE, text=True, check=True
        )
        assert not_printed(shown, done.stdout) == [], command


def test_the_way_to_a_stand_test_has_all_its_steps_and_options() -> None:
    found = steps(STANDS)
    names = ("start", "sensor", "calibration", "load", "stand")
    assert [shlex.split(command)[:2] for command, _ in found] == [["bench/run", name] for name in names]
    for command, shown in found:
        options_known(command, shlex.split(command)[1:])
        assert shown, command


@pytest.mark.slow
@pytest.mark.skipif(missing() is not None, reason=str(missing()))
def test_the_way_to_a_stand_test_prints_what_its_page_shows(tmp_path: Path) -> None:
    """From an empty folder to a passed stand test on the emulated board."""
    (tmp_path / "traces").symlink_to(ROOT / "traces")
    for command, shown in steps(STANDS):
        words = [sys.executable, "-c", "from bench.cli import main; main()", *shlex.split(command)[1:]]
        done = subprocess.run(
            words, cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdin=subprocess.DEVNULL,
            capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert not_printed(shown, done.stdout) == [], command
        assert all(len(line) <= 80 for line in done.stdout.splitlines())
    assert (tmp_path / "out" / "stand" / "junit.xml").exists()


def test_what_was_not_printed_is_named() -> None:
    printed = "title\n  one   1.0\nrun.csv: equal, 12 ticks (every\n  output), 300 a second\n"
    assert (
        not_printed(["    one 1.0", "    run.csv: equal, 12 ticks (every output), 99 a second"], printed)
        == []
    )
    assert not_printed(["    one 1.1"], printed) == ["one 1.1"]
