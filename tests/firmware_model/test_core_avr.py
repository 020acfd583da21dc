"""The core on a machine whose int has 16 bits: an ATmega2560, by Debian's gcc-avr, avr-libc and simavr."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench.twin.case import Case
from firmware_model.core_sources import CORE, HERE, core_files
from tests import ROOT
from tests.core_support import STRICT, run_reference
from tests.firmware_model.test_core_runs import Rows, rows_of, rows_that_mean_nothing
from tests.tools import need_program, run

COMPILER = ("avr-gcc", "gcc-avr avr-libc")
AVR = ("-mmcu=atmega2560", "-Os")
LINE = re.compile(r"^(\d|[0-9a-f]{8} [0-9a-f]{8})\b")


def test_core_link_and_store_compile_without_a_warning(tmp_path: Path) -> None:
    compiler = need_program(*COMPILER)
    small = ("-DLIFT_LINK_LARGEST=256", "-DLIFT_LINK_WINDOW=1")
    others = [*(HERE / "link").glob("*.c"), *(HERE / "store").glob("*.c")]
    for source in [*core_files(), *others]:
        run(compiler, *AVR, *STRICT, *small, "-c", source, "-o", tmp_path / "one.o")


def header(image: bytes, rows: Rows) -> str:
    """run.h: the image and the inputs, in flash."""
    cells = ",\n".join("{" + ", ".join(f"INT32_C({max(v, 1 - 2**31)})" for v in row) + "}" for row in rows)
    return (
        f"enum {{ ROWS = {len(rows)} }};\n"
        f"static const uint8_t IMAGE[] PROGMEM = {{{', '.join(map(str, image))}}};\n"
        f"static const int32_t INPUTS[][11] PROGMEM = {{{cells}}};\n"
    )


def simulate(image: bytes, rows: Rows, folder: Path) -> list[str]:
    """What the program tells of a run."""
    compiler, simulator = need_program(*COMPILER), need_program("simavr", "simavr")
    (folder / "run.h").write_text(header(image, rows))
    program = folder / "run.elf"
    source = ROOT / "tests" / "firmware_model" / "core_avr.c"
    run(
        compiler,
        *AVR,
        "-std=gnu99",
        "-Wall",
        f"-I{CORE}",
        f"-I{folder}",
        source,
        *core_files(),
        "-o",
        program,
    )
    done = run(simulator, "-m", "atmega2560", "-f", "16000000", program)
    said = re.sub(r"\x1b\[[0-9;]*m", "", done.stdout + done.stderr)
    return [found[1] for line in said.splitlines() if (found := LINE.match(line))]


@pytest.mark.slow
@pytest.mark.parametrize("number", [700, 811, 922, 1033])
def test_it_equals_the_reference_there(number: int, tmp_path: Path) -> None:
    """Plausible inputs, then some that mean nothing; every output, event and the state."""
    case = Case(number, number, 660)  # no object there is larger than 32 KB
    rows = [
        tuple(max(v, 1 - 2**31) for v in row) for row in rows_of(case) + rows_that_mean_nothing(number, 80)
    ]
    assert simulate(case.image, rows, tmp_path) == run_reference(case.image, rows)
