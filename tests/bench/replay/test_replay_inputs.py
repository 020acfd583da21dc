"""A trace becomes controller inputs: quantised heights, gaps, speeds, requests, and where the runs begin."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.calibration import CalibrationFile, compile_text
from bench.errors import UserError
from bench.replay.inputs import Inputs, Options, from_trace
from bench.replay.run import run
from bench.trace.choice import ColumnChoice
from bench.trace.launching import Signals, find
from bench.trace.read import read_trace
from controller.constants import FAULT_AT_LAUNCH
from tests.replay_support import FILE, compiled, write_trace

TIME = "Time [s]"


def laid(
    path: Path,
    header: str,
    rows: list[tuple[object, ...]],
    calibration: CalibrationFile | None = None,
    **options: float,
) -> Inputs:
    trace = read_trace(write_trace(path / "trace.csv", header, rows))
    return from_trace(trace, calibration or compiled(), Options(**options))


def heights(values: list[float], step_s: float = 0.001) -> list[tuple[object, ...]]:
    return [(round(i * step_s, 6), value) for i, value in enumerate(values)]


class TestHeight:
    def test_is_rounded_to_the_nearest_count(self, tmp_path: Path) -> None:
        # 12 bits over 0..500 mm: 130 mm is 1064.7 counts
        made = laid(tmp_path, f"{TIME},Height [mm]", heights([130, 130.05, 250, 0.06, 0.0611]))
        assert made.arrays["counts"][made.lead :].tolist() == [1065, 1065, 2048, 0, 1]

    def test_error_is_that_of_an_ideal_converter(self, tmp_path: Path) -> None:
        # Rounding error of an ideal converter: within half a step, rms a step / sqrt 12 (Bennett, Bell Syst.
        # Tech. J. 27 (1948) 446-472, from memory; step^2 / 12 is also in module m11923 of cnx.org).
        truth = np.linspace(50, 450, 4001)
        made = laid(tmp_path, f"{TIME},Height [mm]", heights(truth.round(6).tolist()))
        error = made.arrays["counts"][made.lead :] - truth.round(6) * 4095 / 500
        assert np.abs(error).max() <= 0.5 + 1e-6
        assert np.sqrt(np.mean(error**2)) == pytest.approx(1 / np.sqrt(12), rel=0.02)

    def test_is_the_same_in_every_unit(self, tmp_path: Path) -> None:
        # 1 in = 25.4 mm (international inch)
        file = compile_text(FILE, "cal.toml")
        truth = [130.0, 254.0, 127.0, 300.0]
        mm = laid(tmp_path, f"{TIME},Height [mm]", heights(truth), file).arrays["counts"]
        for unit, scale in (
            ("m", 1e-3),
            ("in", 1 / 25.4),
            ("V", 5 / 500 * 4095 / 4096),
            ("count", 4095 / 500),
        ):
            rows = heights([value * scale for value in truth])
            made = laid(tmp_path, f"{TIME},Height [{unit}]", rows, file)
            assert made.arrays["counts"].tolist() == mm.tolist(), unit

    def test_beyond_the_sensor_is_its_end_and_said(self, tmp_path: Path) -> None:
        made = laid(tmp_path, f"{TIME},Height [mm]", heights([130, 700, -40, 130]))
        assert made.arrays["counts"][made.lead :].tolist() == [1065, 4095, 0, 1065]
        assert any("in 50 % of the ticks" in note and "-40 to 700 mm" in note for note in made.notes)

    def test_goes_straight_from_row_to_row(self, tmp_path: Path) -> None:
        made = laid(tmp_path, f"{TIME},Height [count]", heights([1000, 1200, 1100], 0.02))
        counts = made.arrays["counts"][made.lead :]
        assert counts[:41:5].tolist() == [1000, 1050, 1100, 1150, 1200, 1175, 1150, 1125, 1100]
        assert any("a sample each 20 ms, the calibrated sensor has one each 1 ms" in n for n in made.notes)

    @pytest.mark.parametrize("falling", [False, True])
    def test_goes_back_through_a_bent_curve(self, tmp_path: Path, falling: bool) -> None:
        curve = [8000, 2000, 0] if falling else [0, 2000, 8000]
        file = compiled(sensor_points=3, sensor_counts=[100, 2100, 4000], sensor_height=curve, rest=2080)
        made = laid(tmp_path, f"{TIME},Height [mm]", heights([0, 62.5, 125, 312.5, 500]), file)
        expected = [4000, 3050, 2100, 1100, 100] if falling else [100, 1100, 2100, 3050, 4000]
        assert made.arrays["counts"][made.lead :].tolist() == expected


class TestGaps:
    ROWS = tuple((round(i * 0.01, 3), 1065) for i in range(100) if not 40 < i < 60)  # one of 0.2 s

    def test_a_long_gap_is_a_lost_sensor(self, tmp_path: Path) -> None:
        made = laid(tmp_path, f"{TIME},Height [count]", list(self.ROWS))
        lost = np.flatnonzero(made.lost) - made.lead
        assert (lost[0], lost[-1], len(lost)) == (401, 599, 199)
        assert set(made.arrays["counts"][made.lost].tolist()) == {0}
        assert any("1 gap longer than 0.1 s" in note for note in made.notes)

    def test_a_gap_as_long_as_the_limit_is_a_line(self, tmp_path: Path) -> None:
        made = laid(tmp_path, f"{TIME},Height [count]", list(self.ROWS), max_gap_s=0.2)
        assert not made.lost.any()
        assert any("1 stretch without samples, up to 0.200 s" in note for note in made.notes)

    def test_empty_cells_make_a_gap(self, tmp_path: Path) -> None:
        rows = [(t, "" if 0.3 < t < 0.5 else value) for t, value in heights([1065.0] * 800)]
        made = laid(tmp_path, f"{TIME},Height [count]", rows)
        assert np.count_nonzero(made.lost) == 199

    def test_lies_above_the_window_where_there_is_no_room_below(self, tmp_path: Path) -> None:
        made = laid(tmp_path, f"{TIME},Height [count]", list(self.ROWS), compiled(window_low=0))
        assert set(made.arrays["counts"][made.lost].tolist()) == {4095}

    def test_says_when_the_controller_cannot_see_it(self, tmp_path: Path) -> None:
        file = compiled(window_low=0, window_high=4095)
        made = laid(tmp_path, f"{TIME},Height [count]", list(self.ROWS), file)
        assert any("cannot see a gap" in note for note in made.notes)

    def test_a_height_that_is_all_gap_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(UserError, match=r"a sample each 0\.2 s.*give --max-gap 0\.3"):
            laid(tmp_path, f"{TIME},Height [count]", heights([1065] * 20, 0.2))

    @pytest.mark.parametrize("limit", [0.0, -1.0, float("nan")])
    def test_a_limit_that_is_no_time_is_refused(self, tmp_path: Path, limit: float) -> None:
        with pytest.raises(UserError, match="--max-gap"):
            laid(tmp_path, f"{TIME},Height [count]", list(self.ROWS), max_gap_s=limit)

    def test_a_time_that_jumps_is_refused_at_once(self, tmp_path: Path) -> None:
        # a clock set from 1970 to 2026 in the middle would be 10^12 ticks
        rows = [(0, 130), (0.001, 130), (1.7e9, 130), (1.7e9 + 0.001, 130)]
        told = r"the time jumps by 1.7e\+09 s after 0.001 s; cut the file there"
        with pytest.raises(UserError, match=told):
            laid(tmp_path, f"{TIME},Height [mm]", rows)
        rows = [(0, 130), (0.001, 130), (3600.001, 130), (3600.002, 130)]
        assert laid(tmp_path, f"{TIME},Height [mm]", rows).lost.sum() == 3599999


class TestOtherSignals:
    def test_units_of_the_controller(self, tmp_path: Path) -> None:
        header = (
            f"{TIME},Height [count],Speed [km/h],RPM,Shaft speed [rpm],"
            "Request reduction [%],Request retard [deg],Request reason"
        )
        rows: list[tuple[object, ...]] = [
            (i / 1000, 1065, 12.34, 7000.4, 2500.5, 12.5, 3.25, 20) for i in range(300)
        ]
        made = laid(tmp_path, header, rows, launch_at_s=0.1)
        got = {name: int(column[-1]) for name, column in made.arrays.items()}
        assert got == {
            "counts": 1065, "speed": 123, "speed_valid": 1, "engine": 7000, "shaft": 2501, "armed": 1,
            "launch": 1, "request_reduction": 125, "request_retard": 33, "request_reason": 20,
        }  # fmt: skip
        assert made.has_engine

    def test_a_slow_speed_is_not_a_lost_one(self, tmp_path: Path) -> None:
        rows = [
            (t, value, 50 + i / 4 if i % 20 == 0 else "")
            for i, (t, value) in enumerate(heights([1065.0] * 500, 0.01))
        ]
        made = laid(tmp_path, f"{TIME},Height [count],Speed [km/h]", rows)
        assert made.arrays["speed_valid"][made.lead + 4000] == 1
        assert made.arrays["speed"][made.lead + 100] == 525

    def test_a_lost_speed_is_not_valid(self, tmp_path: Path) -> None:
        rows = [(t, value, "" if 0.2 < t < 0.6 else 50) for t, value in heights([1065.0] * 900)]
        made = laid(tmp_path, f"{TIME},Height [count],Speed [km/h]", rows)
        assert np.count_nonzero(made.arrays["speed_valid"] == 0) == 399
        assert any(note.startswith("speed: not known in 4") for note in made.notes)

    def test_a_constant_speed(self, tmp_path: Path) -> None:
        rows = [(t, value, 3) for t, value in heights([1065.0] * 300)]
        made = laid(tmp_path, f"{TIME},Height [count],Speed [km/h]", rows, speed_kmh=80.0)
        assert set(made.arrays["speed"].tolist()) == {800}
        assert set(made.arrays["speed_valid"].tolist()) == {1}

    def test_no_speed(self, tmp_path: Path) -> None:
        made = laid(tmp_path, f"{TIME},Height [count]", heights([1065.0] * 300))
        assert not made.arrays["speed_valid"].any()
        assert any(note.startswith("speed: none") for note in made.notes)

    def test_a_speed_that_is_none_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(UserError, match="--speed -1"):
            laid(tmp_path, f"{TIME},Height [count]", heights([1065.0] * 300), speed_kmh=-1.0)


class TestLead:
    HEADER = f"{TIME},Height [count],Launch"

    def launched_at_once(self, tmp_path: Path, counts: int) -> Inputs:
        return laid(tmp_path, self.HEADER, [(i / 1000, counts, 1) for i in range(400)])

    def test_gives_the_sensor_its_power_up_check(self, tmp_path: Path) -> None:
        made = self.launched_at_once(tmp_path, 1065)
        assert made.lead == 50
        assert made.time_s(0) == pytest.approx(-0.05)
        assert int(np.argmax(made.arrays["launch"])) == 50
        outputs = run("reference", compiled().image, made.arrays).ticks
        assert outputs["launched"][50] == 1
        assert outputs["launched"][49] == 0
        assert not outputs["faults"][50] & FAULT_AT_LAUNCH

    def test_does_not_hide_a_dead_sensor(self, tmp_path: Path) -> None:
        made = self.launched_at_once(tmp_path, 0)
        outputs = run("reference", compiled().image, made.arrays).ticks
        assert outputs["faults"][-1] & FAULT_AT_LAUNCH

    def test_is_left_out_where_there_is_time(self, tmp_path: Path) -> None:
        made = laid(tmp_path, self.HEADER, [(i / 1000, 1065, int(i > 99)) for i in range(400)])
        assert made.lead == 0
        assert made.time_s(100) == pytest.approx(0.1)


def seen(n: int, **known: np.ndarray | int) -> Signals:
    lift = known.pop("lift", np.zeros(n))
    return Signals(1000, 100, n, lambda: np.asarray(lift, np.float32), **known)  # type: ignore[arg-type]


def starts(made: np.ndarray) -> list[int]:
    return (np.flatnonzero(np.diff(made.astype(int), prepend=0) > 0)).tolist()


def drive(*parts: tuple[int, float]) -> np.ndarray:
    """A speed in km/h: straight lines through (tick, speed)."""
    ticks, speeds = zip(*parts, strict=True)
    return np.interp(np.arange(ticks[-1]), ticks, speeds).astype(np.float32)


class TestLaunching:
    def test_is_where_the_car_drives_off(self) -> None:
        speed = drive((0, 0), (2000, 0), (6000, 200))
        made = find(seen(6000, speed=speed))
        # the first tick above 1 km/h
        assert starts(made.launch) == [int(np.argmax(speed > 1))] == [2021]
        assert made.armed.all()

    def test_creeping_up_to_the_line_is_no_launch(self) -> None:
        speed = drive((0, 0), (500, 4), (1500, 4), (2000, 0), (3000, 0), (5000, 100))
        assert starts(find(seen(5000, speed=speed)).launch) == [3021]

    def test_each_run_of_a_trace_is_found_and_disarmed(self) -> None:
        speed = drive(
            (0, 0), (1000, 0), (4000, 200), (9000, 0), (20000, 0), (23000, 200), (28000, 0), (30000, 0)
        )
        made = find(seen(30000, speed=speed))
        assert starts(made.launch) == [1016, 20016]
        # off for longer than the disarm time, as soon as the car stands again
        off = np.flatnonzero(made.armed == 0)
        assert len(off) == 2 * 101
        assert (speed[off] <= 1).all()
        ticks = run(
            "reference",
            compiled().image,
            {
                **{name: np.zeros(30000, int) for name in ("engine", "shaft")},
                **{f"request_{name}": np.zeros(30000, int) for name in ("reduction", "retard", "reason")},
                "counts": np.full(30000, 1065),
                "speed": (speed * 10).astype(int),
                "speed_valid": np.ones(30000, int),
                "armed": made.armed,
                "launch": made.launch,
            },
        ).ticks
        assert starts(ticks["launched"]) == [1016, 20016]
        assert ticks["launched"][15000] == 0

    def test_a_trace_that_begins_on_the_move(self) -> None:
        made = find(seen(3000, speed=drive((0, 20), (3000, 200))))
        assert starts(made.launch) == [0]

    def test_a_car_that_never_moves_has_none(self) -> None:
        assert not find(seen(3000, speed=np.zeros(3000, np.float32))).launch.any()

    def test_recorded_switches_are_taken_as_they_are(self) -> None:
        armed, launch = (np.arange(1000) > 100).astype(np.uint8), (np.arange(1000) > 300).astype(np.uint8)
        made = find(seen(1000, armed=armed, launch=launch, speed=drive((0, 0), (1000, 100))))
        assert made.armed.tolist() == armed.tolist()
        assert made.launch.tolist() == launch.tolist()

    def test_launches_without_an_arming_switch_are_parted(self) -> None:
        ticks = np.arange(20000)
        launch = (((ticks >= 1000) & (ticks < 1200)) | ((ticks >= 12000) & (ticks < 12200))).astype(np.uint8)
        made = find(seen(20000, launch=launch))
        assert starts(made.launch) == [1000, 12000]
        # two seconds before the second, for one tick more than the disarm time
        assert np.flatnonzero(made.armed == 0).tolist() == list(range(10000, 10101))

    def test_a_bouncing_launch_switch_is_one_launch(self) -> None:
        ticks = np.arange(3000)
        launch = ((ticks >= 1000) & ~((ticks >= 1005) & (ticks < 1010))).astype(np.uint8)
        made = find(seen(3000, launch=launch))
        assert made.armed.all()

    def test_an_arming_switch_bounds_what_is_found(self) -> None:
        armed = np.ones(20000, np.uint8)
        armed[8000:9000] = 0
        armed[2000:2050] = 0  # too short to disarm
        speed = drive((0, 0), (1000, 0), (4000, 200), (7000, 0), (8400, 0), (8800, 30), (20000, 30))
        made = find(seen(20000, speed=speed, armed=armed))
        assert starts(made.launch) == [1016]
        assert np.flatnonzero(made.launch)[-1] == 7999
        assert any("while not armed: no launch" in note for note in made.notes)

    def test_without_a_speed_it_is_where_the_nose_rises(self) -> None:
        lift = np.interp(np.arange(4000), [0, 1500, 2500, 4000], [0, 0, 200, 200])
        lift[700:750] = 30  # too short
        assert starts(find(seen(4000, lift=lift)).launch) == [1526]  # above 5 mm for the first time

    def test_without_a_speed_or_a_rise_it_is_the_start(self) -> None:
        assert starts(find(seen(4000)).launch) == [0]

    def test_a_nose_that_is_up_all_along_launches_at_the_start(self) -> None:
        assert starts(find(seen(4000, lift=np.full(4000, 80.0))).launch) == [0]

    def test_forced(self, tmp_path: Path) -> None:
        rows = [(5 + i / 1000, 1065, i / 20) for i in range(2000)]
        made = laid(tmp_path, f"{TIME},Height [count],Speed [km/h]", rows, launch_at_s=6.0)
        assert made.time_s(starts(made.arrays["launch"])[0]) == pytest.approx(6.0)
        with pytest.raises(UserError, match=r"--launch-at 1 is outside .* from 5 to 6\.999 s"):
            laid(tmp_path, f"{TIME},Height [count],Speed [km/h]", rows, launch_at_s=1.0)


def test_options_of_the_trace_are_noted(tmp_path: Path) -> None:
    path = write_trace(tmp_path / "bare.csv", "", [(i / 50, 0.001 * i) for i in range(100)])
    choice = ColumnChoice({"time": "1:s", "height": "2:m"}, height_offset_mm=100)
    made = from_trace(read_trace(path, choice), compiled())
    assert made.arrays["counts"][made.lead] == round(100 * 4095 / 500)
    assert made.n == made.lead + 99 * 20 + 1
