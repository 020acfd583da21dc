"""The core on a machine whose int has 16 bits: an ATmega2560, by Debian's gcc-avr, avr-libc and simavr."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from bench.conformance.cases import Case as MadeCase
from bench.conformance.chosen_set import conformance_set
from bench.twin.case import Case
from firmware_model.binding import OUTPUT_TYPES
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


ANY_EVENTS = """
static void take_events(uint16_t row) {
    take(lift_event(&controller, (int32_t)(row % 15) - 1));
    take(lift_spark(&controller, (int32_t)(row % 13)));
}
"""


def header(image: bytes, rows: Rows, events: str) -> str:
    """run.h: the image and the inputs, in flash; the events after each step."""
    cells = ",\n".join("{" + ", ".join(f"INT32_C({max(v, 1 - 2**31)})" for v in row) + "}" for row in rows)
    return (
        f"enum {{ ROWS = {len(rows)} }};\n"
        f"static const uint8_t IMAGE[] PROGMEM = {{{', '.join(map(str, image))}}};\n"
        f"static const int32_t INPUTS[][11] PROGMEM = {{{cells}}};\n{events}"
    )


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The core, compiled."""
    compiler, folder = need_program(*COMPILER), tmp_path_factory.mktemp("avr")
    for source in core_files():
        run(compiler, *AVR, "-std=c99", "-c", source, "-o", folder / f"{source.stem}.o")
    return sorted(folder.glob("*.o"))


def simulate(
    objects: list[Path], image: bytes, rows: Rows, folder: Path, events: str = ANY_EVENTS
) -> list[str]:
    """What the program tells of a run."""
    compiler, simulator = need_program(*COMPILER), need_program("simavr", "simavr")
    (folder / "run.h").write_text(header(image, rows, events))
    program = folder / "run.elf"
    source = ROOT / "tests" / "firmware_model" / "core_avr.c"
    words = [*AVR, "-std=gnu99", "-Wall", f"-I{CORE}", f"-I{folder}"]
    run(compiler, *words, source, *objects, "-o", program)
    done = run(simulator, "-m", "atmega2560", "-f", "16000000", program)
    said = re.sub(r"\x1b\[[0-9;]*m", "", done.stdout + done.stderr)
    return [found[1] for line in said.splitlines() if (found := LINE.match(line))]


@pytest.mark.slow
@pytest.mark.parametrize("number", [700, 811, 922, 1033])
def test_it_equals_the_reference_there(number: int, objects: list[Path], tmp_path: Path) -> None:
    """Plausible inputs, then some that mean nothing; every output, event and the state."""
    case = Case(number, number, 660)  # no object there is larger than 32 KB
    rows = [
        tuple(max(v, 1 - 2**31) for v in row) for row in rows_of(case) + rows_that_mean_nothing(number, 80)
    ]
    assert simulate(objects, case.image, rows, tmp_path) == run_reference(case.image, rows)


# Events as a device with a line makes them: so many after each step, in firing order from its first cylinder.
DUE_EVENTS = """
static const uint8_t DUE[] PROGMEM = {%s};
static uint8_t place;
static void take_events(uint16_t row) {
    const lift_image_t *c = controller.calibration;
    for (uint8_t due = pgm_read_byte_far(pgm_get_far_address(DUE) + row); due > 0; due--) {
        int32_t bits = lift_event(&controller, c->firing_order[place]);
        take(bits | (lift_spark(&controller, c->firing_order[place]) ? 4 : 0));
        place = place + 1 < c->cylinders ? place + 1 : 0;
    }
}
"""


def sums_of(case: MadeCase) -> list[str]:
    """The sums over all outputs and events that the program must tell."""
    found, total, at = [], 0, 0
    rows = zip(case.whole[1]["events"].tolist(), case.right.outputs, strict=True)
    for row, (due, output) in enumerate(rows):
        values = [*(int(output[name]) for name in OUTPUT_TYPES), *case.right.events[at : at + due]]
        at += due
        for value in values:
            total = (total * 31 + value) & 0xFFFFFFFF
        if row % 100 == 99:
            found.append(f"{total:08x}")
    return [*found, f"{total:08x}"]


@pytest.mark.slow
def test_it_passes_the_conformance_set(objects: list[Path], tmp_path: Path) -> None:
    """Outputs and events of every case; the verdicts on images are the business of the contract."""
    cases = conformance_set().cases
    with ThreadPoolExecutor(4) as pool:  # the simulator sleeps much of its time
        told = list(pool.map(lambda case: told_by(case, objects, tmp_path / str(case.seed)), cases))
    for case, (loaded, *lines) in zip(cases, told, strict=True):
        assert loaded == "0"
        assert [line.split()[1] for line in lines] == sums_of(case), str(case)


def told_by(case: MadeCase, objects: list[Path], folder: Path) -> list[str]:
    """What the program tells of a case, in a folder of its own."""
    folder.mkdir()
    numbers, records = case.whole
    switches = records["switches"]
    columns = [
        numbers, records["counts"], records["speed"], switches & 1, records["engine"], records["shaft"],
        switches >> 1 & 1, switches >> 2 & 1,
        *(records[name] for name in ("request_reduction", "request_retard", "request_reason")),
    ]  # fmt: skip
    due = DUE_EVENTS % ", ".join(map(str, records["events"].tolist()))
    return simulate(objects, case.image, np.stack(columns, axis=1).tolist(), folder, due)
