"""What a cluster costs a sweep: `python -m bench.benchmarks.bench_cluster`.

The same sweep on one core of this machine and on two workers of a scheduler here, in turns; the best of each
counts. Ratios only, of one run: by the processor's time, and for a quiet machine by the clock. Exit code 1
where one by the processor's time is worse than promised.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import psutil  # comes with the extra

from bench.benchmarks.bench_core import ROOT
from bench.calibration import load
from bench.sweep.local import run_local
from bench.sweep.on_cluster import sweep_on_cluster
from bench.sweep.study import read_study
from bench.sweep.vary import read_varied, settings

TURNS = 3
VARIED = ["latch.hold_ms=0:600:5", "latch.release_percent_per_s=100,150,200,250"]
TRACES = [ROOT / "traces" / f"{name}.csv" for name in ("high_wheelstand", "second_lift", "clean_launch")]

EFFICIENCY_PROMISED = 0.85
CLIENT_PROMISED = 0.06  # of what one compile takes; 0.3 ms where that takes 5


@contextmanager
def two_workers() -> Iterator[tuple[str, list[int]]]:
    """A scheduler on the loopback address with two workers of one thread: its address, their processes."""
    with TemporaryDirectory(prefix="liftlatch-bench-") as folder:
        file = Path(folder) / "scheduler.json"
        common = ["--scheduler-file", str(file), "--no-dashboard", "--host", "127.0.0.1"]
        scheduler = ["distributed.cli.dask_scheduler", "--port", "0", *common]
        worker = ["distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1", *common]
        started = []
        try:
            for words in (scheduler, worker, worker):
                command = [sys.executable, "-m", *words]
                started.append(subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL))
                while not file.exists() and started[0].poll() is None:
                    time.sleep(0.1)
            yield json.loads(file.read_text())["address"], [process.pid for process in started[1:]]
        finally:
            for process in started:
                process.kill()
                process.wait()


@dataclass(frozen=True)
class Measured:
    """Seconds of the processor: of one core here and of all workers for the sweep, of one compile, and of the
    client for a run; by the clock the sweep here and there."""

    runs: int
    here: float
    there: float
    compile: float
    client: float
    here_clock: float
    there_clock: float


def measure() -> Measured:
    """The same sweep here and there in turns, the least of each."""
    calibration = load(ROOT / "traces" / "plain.toml")
    varied = read_varied(VARIED, calibration)
    least = dict.fromkeys(("compile", "here", "here, clock", "there", "there, clock", "client"), float("inf"))

    def took(name: str, spent: float) -> None:
        least[name] = min(least[name], spent)

    def here() -> int:
        began, processor = time.perf_counter(), time.process_time()
        made = settings(calibration, varied)
        took("compile", (time.process_time() - processor) / len(made))
        study = read_study(TRACES, made)
        for _ in run_local(study.jobs(), "c", 1):
            pass
        took("here, clock", time.perf_counter() - began)
        took("here", time.process_time() - processor)
        return len(made) * len(TRACES)

    def there(address: str, workers: list[psutil.Process]) -> None:
        began, processor, theirs = time.perf_counter(), time.process_time(), spent(workers)
        sweep_on_cluster(address, calibration, varied, "c", partial(read_study, TRACES))
        took("there, clock", time.perf_counter() - began)
        took("there", spent(workers) - theirs)
        took("client", time.process_time() - processor)

    def spent(workers: list[psutil.Process]) -> float:
        return float(sum(used.user + used.system for used in (worker.cpu_times() for worker in workers)))

    with two_workers() as (address, pids):
        workers = [psutil.Process(pid) for pid in pids]
        there(address, workers)  # the workers' imports
        least.update(dict.fromkeys(("there", "there, clock", "client"), float("inf")))
        for _ in range(TURNS):
            runs = here()
            there(address, workers)
    return Measured(
        runs, least["here"], least["there"], least["compile"], least["client"] / runs, least["here, clock"],
        least["there, clock"],
    )  # fmt: skip


def main() -> None:
    """Print the ratios; exit code 1 where one is not as promised."""
    found = measure()
    efficiency, client = found.here / found.there, found.client / found.compile
    click.echo(f"a sweep of {found.runs} runs, best of {TURNS} turns")
    clock = found.here_clock / found.there_clock / 2
    click.echo(
        f"a worker does {efficiency:.2f} of what a core here does in the same processor time,"
        f" {EFFICIENCY_PROMISED} promised; two by the clock {clock:.2f}"
    )
    click.echo(
        f"the client's processor a run: {client:.3f} of compiling one calibration, {CLIENT_PROMISED} promised"
        f" (with its start; {1000 * found.client:.2f} ms)"
    )
    sys.exit(0 if efficiency >= EFFICIENCY_PROMISED and client <= CLIENT_PROMISED else 1)


if __name__ == "__main__":
    main()
