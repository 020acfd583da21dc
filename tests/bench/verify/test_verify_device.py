"""Verify against devices with something wrong that no trace shows; each in a thread, behind a terminal."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bench import cli
from bench.device.behaviour import Behaviour
from bench.device.serve import serve
from bench.device.simulated import Device, Facts
from bench.errors import UserError
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.ports import PtyLine
from bench.link.protocol import OLDER_TEXT, Kind, Reason
from bench.link.target import RemoteTarget
from controller import Controller
from tests import ROOT
from tests.link_support import IMAGE, run_inputs

CALIBRATION = ROOT / "traces" / "demo.toml"


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first second and a half of a demo trace."""
    lines = (ROOT / "traces" / "clean_launch.csv").read_text().splitlines(keepends=True)
    path = tmp_path_factory.mktemp("trace") / "short.csv"
    path.write_text("".join(lines[:1500]))
    return path


@contextmanager
def served(device: Device) -> Iterator[str]:
    line = PtyLine()
    running = [True]
    thread = threading.Thread(target=serve, args=(line, Behaviour(device), lambda: running[0]))
    thread.start()
    try:
        yield line.name
    finally:
        running[0] = False
        thread.join(10)


def verify(port: str, trace: Path, *options: str) -> int:
    """The exit code; raises what the command tells as an error."""
    arguments = ["verify", str(trace), "--calibration", str(CALIBRATION), "--port", port, *options]
    return cli.liftlatch.main(arguments, standalone_mode=False) or 0


class ShortStatus(Device):
    def _status(self, body: bytes) -> bytes | Reason:
        answer = super()._status(body)
        return answer if isinstance(answer, Reason) else answer[:-3]


class NoStatus(Device):
    def _carry_out(self, kind: int, session: int, sequence: int, body: bytes) -> bytes:
        return super()._carry_out(0x7F if kind == Kind.STATUS else kind, session, sequence, body)


def test_a_status_of_the_wrong_length_is_said_and_no_success(
    trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (
        served(ShortStatus(Controller)) as port,
        pytest.raises(UserError, match="status of 39 bytes, not 42"),
    ):
        verify(port, trace)
    said = _one(capsys)
    assert "short.csv: equal" in said
    assert "No counters: status of 39 bytes, not 42" in said


def test_a_device_without_counters_is_said(trace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served(NoStatus(Controller)) as port:
        assert verify(port, trace) == 0
    said = _one(capsys)
    assert "No counters: " in said
    assert "the device refused status: it does not know this request" in said


def _one(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def armed() -> Device:
    device = Device(Controller)
    target = RemoteTarget(Host(MemoryLine(Behaviour(device)), 7))
    target.load(IMAGE)
    target.start()
    target.run(0, run_inputs(300))
    return device


def test_a_device_that_is_armed_is_left_alone_unless_told(
    trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    device = armed()
    with served(device) as port:
        stepped = device.stepped
        with pytest.raises(UserError, match=r"it is armed, or torque is taken.*--disarm"):
            verify(port, trace)
        assert device.stepped == stepped
        assert verify(port, trace, "--disarm") == 0
        assert "equal" in _one(capsys)
        assert verify(port, trace) == 0  # it was left at rest


def test_an_older_calibration_is_said(
    trace: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with served(Device(Controller, Facts(older=True), image=IMAGE)) as port:
        assert verify(port, trace, "--out", str(tmp_path / "out")) == 0
    assert OLDER_TEXT in _one(capsys)
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["how"]["older_calibration_met"] is True
    assert "safe_state" in found["device"]["features"]
    assert found["status"]["notes"] == 0  # the new calibration was kept


class Slow(Device):
    def _step(self, body: bytes) -> bytes | Reason:
        time.sleep(0.01)
        return super()._step(body)


@pytest.mark.slow
def test_a_device_that_is_late_in_real_time_is_a_finding(
    trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = trace.read_text().splitlines(keepends=True)
    short = trace.with_name("shorter.csv")
    short.write_text("".join(lines[:60]))
    with served(Slow(Controller)) as port:
        assert verify(port, short, "--real-time", "--max-late", "20") == 1
        assert verify(port, short, "--real-time", "--max-late", "100000") == 0
    said = _one(capsys)
    assert "ticks late by the device" in said
    assert "behind at the end: it did not catch up" in said
    with pytest.raises(UserError, match="--max-late: is for --real-time"):
        verify(port, short, "--max-late", "3")


class FirstAnswerWrong(Device):
    def _step(self, body: bytes) -> bytes | Reason:
        answer = super()._step(body)
        if isinstance(answer, Reason):
            return answer
        self.right = answer
        return answer[:20] + bytes([answer[20] ^ 1]) + answer[21:]

    def _answer(self, payload: bytes) -> bytes:
        answer = super()._answer(payload)
        if payload[0] == Kind.STEP and answer[0] == Kind.STEP | 0x80:
            self._answers[int.from_bytes(payload[3:5], "little")] = answer[:5] + self.right
        return answer


def test_a_device_that_answers_twice_differently_is_a_finding(
    trace: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with served(FirstAnswerWrong(Controller)) as port:
        assert verify(port, trace, "--out", str(tmp_path / "out")) == 1
    assert "short.csv: different at tick 0 (0 s): answered twice differently: " in _one(capsys)
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["traces"][0]["difference"]["answered_twice_differently"] is True
