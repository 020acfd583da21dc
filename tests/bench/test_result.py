"""A result is not replaced by one made from other inputs, unless that is asked for."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from bench.cli import liftlatch
from bench.errors import UserError
from bench.files import MANIFEST
from tests import ROOT

TRACES = ROOT / "traces"


def run(*words: object) -> None:
    done = CliRunner().invoke(liftlatch, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == 0, done.output


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for name in ("clean_launch.csv", "demo.toml", "plain.toml"):
        shutil.copy(TRACES / name, tmp_path)
    lines = (TRACES / "clean_launch.csv").read_text().splitlines(keepends=True)
    (tmp_path / "clean_launch.csv").write_text("".join(lines[:400]))
    return tmp_path


def vectors(files: Path, *more: object, calibration: str = "demo.toml") -> None:
    given = ("--calibration", files / calibration, "--out", files / "out")
    run("vectors", files / "clean_launch.csv", *given, *more)


def refused(files: Path, what: str, *more: object, calibration: str = "demo.toml") -> None:
    before = (files / "out" / MANIFEST).read_bytes()
    with pytest.raises(UserError, match=f"made with another {what}") as said:
        vectors(files, *more, calibration=calibration)
    assert said.value.right.endswith("--replace")
    assert (files / "out" / MANIFEST).read_bytes() == before


def test_what_was_made_from_other_inputs_stays(files: Path) -> None:
    vectors(files, "--ticks", 20)
    vectors(files, "--ticks", 20)
    refused(files, "--ticks", "--ticks", 30)
    refused(files, "--calibration", "--ticks", 20, calibration="plain.toml")
    text = (files / "demo.toml").read_text()
    (files / "demo.toml").write_text(text + "\n# a note\n")
    refused(files, "--calibration", "--ticks", 20)
    (files / "demo.toml").write_text(text)
    (files / "layout.toml").write_text('[layout]\nheader = ["Nothing of this trace"]\n')
    refused(files, "TRACE", "--ticks", 20)
    vectors(files, "--ticks", 30, "--replace")
    vectors(files, "--ticks", 30)


def test_files_count_by_their_content_wherever_they_lie(files: Path, tmp_path: Path) -> None:
    vectors(files, "--ticks", 20)
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    for name in ("clean_launch.csv", "demo.toml", "out"):
        (files / name).rename(moved / name)
    vectors(moved, "--ticks", 20)


def test_what_says_nothing_of_its_inputs_stays_too(files: Path) -> None:
    vectors(files, "--ticks", 20)
    manifest = files / "out" / MANIFEST
    lines = manifest.read_text().splitlines(keepends=True)
    manifest.write_text("".join(line for line in lines if not line.startswith("\t")))
    with pytest.raises(UserError, match="does not say what it was made from"):
        vectors(files, "--ticks", 20)
    vectors(files, "--ticks", 20, "--replace")


def test_a_person_s_file_is_not_replaced_with_replace_either(files: Path) -> None:
    vectors(files, "--ticks", 20)
    (files / "out" / "notes.txt").write_text("mine")
    with pytest.raises(UserError, match=r"notes\.txt, which is not part"):
        vectors(files, "--ticks", 20, "--replace")


def test_every_out_has_replace() -> None:
    import click

    from tests.bench.test_terminal import every_command

    for name, command in every_command():
        options = {word for one in command.params if isinstance(one, click.Option) for word in one.opts}
        assert ("--out" in options) == ("--replace" in options), name
