"""`liftlatch compare`: settings by meaning, commands tick by tick, runs by their launch; what it writes."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.interpolate import RegularGridInterpolator

from bench.calibration import CalibrationFile, compile_text
from bench.compare import difference, study
from bench.compare.changes import Change, changes, maps_difference
from bench.compare.command import compare
from bench.compare.facts import launches, make_facts
from bench.errors import UserError
from bench.replay.command import replay
from bench.replay.inputs import Options
from bench.trace.choice import ColumnChoice
from bench.vehicle import compiled
from tests import ROOT
from tests.replay_support import FILE, SLOW_FILE, flight, write_trace

HEADER = "Time [s],Height [mm],Speed [km/h],Engine speed [rpm]"
SOFT = {"hold_ms = 300": "hold_s = 0.15", "release_percent_per_s = 400": "release_percent_per_s = 150"}


def changed(pairs: dict[str, str], text: str = FILE) -> str:
    for there, put in pairs.items():
        # At the start of a line, and the first of such lines only.
        assert f"\n{there}" in text, there
        text = text.replace(f"\n{there}", f"\n{put}", 1)
    return text


def calibration(pairs: dict[str, str], text: str = FILE) -> CalibrationFile:
    return compile_text(changed(pairs, text), "car.toml")


A = compile_text(FILE, "a.toml")


def found_changes(pairs: dict[str, str]) -> dict[str, Change]:
    return {change.key: change for change in changes(A, calibration(pairs))}


def made(paths: Sequence[Path], *calibrations: CalibrationFile, core: str = "reference") -> study.Study:
    return study.read_and_run(paths, calibrations, ColumnChoice(), Options(), core)


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trace(tmp_path_factory.mktemp("compare") / "flight.csv", HEADER, flight(3.4))


@pytest.fixture(scope="module")
def other(trace: Path) -> Path:
    """The same flight, recorded from a quarter of a second later on."""
    rows = [(t - 0.25, *rest) for t, *rest in flight(3.4) if t >= 0.25]
    return write_trace(trace.parent / "later.csv", HEADER, rows)


# -- settings


class TestSettings:
    def test_comments_order_and_units_are_no_change(self) -> None:
        pairs = {
            "hold_ms = 300": "hold_s = 0.3   # as before",
            "[filter]": "# the filter\n[filter]",
            "noise_mm = 3": "noise_cm = 0.3",
            "fastest_mm_per_ms = 5": "fastest_mm_per_s = 5000",
        }
        other = calibration(pairs)
        assert changes(A, other) == []
        assert other.image == A.image

    def test_values_are_told_in_the_unit_of_the_first(self) -> None:
        pairs = {"hold_ms = 300": "hold_s = 0.15", "rest_height_mm = 130": "rest_height_in = 5"}
        found = found_changes(pairs)
        assert list(found) == ["sensor.rest_height_mm", "latch.hold_ms"]
        hold, rest = found["latch.hold_ms"], found["sensor.rest_height_mm"]
        assert (hold.a, hold.b, hold.unit) == (300, 150, "ms")
        # 1 inch = 25.4 mm by definition.
        assert (rest.a, rest.b) == (130, 127)
        assert rest.text(rest.b) == "127 mm"

    def test_a_default_is_compared_with_what_is_written(self) -> None:
        same = calibration({"near_end_mm = 25": "near_end_mm = 25\nagree_samples = 3"})
        assert changes(A, same) == []
        found = found_changes({"near_end_mm = 25": "near_end_mm = 30\nagree_samples = 4"})
        assert (found["sensor.agree_samples"].a, found["sensor.agree_samples"].b) == (3, 4)
        assert found["sensor.agree_samples"].a_default
        assert not found["sensor.agree_samples"].b_default

    def test_a_step_and_a_rate_are_one_change_either_way(self) -> None:
        step = calibration({"release_percent_per_s = 400": 'release = "step"'})
        (one,) = changes(A, step)
        assert (one.key, one.a, one.b) == ("latch.release_percent_per_s", 400, "step")
        (back,) = changes(step, A)
        assert (back.key, back.a, back.b) == ("latch.release_percent_per_s", "step", 400)

    def test_a_section_that_only_one_has(self) -> None:
        stuck = {"[filter]": "[sensor.stuck]\nband_mm = 2\ntime_ms = 500\nabove_speed_kmh = 30\n[filter]"}
        found = found_changes(stuck)
        assert set(found) == {
            "sensor.stuck.band_mm", "sensor.stuck.time_ms", "sensor.stuck.above_speed_kmh"
        }  # fmt: skip
        assert all(change.a is None for change in found.values())

    def test_single_values_of_ceilings_are_told_by_their_speed(self) -> None:
        found = found_changes({"reduction_full_mm = [250, 250]": "reduction_full_mm = [250, 230]"})
        (point,) = found["ceilings.reduction_full_mm"].points
        assert (point.at, point.a, point.b) == ("250 km/h", 250, 230)

    def test_ceilings_over_other_speeds_are_told_whole(self) -> None:
        found = found_changes(
            {
                "[ceilings]\nspeed_kmh = [0, 250]": "[ceilings]\nspeed_kmh = [0, 200]",
                "reduction_full_mm = [250, 250]": "reduction_full_mm = [250, 230]",
            }
        )
        assert set(found) == {"ceilings.speed_kmh", "ceilings.reduction_full_mm"}
        assert found["ceilings.reduction_full_mm"].points == ()
        assert found["ceilings.speed_kmh"].b == [0, 200]

    def test_where_maps_are_furthest_apart(self) -> None:
        """Outside check: scipy.interpolate.RegularGridInterpolator on places between all points."""
        b = calibration(
            {
                "reduction_full_mm = [250, 250]": "reduction_full_mm = [260, 190]",
                "retard_from_mm = [80, 80]": "retard_from_mm = [90, 70]",
            }
        )
        found = maps_difference(A, b)
        assert found is not None
        random = np.random.default_rng(5)
        for name in ("reduction", "retard"):
            one = found[name]

            def value(cal: CalibrationFile, lift: Any, progress: Any, name: str = name) -> Any:
                axes = (np.array(cal.row("lift_axis")) / 16, np.array(cal.row("progress_axis")) / 10)
                grid = RegularGridInterpolator(axes, cal.map_cells(f"{name}_map") / 10)
                inside = zip((lift, progress), axes, strict=True)
                return grid(np.column_stack([np.clip(at, axis[0], axis[-1]) for at, axis in inside]))

            lift, progress = random.uniform(50, 300, 20_000), random.uniform(0, 300, 20_000)
            apart_there = np.abs(value(A, lift, progress) - value(b, lift, progress))
            assert apart_there.max() <= abs(one.a - one.b) + 1e-3
            assert apart_there.max() > 0.95 * abs(one.a - one.b)
            there = [np.array([one.lift_mm]), np.array([one.progress])]
            assert value(A, *there)[0] == pytest.approx(one.a, abs=1e-3)
            assert value(b, *there)[0] == pytest.approx(one.b, abs=1e-3)

    def test_maps_by_speed_and_by_time_are_not_compared(self) -> None:
        by_time = compile_text(SLOW_FILE, "b.toml")
        assert maps_difference(A, by_time) is None
        assert {"progress.by", "ceilings.speed_kmh", "ceilings.elapsed_ms"} <= {
            change.key for change in changes(A, by_time)
        }


# -- commands


def commands(one: study.Side) -> list[tuple[int, int]]:
    t = one.stepped.ticks
    return list(zip(t["reduction"].tolist(), t["retard"].tolist(), strict=True))


@pytest.fixture(scope="module")
def done(trace: Path) -> study.Study:
    return made([trace], A, calibration(SOFT), A)


class TestCommands:
    def test_differences_are_those_of_a_plain_loop(self, done: study.Study) -> None:
        first, second, _ = done.recordings[0].sides
        found = difference.difference_facts(difference.of_one_trace(first.stepped, second.stepped))
        a, b = commands(first), commands(second)
        differing = [i for i in range(len(a)) if a[i] != b[i]]
        assert len(differing) > 100
        assert found["differs_s"] == pytest.approx(len(differing) / 1000)
        assert found["compared_s"] == pytest.approx(len(a) / 1000)
        assert found["first"]["tick"] == differing[0]
        launch = first.found.launches[0].tick
        assert found["first"]["since_launch_s"] == pytest.approx((differing[0] - launch) / 1000)
        for key, which in (("greatest_reduction", 0), ("greatest_retard", 1)):
            most = max(abs(b[i][which] - a[i][which]) for i in range(len(a)))
            row = found[key]
            if most == 0:
                assert row is None
                continue
            assert row["tick"] == next(i for i in range(len(a)) if abs(b[i][which] - a[i][which]) == most)
            assert row["a"]["reduction_permille"] == a[row["tick"]][0]
            assert row["b"]["retard_ddeg"] == b[row["tick"]][1]
        covered = {
            tick
            for span in found["spans"]
            for tick in range(span["tick"], span["tick"] + round(1000 * span["duration_s"]))
        }
        assert set(differing) <= covered
        for span in found["spans"]:
            last = span["tick"] + round(1000 * span["duration_s"]) - 1
            assert a[span["tick"]] != b[span["tick"]]
            assert a[last] != b[last]
        taken = sum(b[i][0] - a[i][0] for i in range(len(a))) / 1000 / 1000
        assert sum(span["full_cut_s"] for span in found["spans"]) == pytest.approx(taken, abs=1e-6)

    def test_equal_calibrations_are_called_equal(self, done: study.Study) -> None:
        first, _, third = done.recordings[0].sides
        found = difference.difference_facts(difference.of_one_trace(first.stepped, third.stepped))
        assert found["equal"]
        assert (found["first"], found["greatest_reduction"], found["spans"]) == (None, None, [])

    def test_figures_are_those_of_a_replay(self, done: study.Study, trace: Path, tmp_path: Path) -> None:
        file = tmp_path / "soft.toml"
        file.write_text(changed(SOFT))
        words = [str(trace), "--calibration", str(file), "--json", "--core", "reference"]
        facts = json.loads(CliRunner().invoke(replay, words).stdout)
        (one,) = launches(done.recordings[0].sides[1])
        launch, cuts = facts["launches"][0], facts["interventions"]
        assert one["full_cut_s"] == launch["full_cut_s"]
        assert one["peak_reduction_permille"] == launch["greatest_reduction_permille"]
        assert one["interventions"] == len(cuts)
        assert one["given_back_s"] == pytest.approx(cuts[0]["since_launch_s"] + cuts[0]["duration_s"])
        assert {r["name"]: r["time_s"] for r in one["reasons"]} == {
            r["name"]: r["time_s"] for r in facts["reasons"]
        }

    def test_ticks_of_other_lengths_are_compared_by_time(self, trace: Path) -> None:
        coarse = calibration(
            {
                "[sensor]": "[tick]\ntick_ms = 2\n[sensor]",
                "period_ms = 1": "period_ms = 2",
                "near_end_mm = 25": "near_end_mm = 40",
            }
        )
        done = made([trace], A, coarse)
        first, second = (side.stepped for side in done.recordings[0].sides)
        pair = difference.of_one_trace(first, second)
        assert pair.b.tolist() == [tick // 2 for tick in pair.a.tolist()]
        found = difference.difference_facts(pair)
        a, b = first.ticks["reduction"], second.ticks["reduction"]
        assert found["greatest_reduction"] is not None
        most = max(abs(int(b[i // 2]) - int(a[i])) for i in range(len(pair.a)))
        row = found["greatest_reduction"]
        assert abs(row["b"]["reduction_permille"] - row["a"]["reduction_permille"]) == most
        back = difference.of_one_trace(second, first)
        assert back.b.tolist() == [2 * tick for tick in back.a.tolist()]

    def test_ticks_put_before_a_trace_do_not_shift_it(self, trace: Path) -> None:
        """A sensor that heals slowly needs more ticks than the trace has before its launch."""
        slow = calibration({"heal_ms = 50": "heal_ms = 1500"})
        first, second = (side.stepped for side in made([trace], A, slow).recordings[0].sides)
        assert second.inputs.lead > first.inputs.lead == 0
        pair = difference.of_one_trace(first, second)
        times = [first.inputs.time_s(int(pair.a[0])), second.inputs.time_s(int(pair.b[0]))]
        assert times[0] == pytest.approx(times[1])
        assert len(pair.a) == first.run.n

    def test_inputs_are_made_once_for_calibrations_that_read_the_same(self, trace: Path) -> None:
        other_sensor = calibration({"rest_height_mm = 130": "rest_height_mm = 128"})
        with patch("bench.compare.study.from_trace", wraps=study.from_trace) as laid:
            made([trace], A, calibration(SOFT), other_sensor)
        assert laid.call_count == 2

    def test_both_engines_say_the_same(self, trace: Path) -> None:
        from firmware_model import binding

        if binding.available():
            pytest.skip(str(binding.available()))
        facts = []
        for core in ("reference", "c"):
            one = make_facts(made([trace], A, calibration(SOFT), core=core), ["liftlatch"])
            assert one.pop("core") == core
            facts.append(one)
        assert facts[0] == facts[1]


class TestRuns:
    def test_a_run_recorded_later_is_the_same_by_its_launch(self, trace: Path, other: Path) -> None:
        done = made([trace, other], A)
        (one,) = make_facts(done, ["liftlatch"])["runs_by_launch"]
        assert (one["a"], one["b"]) == ({"trace": 1, "launch": 1}, {"trace": 2, "launch": 1})
        assert one["commands"]["equal"]
        assert one["greatest_lift_difference"]["a_mm"] == one["greatest_lift_difference"]["b_mm"]

    def test_a_higher_run_is_told_where_it_is_highest(self, trace: Path, tmp_path: Path) -> None:
        higher = write_trace(tmp_path / "higher.csv", HEADER, flight(3.4, top_mm=260))
        done = made([trace, higher], A)
        (one,) = make_facts(done, ["liftlatch"])["runs_by_launch"]
        lift = one["greatest_lift_difference"]
        # The flight's top is half way from 0.4 to 1.6 s after the launch, and 30 mm higher.
        assert lift["since_launch_s"] == pytest.approx(1.0, abs=0.1)
        assert lift["b_mm"] - lift["a_mm"] == pytest.approx(30, abs=2)
        assert not one["commands"]["equal"]
        # A lift that asks at all asks for more the higher it is.
        assert one["commands"]["first"]["b"]["retard_ddeg"] > one["commands"]["first"]["a"]["retard_ddeg"]

    def test_launches_of_one_trace(self, tmp_path: Path) -> None:
        rows = flight(3.0)
        again = [(t + 3.0, *rest) for t, *rest in flight(3.0, top_mm=120)]
        armed = [(*row, int(row[0] < 2.9)) for row in rows] + [(*row, 1) for row in again]
        both = write_trace(tmp_path / "both.csv", f"{HEADER},Armed", armed)
        done = made([both], A)
        assert len(done.runs()) == 2
        (one,) = make_facts(done, ["liftlatch"])["runs_by_launch"]
        assert (one["a"]["launch"], one["b"]["launch"]) == (1, 2)
        assert one["greatest_lift_difference"]["b_mm"] < one["greatest_lift_difference"]["a_mm"]

    def test_one_run_with_one_calibration_is_nothing_to_compare(self, trace: Path) -> None:
        with pytest.raises(UserError, match="there is nothing to compare; give --calibration a second time"):
            made([trace], A)

    def test_a_trace_twice_is_refused(self, trace: Path) -> None:
        with pytest.raises(UserError, match="is there twice"):
            made([trace, trace], A)


# -- the command


@pytest.fixture(scope="module")
def files(trace: Path) -> tuple[Path, Path]:
    a, b = trace.parent / "a.toml", trace.parent / "b.toml"
    a.write_text(FILE)
    b.write_text(changed(SOFT))
    return a, b


def invoke(*arguments: object) -> Result:
    return CliRunner().invoke(compare, [str(one) for one in arguments], catch_exceptions=False)


def test_the_screen_says_what_changed_and_where_the_commands_differ(
    trace: Path, files: tuple[Path, Path]
) -> None:
    a, b = files
    done = invoke(trace, "--calibration", a, "--calibration", b)
    assert done.exit_code == 0
    text = " ".join(done.stdout.split())
    assert "What B changes of A key A B latch.hold_ms 300 ms 150 ms" in text
    assert "latch.release_percent_per_s 400 %/s 150 %/s" in text
    assert "B commands otherwise than A in" in text
    assert "The lift is the recorded one" in text
    assert "An engineering aid, not a safety device" in text


def test_equal_files_are_said_to_be_equal(trace: Path, files: tuple[Path, Path], tmp_path: Path) -> None:
    same = tmp_path / "same.toml"
    same.write_text("# the same\n" + changed({"hold_ms = 300": "hold_s = 0.3"}))
    done = invoke(trace, "--calibration", files[0], "--calibration", same)
    assert done.exit_code == 0
    assert "B changes no key of A\nBoth compile to the same image." in done.stdout
    assert "B and A command the same in every tick" in done.stdout


def test_files(trace: Path, files: tuple[Path, Path], tmp_path: Path) -> None:
    a, b = files
    out = tmp_path / "out"
    done = invoke(trace, "--calibration", a, "--calibration", b, "--calibration", a, "--out", out, "--json")
    assert done.exit_code == 0
    names = sorted(path.name for path in out.iterdir())
    assert names == [".liftlatch", "differences.csv", "report.html", "summary.json"]
    assert (out / "summary.json").read_text() == done.stdout
    facts = json.loads(done.stdout)
    assert [one["letter"] for one in facts["calibrations"]] == ["A", "B", "C"]
    (difference, equal) = facts["traces"][0]["differences"]
    assert equal["equal"]
    with open(out / "differences.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == round(1000 * difference["differs_s"])
    assert {(row["trace"], row["calibration"]) for row in rows} == {("1", "B")}
    first = rows[0]
    assert int(first["tick"]) == difference["first"]["tick"]
    assert float(first["since_launch_s"]) == difference["first"]["since_launch_s"]
    most = max(rows, key=lambda r: abs(int(r["reduction_permille_b"]) - int(r["reduction_permille_a"])))
    assert int(most["tick"]) == difference["greatest_reduction"]["tick"]
    assert all(
        (row["reduction_permille_a"], row["retard_ddeg_a"])
        != (row["reduction_permille_b"], row["retard_ddeg_b"])
        for row in rows
    )


def test_too_many_calibrations_are_refused(trace: Path, files: tuple[Path, Path]) -> None:
    with pytest.raises(UserError, match="27 calibrations; at most 26"):
        invoke(trace, *(word for _ in range(27) for word in ("--calibration", files[0])))


def test_a_trace_without_a_launch(files: tuple[Path, Path], tmp_path: Path) -> None:
    still = write_trace(tmp_path / "still.csv", HEADER, [(t / 100, 130, 0, 2000) for t in range(100)])
    a, b = files
    done = invoke(still, "--calibration", a, "--calibration", b, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert "No launch found" in done.stdout
    assert "B and A command the same in every tick" in done.stdout


@pytest.mark.skipif(compiled.available() is not None, reason=str(compiled.available()))
def test_what_gets_worse_in_the_model_of_a_car_stands_first() -> None:
    """The common hold of 0.3 s, without look-ahead, against the start with it."""
    start, common = (ROOT / "traces" / f"{name}.toml" for name in ("demo", "plain"))
    words = [str(ROOT / "traces" / "clean_launch.csv"), "--vehicle", str(ROOT / "traces" / "demo_car.toml")]
    words += ["--calibration", str(start), "--calibration", str(common)]
    shown = CliRunner().invoke(compare, words, standalone_mode=False)
    text = " ".join(shown.output.split())
    told = "In the model of demo_car.toml: Worse with B than with A: it lands harder"
    assert text.index(told) < text.index("B changes")
    facts = json.loads(CliRunner().invoke(compare, [*words, "--json"], standalone_mode=False).output)
    assert len(facts["harm"]) == 2  # B against A, and B against no control; A is not worse than none
    assert all("Worse with B" in line for line in facts["harm"])
