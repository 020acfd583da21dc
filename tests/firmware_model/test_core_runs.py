"""The C core as several compilers make it, under sanitizers, and interrupted: equal to the reference."""

from __future__ import annotations

import binascii
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from bench.calibration.image import pack
from bench.twin.case import Case
from bench.twin.compare import INPUTS
from bench.twin.generate import noise
from controller.image import HEADER_BYTES, LENGTH
from firmware_model.core_sources import CORE, core_files
from tests import ROOT
from tests.core_support import SANITIZED, run_core, run_reference, runner
from tests.support import values
from tests.tools import need, run

Rows = list[Sequence[int]]


def rows_of(case: Case) -> Rows:
    inputs = case.inputs()
    return [*zip(*(inputs[name].tolist() for name in INPUTS), strict=True)]


def rows_that_mean_nothing(key: int, count: int) -> Rows:
    """Inputs anywhere in 32 bits, and at their ends."""
    anything = noise(key, count * len(INPUTS), 2**32 - 1) - 2**31
    ends = np.array([-(2**31), 2**31 - 1, -1, 0, 1, 65535, 65536])[noise(key + 1, anything.size, 7)]
    mixed = np.where(noise(key + 2, anything.size, 2) == 0, anything, ends)
    return [tuple(row) for row in mixed.reshape(count, len(INPUTS)).tolist()]


def check(program: Path, numbers: range, ticks: int) -> None:
    for number in numbers:
        case = Case(number, number, ticks)
        rows = rows_of(case) + rows_that_mean_nothing(number, 150)
        assert run_core(program, case.image, rows) == run_reference(case.image, rows), case


@pytest.mark.parametrize(
    "build",
    [
        ("gcc -m32", "-Os"),
        ("clang", "-O2"),
        *(
            pytest.param((compiler, level), marks=pytest.mark.slow)
            for compiler in ("gcc", "gcc -m32", "clang", "clang -m32")
            for level in ("-O0", "-Os", "-O2", "-O3")
        ),
    ],
    ids=" ".join,
)
def test_every_build_gives_the_same(build: tuple[str, str]) -> None:
    check(runner(*build), range(700, 704), 1500)


@pytest.mark.parametrize(
    "compiler",
    [
        "gcc -fsanitize=address,undefined",
        pytest.param("clang -fsanitize=address,undefined", marks=pytest.mark.slow),
    ],
)
def test_the_sanitizers_find_nothing(compiler: str) -> None:
    check(runner(compiler, *SANITIZED), range(800, 806), 1500)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("compiler", "more"),
    [
        ("gcc -fsanitize=address,undefined", ()),
        # integer: unsigned wrap-around and conversions that lose a value, which the standard allows
        ("clang -fsanitize=address,undefined", ("-fsanitize=integer", "-fno-sanitize=unsigned-shift-base")),
    ],
)
def test_the_sanitizers_find_nothing_in_a_long_run(compiler: str, more: tuple[str, ...]) -> None:
    check(runner(compiler, *SANITIZED, *more), range(1000, 1060), 4000)


def damaged(number: int) -> Iterator[bytes]:
    """Images that are refused, most of them with a CRC that is right."""
    image = pack(values())
    yield from (b"", b"L", b"LLCI", image[:11], image[:-1], image + b"\0")
    bits = noise(number, 300, LENGTH * 8).tolist()
    for bit in bits:
        flipped = bytearray(image)
        flipped[bit // 8] ^= 1 << bit % 8
        body = flipped[HEADER_BYTES:]
        yield bytes(flipped[:8]) + binascii.crc32(body).to_bytes(4, "little") + bytes(body)


@pytest.mark.slow
def test_the_sanitizers_find_nothing_in_wrong_images() -> None:
    """Also when the controller is stepped, reset and asked for events afterwards, as the runner does."""
    program = runner("gcc -fsanitize=address,undefined", *SANITIZED)
    rows = rows_that_mean_nothing(5, 3)
    verdicts = set()
    for image in list(damaged(77))[::5]:
        lines = run_core(program, image, rows)
        assert lines == run_reference(image, rows)
        verdicts.add(lines[0])
    assert {"1", "3", "5"} <= verdicts


@pytest.mark.slow
def test_the_sanitizers_can_fail(tmp_path: Path) -> None:
    """A shift of a negative number and a read behind a table are found."""
    compiler = need("gcc -fsanitize=address,undefined")
    for name, right, wrong, complaint in (
        ("lift.c", "change * 4096", "(change << 12)", "left shift of negative value"),
        ("progress.c", "p->history[p->history_next];", "p->history[p->history_next + 16];", "out of bounds"),
    ):
        sources = []
        for source in core_files():
            text = source.read_text()
            if source.name == name:
                assert text.count(right) == 1
                text = text.replace(right, wrong)
            sources.append(tmp_path / source.name)
            sources[-1].write_text(text)
        program = tmp_path / "wrong"
        run(
            *compiler,
            "-std=c99",
            *SANITIZED,
            f"-I{CORE}",
            *sources,
            ROOT / "tests/firmware_model/core_runner.c",
            "-o",
            program,
        )
        with pytest.raises(AssertionError, match=complaint):
            check(program, range(700, 720), 1500)


def test_an_event_may_interrupt_a_step_anywhere(tmp_path: Path) -> None:
    program = tmp_path / "interrupt"
    sources = [*core_files(), ROOT / "tests" / "firmware_model" / "core_interrupt.c"]
    run(*need("gcc"), "-O2", "-D_DEFAULT_SOURCE", f"-I{CORE}", *sources, "-o", program)
    image = pack(values(reduction_map=[0] * 256))
    done = subprocess.run([program], input=image, capture_output=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 20
