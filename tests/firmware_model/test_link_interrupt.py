"""What may interrupt what, tried after every single instruction: link_interrupt.c."""

from __future__ import annotations

import platform
from pathlib import Path

import pytest

from bench.calibration.image import pack
from firmware_model.core_sources import HERE, core_files
from tests import ROOT
from tests.support import values
from tests.tools import need, run

IMAGE = pack(values(stall_ms=250, safe_reduction=1000, safe_retard=30))
WRAPPED = ("lift_build", "lift_reset", "lift_digest")


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if platform.machine() != "x86_64" or platform.system() != "Linux":
        pytest.skip("traps after each instruction are set up for Linux on x86-64 only")
    made = tmp_path_factory.mktemp("interrupt") / "interrupt"
    sources = [*core_files(), *(HERE / "link").glob("*.c"), ROOT / "tests/firmware_model/link_interrupt.c"]
    wraps = [f"-Wl,--wrap={name}" for name in WRAPPED]
    flags = ["-O2", "-std=c99", "-Wall", "-Wextra", "-mno-red-zone", f"-I{HERE}"]
    run(*need("gcc"), *flags, *wraps, *sources, "-o", made)
    (made.parent / "image").write_bytes(IMAGE)
    return made


def interrupted(program: Path, how: str) -> tuple[int, int, int, int]:
    shown = run("sh", "-c", f"'{program}' {how} <'{program.parent}/image'").stdout
    interrupts, broken, unlocked, calls = map(int, shown.split())
    return interrupts, broken, unlocked, calls


@pytest.mark.slow
def test_an_interrupt_at_any_instruction_sees_one_whole_set(program: Path) -> None:
    interrupts, broken, unlocked, calls = interrupted(program, "acting")
    assert interrupts > 30_000
    assert broken == 0
    assert unlocked == 0  # lift_build, lift_reset and lift_digest are called locked
    assert calls == 9  # builds, resets and digests of two rounds and the first load


@pytest.mark.slow
def test_fields_read_one_by_one_would_show_broken_sets(program: Path) -> None:
    """That the test can fail: what is not published as one set is seen torn."""
    assert interrupted(program, "fields")[1] > 0
