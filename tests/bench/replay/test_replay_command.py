"""`liftlatch replay` as a whole: what it prints and writes, on small traces and on the real recordings."""

from __future__ import annotations

import csv
import ctypes
import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from fractions import Fraction
from functools import cached_property
from io import StringIO
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch
from xml.etree import ElementTree as xml

import pytest
from click.testing import CliRunner
from pyarrow import csv as arrow_csv

from bench.calibration import compile_text
from bench.cautions import CAUTIONS
from bench.cli import main
from bench.replay.command import replay
from controller import Controller
from firmware_model import binding
from tests import RECORDINGS, ROOT
from tests.replay_support import FILE, SLOW_FILE, flight, write_trace

HEADER = "Time [s],Height [mm],Speed [km/h],Engine speed [rpm]"
Row = dict[str, Any]
Runner = Callable[..., tuple[int, str, str]]


def liftlatch(*arguments: str | Path, **more: Any) -> subprocess.CompletedProcess[str]:
    program = "from bench.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, *map(str, arguments)],
        cwd=ROOT,
        text=True,
        capture_output=True,
        timeout=120,
        check=False,
        **more,
    )


def here(*arguments: str | Path) -> tuple[int, str, str]:
    """The same without a process of its own, which saves its start: (exit code, stdout, stderr)."""
    out, err = StringIO(), StringIO()
    argv = ["liftlatch", *map(str, arguments)]
    with (
        patch.object(sys, "argv", argv),
        redirect_stdout(out),
        redirect_stderr(err),
        pytest.raises(SystemExit) as left,
    ):
        main()
    assert isinstance(left.value.code, int)
    return left.value.code, out.getvalue(), err.getvalue()


def numbers(path: Path) -> list[Row]:
    """The rows of a CSV file, numbers as such."""

    def number(text: str) -> Any:
        try:
            return int(text)
        except ValueError:
            return text if text.isalpha() or "_" in text else float(text)

    with open(path, newline="") as stream:
        return [{name: number(text) for name, text in row.items()} for row in csv.DictReader(stream)]


class Replayed:
    """One replay with all that it printed and wrote."""

    def __init__(self, folder: Path, calibration: str, trace: Path, *options: str) -> None:
        self.calibration = folder / "cal.toml"
        self.calibration.write_text(calibration)
        self.out = folder / "out"
        self.trace = trace
        arguments = ("replay", trace, "--calibration", self.calibration, "--out", self.out, *options)
        code, self.text, told = here(*arguments)
        assert (code, told) == (0, "")
        self.summary = json.loads((self.out / "summary.json").read_text())

    @cached_property
    def ticks(self) -> list[Row]:
        return numbers(self.out / "ticks.csv")

    @cached_property
    def events(self) -> list[Row]:
        return numbers(self.out / "events.csv")


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Replayed:
    folder = tmp_path_factory.mktemp("flight")
    trace = write_trace(folder / "flight.csv", HEADER, flight())
    return Replayed(folder, FILE, trace)


def launched(rows: list[Row]) -> list[Row]:
    return [row for row in rows if row["launched"]]


class TestTicks:
    def test_equal_stepping_the_controller(self, replayed: Replayed) -> None:
        """Inputs worked out here, the controller stepped by hand, compared column for column."""
        cal = compile_text(FILE, "cal.toml")
        c = Controller()
        c.load(cal.image)
        rows = flight()
        # the first tick above 1 km/h
        launch = next(i for i, (_, _, speed, _) in enumerate(rows) if speed > 1)
        order, fired = cal.row("firing_order"), 0
        turned, events = Fraction(0), []
        states = ["rest", "peak", "hold", "release", "kept", "fault_release"]
        for i, (t, height, speed, rpm) in enumerate(rows):
            counts = int(height * 4095 / 500 + 0.5)
            c.step(i, counts, int(speed * 10 + 0.5), 1, int(rpm), 0, 1, int(i >= launch), 0, 0, 0)
            row = replayed.ticks[i]
            estimate = row.pop("torque_estimate")
            assert 0 <= estimate <= 1
            assert row == {
                "tick": i, "time_s": t, "elapsed_ms": c.elapsed_ms, "armed": 1, "launched": c.launched,
                "height_counts": counts, "height_mm": c.height.good / 16, "lift_mm": c.lift.value / 16,
                "lift_ahead_mm": c.lift.entry / 16, "progress": c.progress.value / 10,
                "demand_permille": c.reduction.demand, "latched_permille": c.reduction.output,
                "reduction_permille": c.command.reduction, "retard_ddeg": c.command.retard,
                "state": states[c.reduction.state], "reason": c.command.reason, "askers": c.command.askers,
                "faults": c.faults, "hold_left_ticks": c.reduction.hold_left,
                "out_of_sight_ticks": c.out_of_sight_ticks,
            }  # fmt: skip
            row["torque_estimate"] = estimate
            turned += Fraction(int(rpm) * len(order), 120_000)
            while turned >= 1:
                turned -= 1
                cylinder = order[fired % len(order)]
                fired += 1
                bits = c.event(cylinder)
                events.append({
                    "tick": i, "time_s": t, "cylinder": cylinder, "reduction_permille": c.command.reduction,
                    "fuel_off": bits & 1, "spark_off": bits >> 1 & 1,
                })  # fmt: skip
        assert len(replayed.ticks) == len(rows)
        assert replayed.events == events

    def test_see_what_the_flight_is(self, replayed: Replayed) -> None:
        # so that the tests here cannot pass on an empty run
        assert max(row["lift_mm"] for row in replayed.ticks) == pytest.approx(230, abs=1)
        assert {row["reason"] for row in replayed.ticks} == {0, 1, 5}
        assert {row["state"] for row in replayed.ticks} == {"rest", "peak", "hold", "release"}
        assert sum(row["fuel_off"] for row in replayed.events) > 20


class TestSummary:
    """Every number of the summary, worked out anew from ticks.csv and events.csv."""

    def test_launch(self, replayed: Replayed) -> None:
        (launch,) = replayed.summary["launches"]
        rows = launched(replayed.ticks)
        assert launch["tick"] == rows[0]["tick"]
        assert launch["time_s"] == rows[0]["time_s"]
        assert launch["run_s"] == len(rows) / 1000
        assert launch["greatest_lift_mm"] == max(row["lift_mm"] for row in rows)
        assert launch["greatest_reduction_permille"] == max(row["reduction_permille"] for row in rows)
        assert not launch["disarmed"]
        assert not launch["fault_at_launch"]
        assert launch["rest_mm"] == 130

    def test_torque_time(self, replayed: Replayed) -> None:
        rows = launched(replayed.ticks)
        taken = sum(row["reduction_permille"] for row in rows) / 1000
        (launch,) = replayed.summary["launches"]
        for part in (launch, replayed.summary["torque"]):
            assert part["full_cut_s"] == pytest.approx(taken / 1000, abs=1e-6)
            assert part["share_taken"] == pytest.approx(taken / len(rows), abs=1e-6)
        torque = replayed.summary["torque"]
        assert torque["reduced_s"] == sum(row["reduction_permille"] > 0 for row in rows) / 1000
        assert torque["retarded_s"] == sum(row["retard_ddeg"] > 0 for row in rows) / 1000
        left = sum(row["torque_estimate"] for row in rows) / len(rows)
        assert torque["estimated_share_left"] == pytest.approx(left, abs=2e-4)

    def test_reasons(self, replayed: Replayed) -> None:
        ticks = Counter(row["reason"] for row in replayed.ticks if row["reduction_permille"])
        told = {reason["reason"]: reason for reason in replayed.summary["reasons"]}
        assert set(told) == set(ticks) == {1, 5}
        for reason, count in ticks.items():
            assert told[reason]["time_s"] == count / 1000
            assert told[reason]["share"] == pytest.approx(count / ticks.total(), abs=1e-6)
        assert [told[1]["name"], told[5]["name"]] == ["lift", "engine ceiling"]

    def test_askers(self, replayed: Replayed) -> None:
        for asker in replayed.summary["askers"]:
            asked = sum(row["askers"] & asker["asker"] != 0 for row in replayed.ticks)
            assert asker["asked_s"] == asked / 1000
        assert [asker["name"] for asker in replayed.summary["askers"]] == ["lift", "engine ceiling"]

    def test_lifts(self, replayed: Replayed) -> None:
        summary = replayed.summary
        assert (summary["lift_threshold_mm"], summary["lift_threshold_from"]) == (
            60,
            "the suspension's droop",
        )
        (lift,) = summary["lifts"]
        above = [row for row in replayed.ticks if row["lift_mm"] > 60]
        start = summary["launches"][0]["tick"]
        assert lift["since_launch_s"] == (above[0]["tick"] - start) / 1000
        end = next(row["tick"] for row in replayed.ticks[above[0]["tick"] :] if row["lift_mm"] < 50)
        assert lift["in_air_s"] == (end - above[0]["tick"]) / 1000
        assert lift["peak_lift_mm"] == max(row["lift_mm"] for row in above)
        assert lift["peak_height_mm"] == max(row["height_mm"] for row in above)
        assert (lift["launch"], lift["beyond"], lift["open_end"]) == (1, False, False)

    def test_a_lift_that_was_not_seen_to_its_end_says_so(self, replayed: Replayed, tmp_path: Path) -> None:
        assert [lift["unknown_s"] for lift in replayed.summary["lifts"]] == [0]
        lost = [(t, "" if 1.95 < t < 2.1 else height, *rest) for t, height, *rest in flight(4.0)]
        trace = write_trace(tmp_path / "lost.csv", HEADER, lost)
        code, printed, told = here("replay", trace, "--calibration", replayed.calibration, "--json")
        assert code == 0, told
        (lift,) = json.loads(printed)["lifts"]
        # of 0.149 s without a sample 0.02 s to confirm the fault, then 0.05 s to heal
        assert lift["unknown_s"] == pytest.approx(0.149 - 0.02 + 0.05, abs=0.0021)
        printed = here("replay", trace, "--calibration", replayed.calibration)[1]
        assert f"{lift['in_air_s']:.3f}?" in printed
        assert "? The height was not believed for part of the time" in printed

    def test_interventions(self, replayed: Replayed) -> None:
        start = replayed.summary["launches"][0]["tick"]
        parts = [
            list(part)
            for taking, part in groupby(
                replayed.ticks, key=lambda row: row["reduction_permille"] > 0 or row["retard_ddeg"] > 0
            )
            if taking
        ]
        assert len(replayed.summary["interventions"]) == len(parts) == 2
        for told, part in zip(replayed.summary["interventions"], parts, strict=True):
            reductions = [row["reduction_permille"] for row in part]
            peak = max(reductions)
            assert told["since_launch_s"] == (part[0]["tick"] - start) / 1000
            assert told["duration_s"] == len(part) / 1000
            assert told["peak_reduction_permille"] == peak
            assert told["peak_retard_ddeg"] == max(row["retard_ddeg"] for row in part)
            assert told["at_peak_s"] == reductions.count(peak) / 1000
            assert told["release_s"] == reductions[::-1].index(peak) / 1000
            holds = [
                len(list(hold))
                for state, hold in groupby(part, key=lambda row: row["state"])
                if state == "hold"
            ]
            assert told["hold_s"] == max(holds, default=0) / 1000
            assert told["open_end"] == (part[-1]["tick"] == len(replayed.ticks) - 1)
        lift, engine = replayed.summary["interventions"]
        assert (lift["reason"], lift["hold_s"], lift["hold_ran_out"]) == ("lift", 0.3, True)
        assert (engine["reason"], engine["hold_s"], engine["open_end"]) == ("engine ceiling", 0.0, True)

    def test_cylinder_events(self, replayed: Replayed) -> None:
        first = replayed.summary["launches"][0]["tick"]
        inside = [event for event in replayed.events if event["tick"] >= first]
        events = replayed.summary["events"]
        assert events["count"] == len(inside)
        assert events["skipped"] == sum(event["fuel_off"] for event in inside)
        assert [told["cylinder"] for told in events["cylinders"]] == [1, 8, 4, 3, 6, 5, 7, 2]
        for told in events["cylinders"]:
            mine = [event["fuel_off"] for event in inside if event["cylinder"] == told["cylinder"]]
            assert (told["events"], told["skipped"]) == (len(mine), sum(mine))
            assert told["share"] == pytest.approx(sum(mine) / len(mine), abs=1e-6)

    def test_faults_and_changes(self, replayed: Replayed) -> None:
        for fault in replayed.summary["faults"]:
            ticks = [row["tick"] for row in replayed.ticks if row["faults"] & fault["bit"]]
            assert fault["total_s"] == len(ticks) / 1000
            assert fault["first"][0]["tick"] == ticks[0]
            assert fault["in_runs_s"] == 0
        commands = [row["reduction_permille"] for row in replayed.ticks]
        steps = [b - a for a, b in pairwise(commands) if a != b]
        assert replayed.summary["command_changes"] == len(steps)
        turns = sum((a > 0) != (b > 0) for a, b in pairwise(steps))
        assert replayed.summary["command_reversals"] == turns

    def test_says_what_was_run(self, replayed: Replayed) -> None:
        summary = replayed.summary
        assert summary["command_line"].startswith(f"liftlatch replay {replayed.trace} --calibration")
        assert summary["calibration"]["image_crc32"] == f"{compile_text(FILE, 'cal.toml').crc:08x}"
        for name in ("trace", "calibration"):
            path = getattr(replayed, name)
            listed = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout
            assert summary[name]["sha256"] == listed.split()[0]
        assert any("found where the car leaves its last standstill" in note for note in summary["notes"])
        assert summary["cautions"] == CAUTIONS


class TestScreen:
    def test_fits_80_columns_and_tells_the_run(self, replayed: Replayed) -> None:
        assert max(map(len, replayed.text.splitlines())) <= 80
        text = " ".join(replayed.text.split())
        for line in (
            "1 launch", "1 lift above 60 mm", "2 interventions", "Torque-time taken", "by the C core",
            "No fault in the runs", "Torque left over the runs, an estimate", "the picture run.svg",
        ):  # fmt: skip
            assert line in text
        shares = {reason["name"]: round(100 * reason["share"]) for reason in replayed.summary["reasons"]}
        first, second = shares
        assert f"{shares[first]} % of the reduction time was {first}, {shares[second]} % {second}." in text
        assert text.endswith(" ".join(CAUTIONS.split()))

    def test_json_is_all_there_is(self, replayed: Replayed) -> None:
        done = liftlatch("replay", replayed.trace, "--calibration", replayed.calibration, "--json")
        assert (done.returncode, done.stderr) == (0, "")
        told = json.loads(done.stdout)
        assert told.pop("command_line") != replayed.summary["command_line"]
        assert told == {key: value for key, value in replayed.summary.items() if key != "command_line"}

    def test_without_out_nothing_is_written(self, replayed: Replayed, tmp_path: Path) -> None:
        before = sorted(replayed.trace.parent.rglob("*"))
        program = "import sys; sys.path.insert(0, sys.argv.pop(1)); from bench.cli import main; main()"
        command = [sys.executable, "-c", program, ROOT, "replay", replayed.trace, "--calibration"]
        done = subprocess.run(
            [*command, replayed.calibration],
            cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        assert done.returncode == 0
        assert "Written" not in done.stdout
        assert list(tmp_path.iterdir()) == []
        assert sorted(replayed.trace.parent.rglob("*")) == before

    def test_a_reader_that_goes_away_is_no_difference(self, replayed: Replayed) -> None:
        reader, writer = os.pipe()
        os.close(reader)
        program = "from bench.cli import main; main()"
        command = [
            sys.executable,
            "-c",
            program,
            "replay",
            replayed.trace,
            "--calibration",
            replayed.calibration,
        ]
        with os.fdopen(writer, "w") as closed:
            done = subprocess.run(
                command, cwd=ROOT, stdout=closed, stderr=subprocess.PIPE, check=False, timeout=60
            )
        assert (done.returncode, done.stderr) == (141, b"")


def test_equal_replays_write_equal_files(replayed: Replayed, tmp_path: Path) -> None:
    again = tmp_path / "again"
    arguments = ("replay", replayed.trace, "--calibration", replayed.calibration, "--out", again)
    # in a process of its own, with another hash seed
    assert liftlatch(*arguments).returncode == 0
    for name in ("ticks.csv", "events.csv", "run.svg"):
        assert (again / name).read_bytes() == (replayed.out / name).read_bytes(), name


def test_a_height_that_moves_on_its_own_is_told_loudly(tmp_path: Path) -> None:
    """A sensor that is lost at launch, and comes back: fault at launch, in the screen's first lines."""
    rows = [(t, "" if 0.5 < t < 1.5 else h, v, rpm) for t, h, v, rpm in flight()]
    made = Replayed(tmp_path, FILE, write_trace(tmp_path / "lost.csv", HEADER, rows))
    assert made.summary["launches"][0]["fault_at_launch"]
    assert [look["code"] for look in made.summary["look_at"]][:1] == ["fault_at_launch"]
    assert "A FAULT WAS PRESENT AT LAUNCH" in made.text.split("1 launch")[0]
    assert made.summary["lost_s"] == 0.999


def test_two_runs_have_two_pictures(tmp_path: Path) -> None:
    once = flight(3.0)
    stop = [(3.0 + i / 1000, 130, max(0.0, 180 - i / 10), 3000) for i in range(4000)]
    again = [(7.0 + t, h, v, rpm) for t, h, v, rpm in once]
    # the arming switch parts them: without one the better run is taken
    armed = [(*row, on) for rows, on in ((once, 1), (stop, 0), (again, 1)) for row in rows]
    trace = write_trace(tmp_path / "two.csv", f"{HEADER},Armed", armed)
    made = Replayed(tmp_path, FILE, trace)
    assert [launch["disarmed"] for launch in made.summary["launches"]] == [True, False]
    assert [lift["launch"] for lift in made.summary["lifts"]] == [1, 2]
    assert {path.name for path in made.out.iterdir() if path.suffix == ".svg"} == {"run.svg", "run_2.svg"}
    assert "2 launches" in made.text


def svg_size(path: Path) -> tuple[float, float]:
    """Width and height of a picture, from the root element's attributes (W3C SVG 1.1, 5.1.2)."""
    root = xml.parse(path).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    return float(root.attrib["width"]), float(root.attrib["height"])


RECORDED = [
    # least and greatest height in mm, from the files with numpy; lifts counted in the picture
    ("laser_sin_08.csv", 128.7, 442.1, 15),
    ("laser_sin_10.csv", 107.3, 415.0, 17),
    ("laser_sin_12.csv", 28.7, 423.5, 14),
]


@pytest.mark.parametrize(("name", "least", "greatest", "lifts"), RECORDED)
def test_a_real_recording(name: str, least: float, greatest: float, lifts: int, tmp_path: Path) -> None:
    trace = RECORDINGS / name
    if not trace.exists():
        pytest.skip(f"the recording {name} is not here")
    columns = ("--time-column", "1:s", "--height-column", "2:m", "--height-offset", "250")
    made = Replayed(tmp_path, SLOW_FILE, trace, *columns)
    lead = made.summary["ticks"]["put_before"]
    ticks = arrow_csv.read_csv(made.out / "ticks.csv")
    counts = ticks["height_counts"].to_numpy()[lead:]
    assert counts.min() * 500 / 4095 == pytest.approx(least, abs=0.1)
    assert counts.max() * 500 / 4095 == pytest.approx(greatest, abs=0.1)
    # what the controller sees goes as far: one sample in the 20 ms of the sensor
    assert ticks["height_mm"].to_numpy().max() == pytest.approx(greatest, abs=1)
    assert len(made.summary["launches"]) == 1
    assert len(made.summary["lifts"]) == lifts
    # the ball goes to and fro each two seconds or so, and each time the reduction latches and is given back
    assert sum(item["hold_ran_out"] for item in made.summary["interventions"]) >= lifts - 3
    assert {reason["name"] for reason in made.summary["reasons"]} == {"lift"}
    faulted = [
        fault for fault in made.summary["faults"] if fault["name"] in ("sensor", "out_of_sight", "stuck")
    ]
    assert sum(fault["in_runs_s"] for fault in faulted) == 0
    assert made.summary["torque"]["estimate_from"] == "command"
    assert len((made.out / "events.csv").read_text().splitlines()) == 1
    assert svg_size(made.out / "run.svg") > (1000, 600)
    assert 0.02 < made.summary["torque"]["share_taken"] < 0.4


class TestBadInput:
    """One clear line, exit code 2, no traceback, nothing written."""

    @pytest.fixture
    def files(self, tmp_path: Path) -> Path:
        write_trace(tmp_path / "good.csv", HEADER, flight(1.5))
        (tmp_path / "cal.toml").write_text(FILE)
        (tmp_path / "empty.csv").write_bytes(b"")
        (tmp_path / "headed.csv").write_text(HEADER + "\n")
        write_trace(tmp_path / "words.csv", HEADER, [(0, "high", 0, 0), (0.001, "low", 0, 0)])
        (tmp_path / "binary.csv").write_bytes(bytes(range(256)) * 40)
        (tmp_path / "folder").mkdir()
        return tmp_path

    def run_apart(self, *arguments: str | Path) -> tuple[int, str, str]:
        """In a process that has no more rights than anybody."""
        done = liftlatch(*arguments, preexec_fn=_not_almighty)
        return done.returncode, done.stdout, done.stderr

    def fails(
        self, run: Runner, files: Path, trace: str, *more: str | Path, calibration: str = "cal.toml"
    ) -> str:
        out = files / "out"
        code, printed, told = run(
            "replay", files / trace, "--calibration", files / calibration, "--out", out, *more
        )
        assert (code, printed) == (2, "")
        assert "Traceback" not in told
        assert not [path for path in files.rglob("*") if "out" in path.name]
        assert told.startswith("liftlatch: ")
        assert told.count("\n") == 1
        return told

    @pytest.mark.parametrize(
        ("trace", "told"),
        [
            ("absent.csv", "there is no such file"),
            ("empty.csv", "the file is empty"),
            ("headed.csv", "headed.csv"),
            ("words.csv", "words.csv:2"),
            ("binary.csv", "binary file"),
            ("folder", "is a folder"),
            ("cal.toml", "cal.toml"),
        ],
    )
    def test_trace(self, files: Path, trace: str, told: str) -> None:
        assert told in self.fails(here, files, trace)

    @pytest.mark.parametrize("calibration", ["absent.toml", "folder", "binary.csv"])
    def test_calibration(self, files: Path, calibration: str) -> None:
        assert calibration in self.fails(here, files, "good.csv", calibration=calibration)

    @pytest.mark.parametrize(
        "options",
        [
            ("--launch-at", "99"), ("--launch-at", "nan"), ("--max-gap", "0"), ("--max-gap", "nan"),
            ("--speed", "-3"), ("--speed", "nan"), ("--speed-column", "9"),
        ],
    )  # fmt: skip
    def test_options(self, files: Path, options: tuple[str, str]) -> None:
        assert options[0] in self.fails(here, files, "good.csv", *options)

    @pytest.mark.parametrize("what", ["good.csv", "cal.toml"])
    def test_no_permission(self, files: Path, what: str) -> None:
        (files / what).chmod(0)
        told = self.fails(self.run_apart, files, "good.csv")
        assert what in told
        assert "permission" in told.lower()

    def test_no_permission_to_write(self, files: Path) -> None:
        (files / "locked").mkdir(mode=0o500)
        more = ("--out", files / "locked" / "here")
        told = self.fails(self.run_apart, files, "good.csv", *more)
        assert "locked/here: nothing written: permission denied; check the rights of the folder" in told

    def test_full_disk(self, files: Path) -> None:
        # no file may grow past 64 kB: what a full disk or a quota does in the middle of one
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (65536, limits[1]))
        try:
            told = self.fails(here, files, "good.csv")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert "nothing written: file too large" in told

    def test_name_that_is_no_text_still_gives_json(self, files: Path) -> None:
        odd = files / os.fsdecode(b"odd\xff.csv")
        odd.write_bytes((files / "good.csv").read_bytes())
        code, _, told = here("replay", odd, "--calibration", files / "cal.toml", "--out", files / "out")
        assert (code, told) == (0, "")
        assert json.loads((files / "out" / "summary.json").read_bytes())["trace"]["file"] == str(odd)

    def test_folder_that_is_not_ours(self, files: Path) -> None:
        (files / "mine").mkdir()
        (files / "mine" / "notes.txt").write_text("precious")
        code, printed, told = here(
            "replay", files / "good.csv", "--calibration", files / "cal.toml", "--out", files / "mine"
        )
        assert (code, printed) == (2, "")
        assert "mine: holds something that is not an earlier result" in told
        assert [path.name for path in (files / "mine").iterdir()] == ["notes.txt"]


def _not_almighty() -> None:
    """Give up root's right to pass over the modes of files, for the command to be run."""
    drop_from_bounding_set, override, read_search = 24, 1, 2  # <linux/prctl.h>, <linux/capability.h>
    libc = ctypes.CDLL(None)
    for capability in (override, read_search):
        libc.prctl(drop_from_bounding_set, capability, 0, 0, 0)


def test_ctrl_c_leaves_nothing_behind(tmp_path: Path) -> None:
    trace = write_trace(tmp_path / "long.csv", HEADER, flight(60.0))
    (tmp_path / "cal.toml").write_text(FILE)
    out = tmp_path / "made" / "out"
    program = "from bench.cli import main; main()"
    command = [
        sys.executable,
        "-c",
        program,
        "replay",
        trace,
        "--calibration",
        tmp_path / "cal.toml",
        "--out",
        out,
    ]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert _appears(tmp_path / "made")
        process.send_signal(signal.SIGINT)
        printed, told = process.communicate(timeout=60)
    assert (process.returncode, printed, told.strip()) == (130, "", "liftlatch: stopped")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cal.toml", "long.csv"]


def _appears(folder: Path) -> bool:
    """Wait until something is being written in a folder."""
    for _ in range(600):
        if folder.exists() and any(folder.iterdir()):
            return True
        time.sleep(0.05)
    return False


def test_without_the_core_the_reference_steps_and_says_so(
    replayed: Replayed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(binding, "available", lambda: "the C core is not built")
    done = CliRunner().invoke(replay, [str(replayed.trace), "--calibration", str(replayed.calibration)])
    assert done.exit_code == 0
    assert (
        done.stderr
        == "liftlatch: stepping with the reference, which is much slower: the C core is not built\n"
    )
    assert "by the reference" in done.stdout
