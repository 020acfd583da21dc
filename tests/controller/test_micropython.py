"""controller/ runs unchanged in MicroPython, gives the same outputs, and a tick allocates no heap."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest

from bench.calibration import load
from bench.replay.inputs import from_trace
from bench.replay.run import INPUT_TYPES, Reference
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from controller import Controller
from tests import ROOT

HERE = ROOT / "tests" / "micropython"
PACKAGE = HERE / "node_modules" / "@micropython" / "micropython-webassembly-pyscript"
BLOCK = 250
TICKS = 1500

Case = tuple[bytes, list[list[int]], list[list[int]]]


def demo_cases() -> list[Case]:
    """Image, inputs of each tick, and cylinders due after each tick, of the demo traces' first seconds."""
    cases: list[Case] = []
    for path in sorted((ROOT / "traces").glob("*.csv")):
        name = "demo_front_wheel.toml" if path.stem == "front_wheel_speed" else "plain.toml"
        calibration = load(ROOT / "traces" / name)
        inputs = from_trace(read_trace(path, ColumnChoice()), calibration)
        events = Reference(calibration.image).run(inputs.arrays, 0, events=True)
        first = _busiest(inputs.arrays["counts"])
        rows = np.stack([inputs.arrays[name] for name in INPUT_TYPES], axis=1).tolist()
        firing: list[list[int]] = [[] for _ in rows]
        for tick, cylinder in zip(
            events["event_tick"].tolist(), events["event_cylinder"].tolist(), strict=True
        ):
            firing[tick].append(cylinder)
        ticks = [[(tick + 65000) & 0xFFFF, *row] for tick, row in enumerate(rows)]
        cases.append((calibration.image, ticks[first : first + TICKS], firing[first : first + TICKS]))
    return cases


def _busiest(counts: np.ndarray) -> int:
    """Where a window of TICKS sees the nose move most, but from early enough to see the launch."""
    return max(0, min(int(np.argmax(counts)) - TICKS * 2 // 3, len(counts) - TICKS))


def reference_lines(cases: list[Case]) -> list[str]:
    """What check.py prints, computed here."""
    lines = []
    for number, (image, rows, firing) in enumerate(cases):
        made = Controller()
        verdict = made.load(image)
        command = made.command
        seen = 0
        for done, (row, due) in enumerate(zip(rows, firing, strict=True), start=1):
            made.step(*row)
            bits = 0
            for cylinder in due:
                bits = (bits * 16 + made.event(cylinder) * 4 + made.spark(cylinder)) & 0xFFFF
            for value in (
                command.reduction, command.retard, command.reason, command.askers,
                made.faults, made.lift.value, made.reduction.demand, bits,
            ):  # fmt: skip
                seen = (seen * 61 + value) & 0xFFFFFF
            if done % BLOCK == 0 or done == len(rows):
                lines.append(f"{number} {verdict} {len(rows) - done} {seen} {made.digest()} heap 0")
    return lines


def run_in_micropython(folder: Path, cases: list[Case]) -> list[str]:
    shutil.copytree(ROOT / "controller", folder / "controller", ignore=shutil.ignore_patterns("__pycache__"))
    words: list[int] = []
    for number, (image, rows, firing) in enumerate(cases):
        (folder / f"image{number}.bin").write_bytes(image)
        words += [number, len(rows)]
        for row, due in zip(rows, firing, strict=True):
            words += [*row, len(due), *due]
    (folder / "words.bin").write_bytes(struct.pack(f"<{len(words)}i", *words))
    done = subprocess.run(
        ["node", str(HERE / "host.mjs"), str(folder)],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.splitlines()


@pytest.fixture
def micropython() -> None:
    """MicroPython in Node, from the npm registry; required in CI."""
    missing = None
    if shutil.which("node") is None or shutil.which("npm") is None:
        missing = "Node.js is not there; run: apt-get install nodejs npm"
    elif not PACKAGE.is_dir():
        missing = "MicroPython is not installed; run: npm ci --prefix tests/micropython"
    if missing:
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)


@pytest.mark.slow
@pytest.mark.usefixtures("micropython")
def test_equal_outputs_and_no_heap(tmp_path: Path) -> None:
    cases = demo_cases()
    assert len(cases) >= 8
    assert run_in_micropython(tmp_path, cases) == reference_lines(cases)


@pytest.mark.slow
@pytest.mark.usefixtures("micropython")
def test_a_difference_and_an_allocation_are_seen(tmp_path: Path) -> None:
    """The check itself can fail: on another input, and on a tick number too wide for a small integer."""
    image, rows, firing = demo_cases()[0]
    rows, firing = rows[:50], firing[:50]
    other = [row.copy() for row in rows]
    other[20][1] = 5
    other[40][0] = 1 << 30  # tick + 1 needs no more than 31 bits, but a small integer there has 31 with sign
    lines = run_in_micropython(tmp_path, [(image, other, firing)])
    assert lines != reference_lines([(image, rows, firing)])
    assert not lines[-1].endswith("heap 0")
