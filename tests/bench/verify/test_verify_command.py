"""The commands verify, device and record as a person runs them: two processes and a port between them."""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from xml.etree import ElementTree as xml

import click
import numpy as np
import pytest

from bench import cli
from bench.calibration import load
from bench.errors import UserError
from bench.link.reading import Reading, reading_of
from bench.link.target import LocalTarget
from bench.verify.compare import FIRST_TICK
from bench.verify.replay_id import replay_id, show
from controller import Controller
from controller.constants import HOLD
from tests import ROOT

TRACE = ROOT / "traces" / "clean_launch.csv"
CALIBRATION = ROOT / "traces" / "demo.toml"
PROGRAM = [sys.executable, "-c", "from bench.cli import main; main()"]


@contextmanager
def device(*options: str) -> Iterator[str]:
    """A device model as a process; the name of its port."""
    process = subprocess.Popen([*PROGRAM, "device", *options], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        line = process.stdout.readline()
        assert line.startswith("device on "), line
        yield line.removeprefix("device on ").strip()
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(10) in (130, -signal.SIGKILL)
        process.stdout.close()


def liftlatch(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [*PROGRAM, *(str(argument) for argument in arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)


def verify(port: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return liftlatch("verify", TRACE, "--calibration", CALIBRATION, "--port", port, *arguments)


def one_line(done: subprocess.CompletedProcess[str]) -> str:
    """The one line on standard error of a command that failed with exit code 2."""
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stderr.startswith("liftlatch: ")
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


def refused(*arguments: str) -> str:
    """What the command says that refuses its arguments; in this process, since starting one takes long."""
    with pytest.raises((UserError, click.ClickException)) as error:
        cli.liftlatch.main(list(arguments), standalone_mode=False)
    told = error.value
    text = told.format_message() if isinstance(told, click.ClickException) else str(told)
    assert "\n" not in text
    return text


def last_of_hold() -> int:
    """The last tick of the first hold: what a device whose hold is one tick short gets wrong first."""
    calibration = load(CALIBRATION)
    _, _, records = Reading().inputs(TRACE, calibration)
    target = LocalTarget(Controller())
    target.load(calibration.image)
    target.start()
    outputs = target.run(FIRST_TICK, records).outputs
    return int(np.flatnonzero((outputs["state"] == HOLD) & (outputs["hold_left"] == 0))[0])


@pytest.mark.parametrize("port", ["pty", "tcp:0"])
def test_an_equal_device(port: str, tmp_path: Path) -> None:
    with device("--port", port) as name:
        done = verify(name, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    said = r"clean_launch.csv: equal, \d+ ticks in \d+ frames \(every output, event and state\)"
    assert re.search(said, " ".join(done.stdout.split()))
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["verdict"] == "equal"
    assert found["traces"][0]["ticks"] == found["traces"][0]["ticks_equal"] > 5000
    assert found["status"]["ticks"] == found["traces"][0]["ticks"]
    suite = xml.parse(tmp_path / "out" / "junit.xml").getroot()
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("1", "0", "0")
    assert sorted(path.name for path in (tmp_path / "out").glob("[!.]*")) == [
        "junit.xml", "report.html", "verify.json",
    ]  # fmt: skip


@pytest.mark.slow
def test_a_device_with_a_bug(tmp_path: Path) -> None:
    tick = last_of_hold()
    with device("--bug", "hold-short") as name:
        done = verify(name, "--window", "4", "--out", tmp_path / "out")
        lock_step = verify(name, TRACE)
    assert done.returncode == 1, done.stderr
    assert f"different at tick {tick} (" in done.stdout
    assert re.search(r"state (rest|release) instead of hold", done.stdout)
    assert lock_step.returncode == 1
    assert lock_step.stdout.count(f"different at tick {tick} (") == 2
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["verdict"] == "different"
    difference = found["traces"][0]["difference"]
    assert difference["tick"] == found["traces"][0]["ticks_equal"] == tick
    assert f"replay id {difference['replay_id']}\n" in done.stdout
    case = xml.parse(tmp_path / "out" / "junit.xml").getroot()[0]
    failure = case.find("failure")
    assert failure is not None
    assert f"tick {tick}" in (failure.get("message") or "")
    with open(tmp_path / "out" / "clean_launch-difference.csv", newline="") as stream:
        rows = {int(row["tick"]): row for row in csv.DictReader(stream)}
    assert sorted(rows) == list(range(tick - 60, tick + 41))
    assert rows[tick - 1]["latched_expected"] == rows[tick - 1]["latched_got"]
    assert int(rows[tick]["latched_expected"]) > int(rows[tick]["latched_got"])
    picture = (tmp_path / "out" / "clean_launch-difference.svg").read_text()
    assert picture.startswith("<svg")
    shown = liftlatch("replay", difference["replay_id"])
    assert shown.returncode == 0, shown.stderr
    assert f"around tick {tick}" in shown.stdout


@pytest.mark.slow
def test_several_traces_and_a_bad_line(tmp_path: Path) -> None:
    other = ROOT / "traces" / "sensor_dropouts.csv"
    faults = ["--fault", "drop=0.01", "--fault", "flip=0.01", "--fault", "garbage=0.01", "--seed", "4"]
    with device(*faults) as name:
        done = verify(name, other, "--window", "8", "--timeout", "0.1", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert [trace["verdict"] for trace in found["traces"]] == ["equal", "equal"]
    assert sum(trace["resent"] for trace in found["traces"]) > 0
    assert "retries" in done.stdout


@pytest.mark.slow
def test_a_device_that_is_unplugged_in_the_middle(tmp_path: Path) -> None:
    process = subprocess.Popen([*PROGRAM, "device"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    name = process.stdout.readline().removeprefix("device on ").strip()
    command = ["verify", str(TRACE), "--calibration", str(CALIBRATION), "--port", name, "--real-time"]
    bench = subprocess.Popen(
        [*PROGRAM, *command, "--window", "8", "--out", str(tmp_path / "out")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert bench.stdout is not None
    while not bench.stdout.readline().startswith("clean_launch.csv: launch"):
        assert bench.poll() is None
    time.sleep(1.5)
    process.kill()
    process.wait()
    process.stdout.close()
    shown, complaint = bench.communicate(timeout=30)
    assert bench.returncode == 2
    assert complaint == f"liftlatch: {name}: the port went away; check cable and device, and start again\n"
    assert "then the link failed" in shown
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert found["verdict"] == "link"
    assert 0 < found["traces"][0]["ticks_equal"] < found["traces"][0]["ticks"]
    assert (tmp_path / "out" / "clean_launch-latency.svg").read_text().startswith("<svg")
    assert xml.parse(tmp_path / "out" / "junit.xml").getroot().get("errors") == "1"


def test_a_device_that_restarts_in_the_middle(tmp_path: Path) -> None:
    with device("--reset-at", "3000") as name:
        done = verify(name, "--out", tmp_path / "out")
    assert "the device was restarted in the middle" in one_line(done)
    found = json.loads((tmp_path / "out" / "verify.json").read_text())
    assert 2900 < found["traces"][0]["ticks_equal"] <= 3000


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--wrong-version"], "its controller reads calibration images of version"),
        (["--wrong-protocol"], "speaks version 2 of the protocol; this bench speaks version 1"),
    ],
)
def test_a_device_of_another_version(options: list[str], said: str, tmp_path: Path) -> None:
    with device(*options) as name:
        assert said in one_line(verify(name, "--out", tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_another_firmware_than_asked_for() -> None:
    with device() as name:
        line = one_line(verify(name, "--firmware", "board 7"))
    assert "its firmware is 'model, reference', not 'board 7'" in line


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--port", "/dev/no-such-port"], "there is no such port"),
        (["--port", "/dev/null"], "/dev/null: "),
        (["--port", "/dev/null", "--window", "0"], "--window"),
        (["--port", "/dev/null", "--ticks-per-frame", "256"], "--ticks-per-frame"),
        ([], "give the device's port, or --emulated"),
        (["--port", "/dev/null", "--emulated"], "give the device's port, or --emulated"),
    ],
)
def test_wrong_usage_of_verify(arguments: list[str], said: str) -> None:
    assert said in refused("verify", str(TRACE), "--calibration", str(CALIBRATION), *arguments)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--fault", "burn=0.1"], "no such fault; there are drop, flip"),
        (["--fault", "drop=2"], "the rate is no share"),
        (["--fault", "drop=often"], "the rate is no share"),
        (["--bug", "all"], "--bug"),
        (["--core", "c", "--bug", "tick-wrap"], "bugs are for the reference core only"),
        (["--port", "tcp:99999"], "no such port number"),
        (["--emulated", "--core", "c"], "--core: is for the device model"),
        (["--plays", str(TRACE)], "needs a calibration"),
    ],
)
def test_wrong_usage_of_device(arguments: list[str], said: str) -> None:
    assert said in refused("device", *arguments)


@pytest.mark.slow
def test_a_recording_of_a_device_replays_as_what_it_ran(tmp_path: Path) -> None:
    """The device plays a run in real time; what it streams replays to the outputs that it streamed with
    it."""
    short = tmp_path / "short.csv"
    lines = TRACE.read_text(encoding="utf-8").splitlines(keepends=True)
    short.write_text("".join(lines[:2] + lines[2 + 150 : 2 + 450]), encoding="utf-8")
    file = tmp_path / "recorded.csv"
    with device("--plays", str(short), "--calibration", str(CALIBRATION)) as name:
        done = liftlatch("record", file, "--port", name, "--quiet", "0.5")
    assert done.returncode == 0, done.stderr
    assert re.search(r"recorded.csv: \d+ ticks of 1000 µs$", " ".join(done.stdout.split()))
    replayed = liftlatch("replay", file, "--calibration", CALIBRATION, "--out", tmp_path / "out")
    assert replayed.returncode == 0, replayed.stderr
    with open(file, newline="") as stream:
        streamed = list(csv.DictReader(stream))[1:]
    with open(tmp_path / "out" / "ticks.csv", newline="") as stream:
        again = list(csv.DictReader(stream))
    lead = len(again) - len(streamed)
    assert lead == 0
    assert len(streamed) > 1400
    cuts = 0
    for row, right in zip(streamed, again, strict=True):
        assert float(row["Device reduction"]) * 10 == pytest.approx(float(right["reduction_permille"]))
        assert row["Height"] == right["height_counts"]
        cuts += float(row["Device reduction"]) > 0
    assert cuts > 100


def test_recording_what_streams_nothing() -> None:
    with device() as name:
        line = one_line(liftlatch("record", "nothing.csv", "--port", name, "--quiet", "0.3"))
    assert "the device runs no calibration" in line
    assert not (ROOT / "nothing.csv").exists()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("none/run.csv", "make the folder first"),
        ("old.csv", "is there already"),
        ("old.csv/run.csv", "check the folders in the name"),
        (".", "is a folder"),
    ],
)
def test_a_recording_that_could_not_be_kept_is_not_begun(name: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "old.csv").write_text("a run that cannot be had again")
    # The port is not even opened.
    line = one_line(liftlatch("record", tmp_path / name, "--port", tmp_path / "no port"))
    assert said in line
    assert (tmp_path / "old.csv").read_text() == "a run that cannot be had again"


@pytest.mark.slow
def test_ctrl_c_in_the_middle_leaves_nothing_half_written(tmp_path: Path) -> None:
    with device() as name:
        bench = subprocess.Popen(
            [
                *PROGRAM, "verify", str(TRACE), "--calibration", str(CALIBRATION), "--port", name,
                "--real-time", "--out", str(tmp_path / "out"),
            ],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        assert bench.stdout is not None
        while not bench.stdout.readline().startswith("clean_launch.csv: launch"):
            assert bench.poll() is None
        time.sleep(0.5)
        bench.send_signal(signal.SIGINT)
        _, complaint = bench.communicate(timeout=30)
    assert bench.returncode == 130
    assert complaint.strip() == "liftlatch: stopped"
    assert os.listdir(tmp_path) == []


def test_a_replay_id_names_a_run(capsys: pytest.CaptureFixture[str]) -> None:
    from bench.trace.choice import ColumnChoice

    choice = ColumnChoice(columns={"height": "Nose height:V"}, rate_hz=200.0)
    reading = Reading(0.2, 12.5, None, choice)
    assert reading_of(reading.as_texts()) == reading
    assert reading_of([]) == Reading()
    text = replay_id(7, "00000000", Path("a:b%.csv"), Path("c d.toml"), reading)
    assert text.startswith("verify:7:00000000:a%3Ab%25.csv:c d.toml:max_gap_s=0.2:speed_kmh=12.5:column.")
    for wrong in ("verify:7", "verify:x:0:a:b", "verify:7:0:a:b:what=1", "verify:-1:0:a:b"):
        with pytest.raises(UserError, match="is no replay id"):
            show(wrong, False)
    with pytest.raises(UserError, match="changed since"):
        show(replay_id(7, "00000000", TRACE, CALIBRATION, Reading()), False)
