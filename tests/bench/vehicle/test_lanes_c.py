"""The compiled car, alone and side by side, under sanitizers and with other compilers."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from bench.vehicle import compiled
from bench.vehicle.c_sources import HERE
from firmware_model.core_sources import HERE as FIRMWARE
from tests.core_support import SANITIZED
from tests.tools import need
from tests.vehicle_support import NOT_BUILT, demo, looking

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))
DRIVER = Path(__file__).with_name("drive_lanes.c")


def _input(folder: Path) -> Path:
    memory, cal = compiled._Memory(), looking(100)
    parts = (bytes(memory.ffi.buffer(thing)) for thing in (memory.car(demo().car), memory.ceilings(cal)))
    path = folder / "input"
    path.write_bytes(b"".join(parts) + cal.image)
    return path


@pytest.mark.slow
@pytest.mark.parametrize(
    ("compiler", "more"),
    [
        ("gcc -fsanitize=address,undefined", SANITIZED),
        ("clang -fsanitize=address,undefined", SANITIZED),
        ("gcc", ("-O0",)),
        ("clang", ("-O3",)),
    ],
)
def test_random_cars_do_the_same_alone_and_side_by_side(compiler, more, tmp_path):
    words = [*need(compiler), *more, "-std=gnu11", "-ffp-contract=off", f"-I{HERE}", f"-I{FIRMWARE}"]
    program = tmp_path / "drive"
    sources = [str(DRIVER), str(FIRMWARE / "core_all.c")]
    subprocess.run([*words, *sources, "-o", str(program), "-lm"], check=True)
    done = subprocess.run([program, _input(tmp_path), "3"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
