"""A sweep on a Dask scheduler and two workers of it, started here on the loopback address."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from bench.errors import UserError
from bench.sweep.cluster import run_on_cluster
from bench.sweep.study import run_study
from tests import ROOT
from tests.sweep_support import DEMO, TRACES, short_trace, study

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.slow


@dataclass
class Cluster:
    """A scheduler with workers of one thread each, none of which is started again by anybody."""

    folder: Path
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def start(self, *arguments: str) -> subprocess.Popen[bytes]:
        with open(self.folder / f"log_{len(self.processes)}", "wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", *arguments, "--scheduler-file", str(self.file), "--no-dashboard"],
                cwd=ROOT, stdout=log, stderr=subprocess.STDOUT,
            )  # fmt: skip
        self.processes.append(process)
        return process

    def start_worker(self) -> subprocess.Popen[bytes]:
        return self.start(
            "distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1", "--host", "127.0.0.1",
            "--name", f"w{len(self.processes)}",
        )  # fmt: skip

    @property
    def file(self) -> Path:
        return self.folder / "scheduler.json"

    @property
    def address(self) -> str:
        address: str = json.loads(self.file.read_text())["address"]
        assert address.startswith("tcp://127.0.0.1:")
        return address


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    made = Cluster(tmp_path)
    try:
        made.start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0")
        wait_for(made.file.exists)
        yield made
    finally:
        for process in made.processes:
            process.kill()
            process.wait()


def wait_for(happened: Any) -> None:
    deadline = time.monotonic() + 60
    while not happened():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_worker_ended_mid_run_changes_nothing(cluster: Cluster) -> None:
    lost, _ = cluster.start_worker(), cluster.start_worker()
    made = study("latch.hold_ms=0:600:75", traces=("high_wheelstand", "second_lift"))
    jobs = list(made.jobs())
    results = run_on_cluster(cluster.address, jobs, "reference")
    found = {}
    with distributed.Client(cluster.address, set_as_default=False) as onlooker:
        wait_for(lambda: len(onlooker.scheduler_info(n_workers=-1)["workers"]) == 2)
        job, measures = next(results)
        found[job.setting, job.trace] = measures
        addresses = {
            info["name"]: address
            for address, info in onlooker.scheduler_info(n_workers=-1)["workers"].items()
        }
        mine = addresses["w1"]
        assert onlooker.processing([mine])[mine], "the worker to be lost had nothing to do"
        lost.kill()
        lost.wait()
        left = 0
        for job, measures in results:
            found[job.setting, job.trace] = measures
            left += 1
        assert len(onlooker.scheduler_info(n_workers=-1)["workers"]) == 1
    assert left > len(jobs) // 2
    by_setting = [[found[s, t] for t in range(2)] for s in range(len(made.settings))]
    assert by_setting == run_study(made, "c")


def test_the_command_gives_what_it_gives_here(cluster: Cluster) -> None:
    cluster.start_worker()
    cluster.start_worker()
    facts = {}
    for where in ("here", "there"):
        more = ["--cluster", cluster.address.removeprefix("tcp://")] if where == "there" else []
        done = subprocess.run(
            [sys.executable, "-c", "from bench.cli import main; main()", "sweep",
             str(TRACES / "second_lift.csv"), str(TRACES / "clean_launch.csv"), "--calibration", str(DEMO),
             "--vary", "latch.hold_ms=0:300:50", "--vary", "rest_height_mm=125,130", "--json", *more],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, "")
        facts[where] = json.loads(done.stdout)
    assert facts["there"]["stepped_by"].startswith("the workers of 127.0.0.1:")
    for same in ("settings", "traces", "warnings", "core"):
        assert facts["there"][same] == facts["here"][same]


def test_no_worker_and_all_workers_lost_get_one_line(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("bench.sweep.cluster._WORKERS_S", 1.0)
    made = study("latch.hold_ms=0:600:20")
    with pytest.raises(UserError, match="has no workers; start some with: dask worker"):
        next(run_on_cluster(cluster.address, list(made.jobs()), "reference"))
    worker = cluster.start_worker()
    monkeypatch.setattr("bench.sweep.cluster._WORKERS_S", 60.0)
    results = run_on_cluster(cluster.address, list(made.jobs()), "reference", lost_s=2.0)
    next(results)
    worker.kill()
    with pytest.raises(UserError, match=r"all workers are gone, \d+ runs not done; check the scheduler"):
        list(results)


def test_a_scheduler_that_goes_away_gets_one_line(cluster: Cluster) -> None:
    cluster.start_worker()
    made = study("latch.hold_ms=0:600:20")
    results = run_on_cluster(cluster.address, list(made.jobs()), "reference", lost_s=2.0)
    next(results)
    cluster.processes[0].kill()
    with pytest.raises(UserError, match=r"the scheduler was lost, \d+ runs not done; check the scheduler"):
        list(results)


def test_ctrl_c_ends_it_with_130(cluster: Cluster, tmp_path: Path) -> None:
    cluster.start_worker()
    trace = short_trace(tmp_path / "long.csv", ticks=20_000)
    child = subprocess.Popen(
        [sys.executable, "-c", "from bench.cli import main; main()", "sweep", str(trace), "--calibration",
         str(DEMO), "--vary", "latch.hold_ms=0:600:20", "--core", "reference", "--cluster", cluster.address,
         "--out", str(tmp_path / "out")],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    with distributed.Client(cluster.address, set_as_default=False) as onlooker:
        wait_for(lambda: any(onlooker.processing().values()))
        os.kill(child.pid, signal.SIGINT)
        output, errors = child.communicate(timeout=30)
        assert (child.returncode, output, errors.lstrip("\n")) == (130, "", "liftlatch: stopped\n")
        assert not (tmp_path / "out").exists()
        # nobody waits for the rest, so the scheduler drops it
        wait_for(lambda: sum(map(len, onlooker.processing().values())) <= 1)
