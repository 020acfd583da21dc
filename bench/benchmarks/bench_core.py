"""How fast the C core is: `python -m bench.benchmarks.bench_core`.

All figures are of one run on the same inputs, the demo traces one after the other until they last an hour.
What is compared is run in turns and the best turn counts; what runs on one core is measured in time of the
processor, so that other work on the machine disturbs less. Only two cores against one is by the wall clock.
Exit code 1 when a ratio lies below the least that is promised.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click
import numpy as np

from bench.benchmarks.float_script import run_script
from bench.calibration import CalibrationFile, load
from bench.calibration.image import unpack
from bench.replay.inputs import from_trace
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from bench.twin.compare import INPUTS, run_reference, with_ticks
from bench.twin.generate import Ints
from firmware_model import binding
from firmware_model.core_sources import HERE

TURNS = 5
HOUR = 3_600_000
REFERENCE_TICKS = 100_000
SCRIPT_TICKS = 300_000

ROOT = Path(__file__).parents[2]

# The bare loop: columns from a file, in the order and types of a batch, stepped over and summed up.
_BARE = r"""
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include "core_all.c"

static union { uint8_t bytes[LIFT_IMAGE_BYTES]; uint32_t place; } image;
static lift_controller_t ll;

static void *column(FILE *file, size_t size, size_t n) {
    void *values = malloc(size * n);
    if (fread(values, size, n, file) != n) exit(2);
    return values;
}

int main(int count, char **arguments) {
    FILE *file = fopen(arguments[1], "rb");
    size_t n = count > 2 ? (size_t)atol(arguments[2]) : 0;
    if (fread(image.bytes, 1, LIFT_IMAGE_BYTES, file) != LIFT_IMAGE_BYTES) return 2;
    const uint16_t *tick = column(file, 2, n), *counts = column(file, 2, n), *speed = column(file, 2, n);
    const uint8_t *valid = column(file, 1, n);
    const uint16_t *engine = column(file, 2, n), *shaft = column(file, 2, n);
    const uint8_t *armed = column(file, 1, n), *launch = column(file, 1, n);
    const uint16_t *reduction = column(file, 2, n), *retard = column(file, 2, n);
    const uint16_t *reason = column(file, 2, n);
    struct timespec start, end;
    uint32_t sum = 0;
    lift_init(&ll);
    if (lift_load(&ll, image.bytes, LIFT_IMAGE_BYTES) != LIFT_IMAGE_OK) return 3;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &start);
    for (size_t i = 0; i < n; i++) {
        lift_inputs_t in = {tick[i], counts[i], speed[i], valid[i], engine[i], shaft[i],
                          armed[i], launch[i], reduction[i], retard[i], reason[i]};
        lift_outputs_t out;
        lift_step(&ll, &in);
        lift_outputs(&ll, &out);
        sum += (uint32_t)(out.reduction + out.retard + out.faults + out.entry);
    }
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &end);
    double took = (double)(end.tv_sec - start.tv_sec) + 1e-9 * (double)(end.tv_nsec - start.tv_nsec);
    printf("%.9f %u %u\n", took, (unsigned)lift_digest(&ll), (unsigned)sum);
    return 0;
}
"""


class Bench:
    """The inputs and how each contestant runs over them; every method gives seconds for all of its ticks."""

    def __init__(self, calibration: CalibrationFile, columns: dict[str, Ints], folder: Path) -> None:
        self.image = calibration.image
        self.values = unpack(calibration.image)
        types: dict[str, Any] = {"tick": np.uint16, **binding.INPUT_TYPES}
        self.columns = {name: np.ascontiguousarray(columns[name], dtype=types[name]) for name in INPUTS}
        self.ticks = len(columns["tick"])
        self._data = folder / "data"
        self._data.write_bytes(self.image + b"".join(column.tobytes() for column in self.columns.values()))
        (folder / "bare.c").write_text(_BARE)
        self._program = folder / "bare"
        command = ["gcc", "-O2", "-std=gnu99", f"-I{HERE}", str(folder / "bare.c"), "-o", str(self._program)]
        subprocess.run(command, check=True)
        core = binding.Core()
        core.load(self.image)
        core.run(self.columns)
        self._digest = core.digest()

    def bare(self) -> float:
        command = [str(self._program), str(self._data), str(self.ticks)]
        done = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
        assert int(done[1]) == self._digest, "the bare loop did something else"
        return float(done[0])

    def batch(self) -> float:
        return timed(time.process_time, self._batch)

    def batch_with_events(self) -> float:
        return timed(time.process_time, lambda: binding.run(self.image, self.columns, events=True))

    def batch_by_the_clock(self) -> float:
        return timed(time.perf_counter, self._batch)

    def two_by_the_clock(self) -> float:
        """Two batches at once, in threads."""
        with ThreadPoolExecutor(2) as pool:
            return timed(
                time.perf_counter,
                lambda: [job.result() for job in [pool.submit(self._batch) for _ in range(2)]],
            )

    def reference(self) -> float:
        part = {name: column[:REFERENCE_TICKS] for name, column in self.columns.items()}
        took = timed(time.process_time, lambda: run_reference(self.image, part))
        return took * self.ticks / REFERENCE_TICKS

    def script(self) -> float:
        part = {name: column[:SCRIPT_TICKS] for name, column in self.columns.items()}
        took = timed(time.process_time, lambda: run_script(self.values, part))
        return took * self.ticks / SCRIPT_TICKS

    def _batch(self) -> None:
        binding.run(self.image, self.columns)


def timed(clock: Callable[[], float], job: Callable[[], object]) -> float:
    """How long a job takes by a clock, in seconds."""
    start = clock()
    job()
    return clock() - start


def demo_inputs(ticks: int) -> tuple[CalibrationFile, dict[str, Ints]]:
    """The demo calibration and the demo traces' inputs, again and again up to so many ticks."""
    calibration = load(ROOT / "traces" / "demo.toml")
    traces = sorted((ROOT / "traces").glob("*.csv"))
    laid = [from_trace(read_trace(path, ColumnChoice()), calibration).arrays for path in traces]
    once = {name: np.concatenate([arrays[name] for arrays in laid]) for name in binding.INPUT_TYPES}
    return calibration, with_ticks({name: np.resize(column, ticks) for name, column in once.items()})


def measure(turns: int) -> dict[str, float]:
    """The best seconds of each contestant for an hour's ticks."""
    with TemporaryDirectory(prefix="liftlatch-bench-") as folder:
        bench = Bench(*demo_inputs(HOUR), Path(folder))
        contestants = {
            "bare C loop": bench.bare,
            "batch": bench.batch,
            "batch with events": bench.batch_with_events,
            "batch, by the clock": bench.batch_by_the_clock,
            "two batches at once, by the clock": bench.two_by_the_clock,
            "reference, with events": bench.reference,
            "float script": bench.script,
        }
        best = dict.fromkeys(contestants, float("inf"))
        for _ in range(turns):
            for name, run in contestants.items():
                best[name] = min(best[name], run())
    return best


def main() -> None:
    """Measure and print the table."""
    from rich.console import Console
    from rich.table import Table

    reason = binding.available()
    if reason:
        click.echo(reason, err=True)
        sys.exit(2)
    best = measure(TURNS)
    batch = best["batch"]
    table = Table(title=f"{HOUR} ticks of the demo traces, best of {TURNS} turns")
    for heading in ("", "million ticks/s"):
        table.add_column(heading, justify="right" if heading else "left")
    for name, seconds in best.items():
        ticks = 2 * HOUR if name.startswith("two") else HOUR
        table.add_row(name, f"{ticks / seconds / 1e6:.3g}")
    promised = (
        ("batch, million ticks/s on one core", HOUR / batch / 1e6, 10.0),
        ("batch / bare C loop", best["bare C loop"] / batch, 0.5),
        ("batch with events / reference", best["reference, with events"] / best["batch with events"], 100.0),
        ("two cores / one", 2 * best["batch, by the clock"] / best["two batches at once, by the clock"], 1.7),
    )
    ratios = Table(title="ratios")
    for heading in ("", "found", "promised"):
        ratios.add_column(heading, justify="right" if heading else "left")
    for text, found, least in promised:
        ratios.add_row(text, f"{found:.3g}", f"{least:g}")
    ratios.add_row("batch / float script", f"{best['float script'] / batch:.3g}", "")
    console = Console(highlight=False)
    console.print(table, ratios)
    sys.exit(0 if all(found >= least for _, found, least in promised) else 1)


if __name__ == "__main__":
    main()
