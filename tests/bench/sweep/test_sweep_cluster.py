"""A sweep on a Dask scheduler and two workers of it, started here on the loopback address."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from bench.errors import UserError
from bench.sweep.on_cluster import sweep_on_cluster
from bench.sweep.study import Swept, Told, read_study, run_study
from bench.sweep.vary import read_varied
from tests import ROOT
from tests.sweep_support import DEMO, TRACES, demo, short_trace, study

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


def swept(
    cluster: Cluster, *varied: str, core: str = "reference", traces: Sequence[str] = ("high_wheelstand",),
    progress: Callable[[float], None] = lambda share: None,
) -> Swept:  # fmt: skip
    """The demo calibration varied over demo traces, on the cluster."""
    paths = [TRACES / f"{name}.csv" for name in traces]
    keys = read_varied(varied, demo())
    return sweep_on_cluster(
        cluster.address, demo(), keys, core, partial(read_study, paths), progress, lost_s=2.0
    )


def test_a_worker_ended_mid_run_changes_nothing(cluster: Cluster) -> None:
    lost, _ = cluster.start_worker(), cluster.start_worker()
    varied, traces = "latch.hold_ms=0:600:10", ("high_wheelstand", "second_lift")
    made = study(varied, traces=traces)
    shares: list[float] = []
    with distributed.Client(cluster.address, set_as_default=False) as onlooker:
        wait_for(lambda: len(onlooker.scheduler_info(n_workers=-1)["workers"]) == 2)

        def end_one(share: float) -> None:
            if not shares:
                workers = onlooker.scheduler_info(n_workers=-1)["workers"]
                mine = next(address for address, info in workers.items() if info["name"] == "w1")
                assert onlooker.processing([mine])[mine], "the worker to be lost had nothing to do"
                lost.kill()
                lost.wait()
            shares.append(share)

        found = swept(cluster, varied, traces=traces, progress=end_one)
        assert len(onlooker.scheduler_info(n_workers=-1)["workers"]) == 1
    assert shares[0] < 0.5
    assert shares[-1] == 1
    assert found.measures == run_study(made, "c")
    assert found.settings == [Told.of(one) for one in made.settings]


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


def test_what_is_wrong_is_told_as_here(cluster: Cluster) -> None:
    cluster.start_worker()
    # The ends are right, so only a worker finds that one between them is not.
    with pytest.raises(UserError) as here:
        study("latch.hold_ms=100,-1,200")
    with pytest.raises(UserError) as there:
        swept(cluster, "latch.hold_ms=100,-1,200")
    assert str(there.value) == str(here.value)


def test_inputs_that_only_a_setting_in_the_middle_changes_are_noticed(cluster: Cluster) -> None:
    cluster.start_worker()
    varied = "rest_height_mm=130,125,130.01"
    found = swept(cluster, varied, core="c")
    assert found.measures == run_study(study(varied), "c")


def test_no_worker_and_all_workers_lost_get_one_line(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bench.sweep.cluster._WORKERS_S", 1.0)
    with pytest.raises(UserError, match="has no workers; start some with: dask worker"):
        swept(cluster, "latch.hold_ms=0:600:10")
    worker = cluster.start_worker()
    monkeypatch.setattr("bench.sweep.cluster._WORKERS_S", 60.0)
    with pytest.raises(UserError, match=r"all workers are gone, \d+ tasks? not done; check the scheduler"):
        swept(cluster, "latch.hold_ms=0:600:10", progress=lambda share: worker.kill())


def test_a_scheduler_that_goes_away_gets_one_line(cluster: Cluster) -> None:
    cluster.start_worker()
    with pytest.raises(UserError, match=r"the scheduler was lost, \d+ tasks? not done; check the scheduler"):
        swept(cluster, "latch.hold_ms=0:600:10", progress=lambda share: cluster.processes[0].kill())


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
