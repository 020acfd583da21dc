"""Devices that stream, drip, are in use, and a Ctrl-C once the verdict stands."""

from __future__ import annotations

import random
import signal
import socket
import subprocess
import tracemalloc
from pathlib import Path

import numpy as np

from bench.device.behaviour import Behaviour
from bench.device.simulated import Device
from bench.link.frames import encode
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import INPUT, OUTPUT, TICKS, Kind, Streamed, message
from bench.link.target import RemoteTarget
from bench.verify import run as verify_run
from bench.verify.compare import Options
from bench.verify.judge import parse
from controller import Controller
from tests import ROOT
from tests.faults.support import DEMO, PROGRAM, device, write_trace
from tests.link_support import IMAGE, run_inputs

_SESSION = 7
_MOST_BYTES = 20 << 20


class _Streaming(MemoryLine):
    """Before each of its answers the device sends some messages of a stream that nobody asked for."""

    flood = b""

    def receive(self, limit_s: float) -> bytes:
        came = super().receive(limit_s)
        return self.flood + came if came else came


class _Dripping(MemoryLine):
    """Each answer comes just before it would be given up."""

    late_s = 0.0

    def receive(self, limit_s: float) -> bytes:
        came = super().receive(limit_s)
        if came:
            super().receive(self.late_s)
        return came


def streaming_device(folder: Path, long: bool) -> str:
    """A device that streams while it is asked for something else fills no memory."""
    one = Streamed(0, 0, 1, np.zeros(1, INPUT), np.zeros(1, OUTPUT)).pack()
    line = _Streaming(Behaviour(Device(Controller)))
    host = Host(line, _SESSION)
    host.hello()
    line.flood = encode(message(TICKS, _SESSION, 0, one)) * 1000
    times = 300 if long else 60
    tracemalloc.start()
    for _ in range(times):
        host.ask(Kind.STATUS)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert host.listen(0) is not None
    assert peak < _MOST_BYTES, f"{peak >> 20} MB"
    return f"{1000 * times} messages, {peak >> 20} MB"


def dripping_device(folder: Path, long: bool) -> str:
    """A device that is in time for each answer and never done: the run has a limit of its own."""
    line = _Dripping(Behaviour(Device(Controller)))
    target = RemoteTarget(Host(line, _SESSION, timeout_s=0.5))
    assert target.load(IMAGE) == 0
    records = run_inputs(1500)
    source = verify_run.TraceSource(records)
    subject = verify_run.Subject(
        Path("run"), "", [], 0.0, source, len(records), IMAGE, 1000, lambda tick, given: ""
    )
    line.late_s = 4.5
    began = line.now()
    result = verify_run.run_one(
        target, Options(window=1, most=1), subject, False, parse(None, None, None, True)
    )
    took = line.now() - began
    assert isinstance(result.tally.error, LinkError)
    assert "the device took more than 210 s for this run" in str(result.tally.error), result.tally.error
    assert 200 < took < 230, took
    return f"ended after {took:.0f} s"


def busy_device(folder: Path, long: bool) -> str:
    """A TCP device that has a bench is in use for the second one, which says so, and free afterwards."""
    trace = write_trace(folder / "run.csv", 0.6)
    with device("--port", "tcp:0") as port:
        address = (port.removeprefix("socket://").split(":")[0], int(port.rpartition(":")[2]))
        words = [*PROGRAM, "verify", str(trace), "--calibration", str(DEMO), "--port", port]
        with socket.create_connection(address, 5) as first:
            first.sendall(b"\0")
            done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 2, done.stdout
        assert f"{port}: is in use" in done.stderr, done.stderr
        assert done.stderr.count("\n") == 1, done.stderr
        done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    return "in use"


def stopped_after_verdict(folder: Path, long: bool) -> str:
    """Ctrl-C at any moment after the verdict was printed ends with 130, or comes after the end."""
    trace = write_trace(folder / "run.csv", 0.6)
    dice = random.Random(1)
    stopped = 0
    with device() as port:
        for _ in range(40 if long else 3):
            process = subprocess.Popen(
                [*PROGRAM, "verify", str(trace), "--calibration", str(DEMO), "--port", port, "--disarm"],
                cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            )  # fmt: skip
            assert process.stdout is not None
            while "equal," not in (line := process.stdout.readline()):
                assert line, "no verdict"
            try:
                process.wait(dice.uniform(0, 0.3))
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGINT)
                stopped += 1
            _, err = process.communicate(timeout=30)
            # Once the interpreter has taken its handlers down the signal itself ends it, which is 130 too.
            assert process.returncode in (130, -signal.SIGINT, 0), (process.returncode, err)
            assert "Traceback" not in err, err
    return f"{stopped} times stopped"
