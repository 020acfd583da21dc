"""Golden vectors: the files compile, run, agree with each other, and tell a wrong core."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from bench.calibration.image import unpack
from bench.twin.case import Case
from bench.twin.compare import INPUTS
from bench.vectors.command import vectors
from bench.vectors.write import make_outputs, write_vectors
from controller import Controller
from controller.constants import FAULT_TICK
from firmware_model.core_sources import CORE, core_files
from tests import ROOT
from tests.core_support import STRICT
from tests.tools import need, run

CASE = Case(3, 3, 1500)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("vectors")
    inputs = CASE.inputs()
    write_vectors(CASE.image, inputs, make_outputs(CASE.image, inputs), made, "a source */ of three")
    return made


def build(folder: Path, *sources: Path) -> Path:
    program = folder / "vectors"
    strict = [flag for flag in STRICT if flag != "-Wconversion"]
    run(*need("gcc"), *strict, f"-I{CORE}", f"-I{folder}", *sources, folder / "vectors_main.c", "-o", program)
    return program


def outcome(program: Path) -> tuple[int, str]:
    done = subprocess.run([program], capture_output=True, text=True, check=False, timeout=60)
    return done.returncode, done.stdout


def test_the_core_reproduces_them(folder: Path) -> None:
    assert outcome(build(folder, *core_files())) == (0, "")


@pytest.mark.parametrize(
    ("name", "right", "wrong", "said"),
    [
        ("latch.c", "l->hold = follows ? 0 : hold;", "l->hold = follows ? 0 : hold - 1;", "tick "),
        ("events.c", "reduction >= LIFT_FULL ||", "reduction > 100 ||", "event "),
        pytest.param(
            "height.c",
            "= (int16_t)height;",
            "= (int16_t)(height ^ 1);",
            "state after tick 1499",
            marks=pytest.mark.slow,
        ),
        pytest.param(
            "step.c", "ll->elapsed_us %= 1000;", "ll->elapsed_us %= 1001;", "tick ", marks=pytest.mark.slow
        ),
        pytest.param(
            "image.c",
            "type, 1, least, greatest}",
            "type, 1, least, least}",
            "image 0",
            marks=pytest.mark.slow,
        ),
    ],
)
def test_a_wrong_core_is_told(
    folder: Path, tmp_path: Path, name: str, right: str, wrong: str, said: str
) -> None:
    sources = []
    for source in core_files():
        text = source.read_text()
        if source.name == name:
            assert right in text
            text = text.replace(right, wrong)
        sources.append(tmp_path / source.name)
        sources[-1].write_text(text)
    for file in ("vectors.h", "vectors_main.c"):
        (tmp_path / file).write_text((folder / file).read_text())
    code, shown = outcome(build(tmp_path, *sources))
    assert code == 1
    assert shown.startswith(said)
    assert shown.endswith("differs\n")


def test_the_lines_say_the_same_as_the_reference(folder: Path) -> None:
    lines = (folder / "vectors.jsonl").read_text().splitlines()
    head = json.loads(lines[0])
    image = bytes.fromhex(head["image"])
    assert unpack(image) == unpack(CASE.image)
    assert head["inputs"] == list(INPUTS)
    assert head["ticks"] == len(lines) - 1 == 1500
    reference = Controller()
    assert reference.load(image) == 0
    events = 0
    for line in lines[1:]:
        tick = json.loads(line)
        reference.step(*tick["in"])
        made = dict(zip(head["outputs"], tick["out"], strict=True))
        assert made["reduction"] == reference.command.reduction
        assert made["lift"] == reference.lift.value
        assert made["faults"] == reference.faults
        assert made["hold_left"] == reference.reduction.hold_left
        for cylinder, bits in tick["events"]:
            assert reference.event(cylinder) == bits
            events += 1
    assert reference.digest() == head["digest"]
    assert events > 50


def test_the_command(tmp_path: Path) -> None:
    out = tmp_path / "out"
    arguments = [
        str(ROOT / "traces" / "clean_launch.csv"),
        *("--calibration", str(ROOT / "traces" / "demo.toml"), "--out", str(out), "--ticks", "4000"),
    ]
    done = CliRunner().invoke(vectors, arguments)
    assert done.exit_code == 0, done.output
    assert done.output.startswith("4000 ticks of 1000 µs from ")
    assert outcome(build(out, *core_files())) == (0, "")
    rows = [json.loads(line) for line in (out / "vectors.jsonl").read_text().splitlines()[1:]]
    assert not any(row["out"][4] & FAULT_TICK for row in rows)
    assert any(row["out"][0] > 0 for row in rows)


def test_too_many_ticks_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench.vectors.command.MOST_TICKS", 100)
    arguments = [
        str(ROOT / "traces" / "clean_launch.csv"),
        *("--calibration", str(ROOT / "traces" / "plain.toml"), "--out", str(tmp_path / "out")),
    ]
    done = CliRunner().invoke(vectors, arguments)
    assert "ticks are too many for a file to compile; take the first 100 or fewer" in str(done.exception)
    assert list(tmp_path.iterdir()) == []
