"""What the C core needs of a microcontroller stays below its limits."""

from __future__ import annotations

import subprocess
import sys

import pytest
from click.testing import CliRunner

from controller.image import LENGTH
from firmware_model import size
from tests import ROOT
from tests.tools import need


@pytest.mark.parametrize("cpu", size.CPUS)
def test_the_core_is_small(cpu: str) -> None:
    need("arm-none-eabi-gcc")
    measured = size.measure(cpu)
    assert 2000 < measured.code < size.CODE_LIMIT
    assert 400 < measured.state < size.STATE_LIMIT
    assert measured.image == LENGTH
    assert measured.stack["lift_event"] < measured.stack["lift_step"] < 512


@pytest.mark.slow
def test_the_command_prints_it() -> None:
    need("arm-none-eabi-gcc")
    done = subprocess.run(
        [sys.executable, "-m", "firmware_model.size"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "code (below 12288)" in done.stdout
    assert "state (below 1024)" in done.stdout


@pytest.mark.parametrize(
    ("code", "state", "exit_code"), [(12287, 1023, 0), (12288, 1023, 1), (12287, 1024, 1)]
)
def test_too_large_is_exit_code_1(
    monkeypatch: pytest.MonkeyPatch, code: int, state: int, exit_code: int
) -> None:
    made = size.Size({"a.c": (code - 100, 60), "b.c": (40, 0)}, state, LENGTH, dict.fromkeys(size.ENTRIES, 8))
    monkeypatch.setattr(size, "missing", lambda: None)
    monkeypatch.setattr(size, "measure", lambda cpu: made)
    assert CliRunner().invoke(size.main).exit_code == exit_code


def test_without_the_compiler_it_says_what_helps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    done = CliRunner().invoke(size.main)
    assert done.exit_code == 2
    assert done.output == "no arm-none-eabi-gcc here; run: apt-get install gcc-arm-none-eabi\n"


def graph(*edges: tuple[str, str], **frames: int) -> list[str]:
    """A call graph as gcc writes it."""
    nodes = [
        f'node: {{ title: "{name}" label: "{name}\\na.c:1:2\\n{bytes_} bytes (static)" }}'
        for name, bytes_ in frames.items()
    ]
    return [*nodes, *(f'edge: {{ sourcename: "{one}" targetname: "{other}" }}' for one, other in edges)]


def test_the_deepest_stack_follows_the_calls() -> None:
    calls = (
        *(("lift_step", "one"), ("lift_step", "two"), ("one", "far"), ("two", "one"), ("lift_event", "two")),
    )
    lines = graph(*calls, lift_step=24, one=40, two=8, lift_load=16, lift_event=0)
    found = size.deepest(*size.read_graph(lines), size.ENTRIES)
    assert found == {"lift_step": 72, "lift_load": 16, "lift_event": 48}


def test_recursion_is_found() -> None:
    lines = graph(("lift_step", "one"), ("one", "two"), ("two", "one"), lift_step=4, one=4, two=4)
    with pytest.raises(size.Recursion):
        size.deepest(*size.read_graph(lines), ["lift_step"])
