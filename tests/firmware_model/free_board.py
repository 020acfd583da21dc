"""The emulated board with a firmware that runs by itself: a run's inputs in a table, its edges by the serial
port at the end. The emulator's own time passes, none is waited for."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from bench.blackbox.play import edges_of
from bench.blackbox.played import Played
from bench.blackbox.protocol import COIL, EDGE, INJECTOR
from bench.blackbox.unit import Edges, Unit, seen
from bench.link.protocol import INPUT, Records
from firmware_model.board.build import BOARDS, USUAL, build_free

_EVENT = np.dtype([("injector", "<u4"), ("coil", "<u4")])
_MACHINE = ("-icount", "shift=6", "-display", "none", "-monitor", "none")
_LONGEST_S = 120.0


def run_board(run: Played, noise: int = 2, seed: int = 0, bug: str | None = None) -> Edges:
    """What the firmware does on a run whose sensor has noise; each tick reads what stands there as it begins.

    The calibration has a sample for each tick. Raises BuildFailed where it cannot be built.
    """
    unit = Unit(phase=1 - 1e-6, noise=noise, seed=seed)
    inputs = seen(run.wires, run.calibration, unit).inputs
    assert run.calibration.sample_ticks == 1
    with TemporaryDirectory() as place:
        firmware = build_free(_table(run, inputs), Path(place), bug)
        said = _emulate(firmware, Path(place, "said"), len(run.crank) * _EVENT.itemsize)
    rows = np.frombuffer(said, _EVENT)
    captured: list[Records] = []
    for line, name in ((INJECTOR, "injector"), (COIL, "coil")):
        on = rows[name] > 0
        made = np.zeros(int(on.sum()), EDGE)
        made["at"], made["line"] = rows[name][on], (line + run.cylinder)[on]
        captured.append(made)
    return edges_of(run, np.concatenate(captured))


def _table(run: Played, inputs: Records) -> str:
    """The text of table.h."""
    names = [name for name in INPUT.names or () if name != "events"]
    sizes = f"TABLE_TICK_US = {run.tick_us}, TABLE_TICKS = {len(inputs)}, TABLE_EVENTS = {len(run.crank)}"
    rows = ",\n".join("{" + ",".join(map(str, row)) + "}" for row in inputs[names].tolist())
    words = np.frombuffer(run.image + bytes(-len(run.image) % 4), "<u4")
    return (
        "#include <stdint.h>\n"
        f"enum {{ {sizes} }};\n"
        "typedef struct {\n    uint16_t counts, speed, engine, shaft, request_reduction, request_retard,"
        " request_reason;\n    uint8_t switches;\n} table_row_t;\n"
        f"static const uint32_t TABLE_IMAGE[] = {{{','.join(f'{word}U' for word in words.tolist())}}};\n"
        f"static const uint32_t TABLE_CRANK[] = {{{','.join(map(str, run.crank.tolist()))}}};\n"
        f"static const table_row_t TABLE_ROWS[] = {{{rows}}};\n"
    )


def _emulate(firmware: Path, to: Path, most: int) -> bytes:
    """What it says on its serial port, once it has said that much."""
    machine = BOARDS[USUAL].machine
    command = ["setpriv", "--pdeathsig", "KILL", *machine, *_MACHINE, "-serial", f"file:{to}"]
    words = [*command, "-kernel", str(firmware)]
    with subprocess.Popen(words, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as running:
        try:
            until = time.monotonic() + _LONGEST_S
            while not to.exists() or to.stat().st_size < most:
                assert running.poll() is None, "the emulator ended by itself"
                assert time.monotonic() < until, "the emulator does not come to an end of the run"
                time.sleep(0.05)
            return to.read_bytes()[:most]
        finally:
            running.kill()
