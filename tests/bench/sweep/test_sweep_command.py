"""`liftlatch sweep` as a person runs it: tables, files, picture, Ctrl-C and clear lines."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as xml

import pytest
from click.testing import CliRunner, Result

from bench.document.svg import picture
from bench.sweep.command import sweep
from bench.sweep.figure import COLUMNS, evenly, figures
from bench.sweep.files import as_csv
from firmware_model import binding
from tests import ROOT
from tests.sweep_support import DEMO, TRACES, short_trace

HOLD = "latch.hold_ms=0,200,400"
PROGRAM = (sys.executable, "-c", "from bench.cli import main; main()", "sweep")


def invoke(*arguments: object) -> Result:
    return CliRunner().invoke(sweep, [*map(str, arguments)], terminal_width=80)


def swept(*traces: Path, vary: tuple[str, ...] = (HOLD,), more: tuple[str, ...] = ()) -> dict[str, Any]:
    """The summary of a sweep of the demo calibration."""
    options = [option for text in vary for option in ("--vary", text)]
    done = invoke(*traces, "--calibration", DEMO, *options, "--json", *more)
    assert done.exit_code == 0, done.output
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts


@pytest.fixture(scope="module")
def pair() -> dict[str, Any]:
    return swept(TRACES / "high_wheelstand.csv", TRACES / "second_lift.csv")


@pytest.mark.slow
def test_the_table_says_what_the_summary_says_in_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    paths = [TRACES / f"{name}.csv" for name in ("high_wheelstand", "second_lift", "out_of_range")]
    done = invoke(*paths, "--calibration", DEMO, "--vary", "latch.hold_ms=0:600:150")
    facts = swept(*paths, vary=("latch.hold_ms=0:600:150",))
    assert done.exit_code == 0
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    rows = [line.split() for line in done.stdout.splitlines()]
    for setting in facts["settings"]:
        row = setting["over_all"]
        cells = [f"{setting['values']['latch.hold_ms']}", f"{row['peak_reduction_permille'] / 10:.1f}",
                 f"{row['full_cut_s']:.3f}", f"{100 * row['share_taken']:.1f}",
                 f"{row['second_interventions']}", f"{row['out_of_sight_s']:.3f}",
                 f"{row['command_changes']}"]  # fmt: skip
        assert (["*"] if setting["as_in_file"] else []) + cells in rows
    assert [s["values"]["latch.hold_ms"] for s in facts["settings"] if s["as_in_file"]] == [300]
    taken = [setting["traces"][1]["full_cut_s"] for setting in facts["settings"]]
    assert f"{min(taken):.3f}–{max(taken):.3f}" in done.stdout
    assert "not how high the nose" in done.stdout
    assert "not a safety device" in done.stdout


@pytest.mark.slow
def test_a_long_list_is_thinned_on_the_screen_only(tmp_path: Path) -> None:
    trace = short_trace(tmp_path / "run.csv")
    varied = ["--vary", "latch.hold_ms=0:198:2", "--vary", "latch.hold_from=peak,landing"]
    done = invoke(trace, "--calibration", DEMO, *varied)
    assert done.exit_code == 0
    rows = map(str.split, done.stdout.splitlines())
    shown = [row for row in rows if row[1:2] in (["peak"], ["landing"])]
    assert (shown[0][0], shown[-1][0], len(shown)) == ("0", "198", 64)
    assert "136 settings between these are in sweep.csv" in done.stdout
    assert evenly(100, 32)[:3] == [0, 3, 6]
    assert evenly(3, 9) == [0, 1, 2]


def test_a_sentence_names_the_cheapest_of_those_with_the_fewest_second_interventions(tmp_path: Path) -> None:
    # two humps 160 ms apart: one intervention if the hold bridges them, else two
    rows = ["Time [s],Ride height [mm],Speed [km/h],Armed,Launch"]
    for i in range(1500):
        lift = max(0.0, 300 - abs(i - 500), 300 - abs(i - 1000))
        rows.append(f"{i / 1000:.3f},{130 + lift:.1f},{60 * i / 1500:.2f},1,{int(i >= 100)}")
    trace = tmp_path / "humps.csv"
    trace.write_text("\n".join(rows) + "\n")
    facts = swept(trace, vary=("latch.hold_ms=0:600:100",))
    seconds = [setting["over_all"]["second_interventions"] for setting in facts["settings"]]
    assert (max(seconds), min(seconds)) == (1, 0)
    assert seconds == sorted(seconds, reverse=True)
    first = seconds.index(0)
    taken = facts["settings"][first]["over_all"]["full_cut_s"]
    done = invoke(trace, "--calibration", DEMO, "--vary", "latch.hold_ms=0:600:100")
    line = f"Fewest second interventions (0) with the least torque-time ({taken:.3f} s): latch.hold_ms ="
    assert f"{line} {first * 100}" in " ".join(done.stdout.split())


def test_files_hold_what_the_summary_says_and_are_the_same_each_time(tmp_path: Path) -> None:
    arguments = (TRACES / "second_lift.csv", "--calibration", DEMO, "--vary", HOLD)
    for name in ("one", "two"):
        done = invoke(*arguments, "--out", tmp_path / name)
        assert done.exit_code == 0
        assert "the picture sweep.svg, sweep.csv, summary.json" in " ".join(done.stdout.split())
    one = tmp_path / "one"
    names = {path.name for path in one.iterdir() if not path.name.startswith(".")}
    assert names == {"report.html", "sweep.csv", "sweep.svg", "summary.json"}
    assert (one / "sweep.svg").read_text().startswith("<svg")
    for name in ("sweep.csv", "sweep.svg"):
        assert (one / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    facts = json.loads((one / "summary.json").read_text())
    rows = list(csv.DictReader(io.StringIO((one / "sweep.csv").read_text())))
    assert len(rows) == 3
    for row, setting in zip(rows, facts["settings"], strict=True):
        assert row["latch.hold_ms"] == str(setting["values"]["latch.hold_ms"])
        assert row["trace"].endswith("second_lift.csv")
        for key, value in setting["traces"][0].items():
            assert float(row[key]) == value
    assert facts["settings"][0]["over_all"] == facts["settings"][0]["traces"][0]


def test_words_and_switches_stand_in_the_csv_as_in_a_calibration() -> None:
    facts = swept(
        TRACES / "clean_launch.csv", vary=("latch.retard.follows_map=true,false", "latch.hold_from=landing")
    )
    rows = list(csv.DictReader(io.StringIO(as_csv(facts))))
    assert [(row["latch.retard.follows_map"], row["latch.hold_from"]) for row in rows] == [
        ("true", "landing"), ("false", "landing"),
    ]  # fmt: skip


@pytest.mark.parametrize("wrong", ["mistake", "trace", "folder"])
def test_nothing_is_written_where_something_is_wrong(tmp_path: Path, wrong: str) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("nothing\n")
    out = tmp_path / "out"
    if wrong == "folder":
        out.mkdir()
        (out / "mine.txt").write_text("mine")
    hold = "latch.hold_ms=0,4000" if wrong == "mistake" else HOLD
    trace = bad if wrong == "trace" else TRACES / "clean_launch.csv"
    done = subprocess.run(
        [*PROGRAM, str(trace), "--calibration", str(DEMO), "--vary", hold, "--out", str(out)],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("liftlatch: ")
    assert done.stderr.count("\n") == 1
    assert {path.name for path in tmp_path.iterdir()} <= {"bad.csv", "out"}
    assert out.exists() == (wrong == "folder")
    assert not out.exists() or [path.name for path in out.iterdir()] == ["mine.txt"]


@pytest.mark.slow
def test_ctrl_c_ends_it_at_once_with_130_and_leaves_nothing(tmp_path: Path) -> None:
    trace = short_trace(tmp_path / "long.csv", ticks=100_000)
    arguments = [str(trace), "--calibration", str(DEMO), "--vary", "latch.hold_ms=0:600:20"]
    child = subprocess.Popen(
        [*PROGRAM, *arguments, "--core", "reference", "--out", str(tmp_path / "out")],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        # Its workers are there once there are more processes in its group than itself.
        deadline = time.monotonic() + 60
        while len(_group(child.pid)) < 3 and time.monotonic() < deadline:
            time.sleep(0.1)
        time.sleep(1.0)
        asked = time.monotonic()
        os.killpg(child.pid, signal.SIGINT)
        output, errors = child.communicate(timeout=30)
        assert time.monotonic() - asked < 15
        assert (child.returncode, output, errors.lstrip("\n")) == (130, "", "liftlatch: stopped\n")
        assert [path.name for path in tmp_path.iterdir()] == ["long.csv"]
        while _group(child.pid) and time.monotonic() < deadline + 60:
            time.sleep(0.1)
        assert _group(child.pid) == []
    finally:
        for left in _group(child.pid):
            os.kill(left, signal.SIGKILL)


def _group(leader: int) -> list[int]:
    """The processes of a group that still run."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                state, _, group = (entry / "stat").read_text().rpartition(")")[2].split()[:3]
            except OSError:
                continue
            if int(group) == leader and state != "Z":
                found.append(int(entry.name))
    return found


@pytest.mark.slow
def test_without_the_core_the_reference_steps_and_says_so(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    trace = short_trace(tmp_path / "run.csv")
    by_core = swept(trace)
    monkeypatch.setattr(binding, "available", lambda: "the C core is not built")
    done = invoke(trace, "--calibration", DEMO, "--vary", HOLD, "--json")
    assert done.stderr == (
        "liftlatch: stepping with the reference, which is much slower: the C core is not built\n"
    )
    facts = json.loads(done.stdout)
    assert (facts["core"], by_core["core"]) == ("reference", "c")
    assert facts["settings"] == by_core["settings"]
    assert invoke(trace, "--calibration", DEMO, "--vary", HOLD, "--core", "reference").stderr == ""


def test_warnings_name_their_settings(tmp_path: Path) -> None:
    trace = short_trace(tmp_path / "run.csv")
    # a sensor whose end lies below the lift of full reduction (M3)
    facts = swept(trace, vary=("axle_gain=0.5,0.883",))
    (warning,) = [one for one in facts["warnings"] if len(one["settings"]) == 1]
    assert warning["settings"] == [0]
    done = invoke(trace, "--calibration", DEMO, "--vary", "axle_gain=0.5,0.883")
    assert "(in 1 of the settings, first sensor.axle_gain = 0.5)" in " ".join(done.stdout.split())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("nonsense", "no Dask scheduler at nonsense (that is no HOST:PORT)"),
        ("udp://127.0.0.1:80", "(that is no HOST:PORT)"),
        ("127.0.0.1:1", "no Dask scheduler at 127.0.0.1:1 (connection refused)"),
    ],
)
def test_an_address_where_nobody_is_gets_one_line_soon(address: str, why: str) -> None:
    pytest.importorskip("distributed")
    began = time.monotonic()
    done = subprocess.run(
        [*PROGRAM, str(TRACES / "clean_launch.csv"), "--calibration", str(DEMO), "--vary", HOLD,
         "--cluster", address],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("liftlatch: --cluster: ")
    assert why in done.stderr
    assert done.stderr.count("\n") == 1
    assert time.monotonic() - began < 30


@pytest.mark.slow
def test_a_missing_extra_gets_one_line() -> None:
    program = "import sys; sys.modules['distributed'] = None; from bench.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, "sweep", str(TRACES / "clean_launch.csv"), "--calibration", str(DEMO),
         "--vary", HOLD, "--cluster", "127.0.0.1:8786"],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    line = "liftlatch: --cluster: needs an extra; pip install 'liftlatch[cluster]'\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", line)


# --- the figures of page and picture


def texts_of(facts: dict[str, Any]) -> list[str]:
    """All texts of the picture, each of which begins inside it (W3C SVG 1.1, 7.7 and 10.4)."""
    root = xml.fromstring(picture("a sweep", figures(facts), subtitle=facts["open_loop"]))
    low, high = float(root.attrib["width"]), float(root.attrib["height"])
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        if "transform" not in text.attrib:
            assert 0 <= float(text.attrib["x"]) <= low, text.text
            assert 0 <= float(text.attrib["y"]) <= high, text.text
    return [text.strip() for text in root.itertext() if text.strip()]


@pytest.mark.slow
def test_one_key_is_drawn_as_curves_together_and_for_each_trace(pair: dict[str, Any]) -> None:
    changing = [
        column
        for column in COLUMNS
        if len({column.text(row) for s in pair["settings"] for row in (s["over_all"], *s["traces"])}) > 1
    ]
    assert len(figures(pair)) == len(changing)
    for points, column in zip(figures(pair), changing, strict=True):
        *each, together = points.groups
        over_all = [s["over_all"][column.key] * column.scale for s in pair["settings"]]
        assert together.y == pytest.approx(over_all)
        assert len(each) == 2
        for trace, group in enumerate(each):
            assert group.y == pytest.approx([
                s["traces"][trace][column.key] * column.scale for s in pair["settings"]
            ])  # fmt: skip
        assert all(group.joined for group in points.groups)
    texts = " ".join(texts_of(pair))
    for text in ("in the file: 300", "high_wheelstand.csv", "orque-time", "not a safety device"):
        assert text in texts


def test_several_keys_are_a_line_each_and_words_are_points(tmp_path: Path) -> None:
    trace = short_trace(tmp_path / "run.csv", ticks=1500)
    release = "latch.release_percent_per_s"
    facts = swept(trace, vary=("latch.hold_ms=0:200:50", f"{release}=step,100,200,300,400,500,600"))
    labels = [group.label for group in figures(facts)[0].groups]
    assert "release_percent_per_s = step (file)" in labels
    assert "others" in labels
    assert len(labels) == 7  # six are named, the seventh is pale
    key = COLUMNS[1].key
    own = [s["over_all"][key] for s in facts["settings"] if s["values"][release] == "step"]
    points = next(points for points in figures(facts) if points.name == f"sweep-{key}")
    group = next(group for group in points.groups if group.label.endswith("step (file)"))
    assert group.y == pytest.approx(own)
    texts_of(facts)

    words = swept(trace, vary=("latch.hold_from=peak,landing",))
    assert not any(group.joined for points in figures(words) for group in points.groups)
    texts_of(words)


@pytest.mark.parametrize("count", [1, 3, 12])
def test_any_number_of_traces_fits(tmp_path: Path, count: int) -> None:
    stem = "a_run_with_a_rather_long_name"
    paths = [short_trace(tmp_path / f"{stem}_{i}.csv", 300 + 40 * i) for i in range(count)]
    texts_of(swept(*paths, vary=("look_ahead.rising_ms=0:400:100",)))


def test_nothing_ever_taken_is_drawn_too(tmp_path: Path) -> None:
    rows = ["Time [s],Ride height [mm],Speed [km/h],Armed,Launch"]
    rows += [f"{i / 1000:.3f},130,{i / 10:.1f},1,{int(i > 60)}" for i in range(300)]
    trace = tmp_path / "flat.csv"
    trace.write_text("\n".join(rows) + "\n")
    facts = swept(trace)
    assert {setting["over_all"]["full_cut_s"] for setting in facts["settings"]} == {0.0}
    assert "torque-time taken, s" in " ".join(texts_of(facts)).lower()
