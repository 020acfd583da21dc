"""The conformance set as files: they compile, the core passes, and one that is wrong does not."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from bench.conformance.chosen_set import ConformanceSet, conformance_set
from bench.errors import UserError
from bench.vectors.command import vectors
from bench.vectors.conformance import FILES, write_set
from firmware_model.core_sources import CORE, core_files
from tests.core_support import STRICT
from tests.tools import need, run

SMALL = ConformanceSet(1, "", 0, 0, conformance_set().cases[:3])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("conformance")
    write_set(SMALL, made)
    return made


def outcome(folder: Path, *sources: Path) -> tuple[int, str]:
    program = folder / "run"
    run(
        *need("gcc"),
        *STRICT,
        f"-I{CORE}",
        f"-I{folder}",
        *sources,
        folder / "check.c",
        folder / "main.c",
        "-o",
        program,
    )
    done = subprocess.run([program], capture_output=True, text=True, check=False, timeout=60)
    return done.returncode, done.stdout


@pytest.mark.slow
def test_the_core_passes(folder: Path) -> None:
    code, said = outcome(folder, *core_files())
    assert (code, said.split(":")[0]) == (0, "equal")


@pytest.mark.parametrize(
    ("name", "right", "wrong", "said"),
    [
        ("latch.c", "l->hold = follows ? 0 : hold;", "l->hold = follows ? 0 : hold - 1;", "case "),
        pytest.param(
            "image.c",
            "c->near_end < high - low",
            "c->near_end <= high - low",
            "the verdict",
            marks=pytest.mark.slow,
        ),
        pytest.param("step.c", "LIFT_REASON_SAFE);", "LIFT_REASON_NONE);", "call 5", marks=pytest.mark.slow),
    ],
)
def test_a_wrong_core_does_not(
    folder: Path, tmp_path: Path, name: str, right: str, wrong: str, said: str
) -> None:
    changed = (CORE / name).read_text()
    assert changed.count(right) == 1
    (tmp_path / name).write_text(changed.replace(right, wrong))
    code, text = outcome(folder, *(path for path in core_files() if path.name != name), tmp_path / name)
    assert code == 1
    assert text.startswith(said), text


def test_the_lines_say_the_same_as_the_set(folder: Path) -> None:
    head, *lines = [json.loads(line) for line in (folder / "conformance.jsonl").read_text().splitlines()]
    assert head["cases"] == 3
    assert sum("case" in line for line in lines) == 3
    ticks = [line for line in lines if "in" in line]
    assert len(ticks) == sum(len(case.whole[0]) for case in SMALL.cases)
    case = SMALL.cases[0]
    assert ticks[5]["in"][0] == case.whole[0][5]
    assert ticks[5]["out"] == list(case.right.outputs.tolist()[5])
    assert bytes(b for line in ticks[: len(case.whole[0])] for b in line["events"]) == case.right.events
    assert sum("verdict" in line for line in lines) == head["images"]


def test_the_command_writes_the_set_and_takes_nothing_besides(tmp_path: Path) -> None:
    done = CliRunner().invoke(vectors, ["--conformance", "--out", str(tmp_path / "out"), "--json"])
    assert done.exit_code == 0, done.output
    said = json.loads(done.output)
    assert said["conformance"]["sha256"] == conformance_set().digest
    assert sorted(path.name for path in (tmp_path / "out").glob("[a-z]*")) == sorted(FILES)
    with pytest.raises(UserError, match="--conformance"):
        vectors.main(["--conformance", "--ticks", "5", "--out", str(tmp_path / "x")], standalone_mode=False)
    with pytest.raises(UserError, match="TRACE: is missing"):
        vectors.main(["--out", str(tmp_path / "x")], standalone_mode=False)
