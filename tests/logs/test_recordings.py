"""The real recordings and the runs of outside cars: each is read with a layout and replayed."""

from __future__ import annotations

import json

import numpy as np
import pytest

from bench.calibration import load
from bench.replay.inputs import Options, from_trace
from bench.replay.run import run
from bench.trace.choice import ColumnChoice
from bench.trace.passes import look_for_passes
from bench.trace.read import read_trace
from tests import RECORDINGS, ROOT
from tests.logs.forms import LAYOUTS

SENSORS = RECORDINGS / "range_sensors"
CARS = RECORDINGS / "outside_car"
LASERS = ("laser_sin_08", "laser_sin_10", "laser_sin_12")
RUNS = ("welded_demo", "welded_off", "fourlink_demo", "fourlink_off")
PATHS = {
    **{name: (RECORDINGS / f"{name}.csv", "laser_sin") for name in LASERS},
    "ultrasound_24": (SENSORS / "ultrasound_24.csv", "ultrasound"),
    "lidar_4_beams": (SENSORS / "lidar_4_beams.csv", "lidar"),
    "tof_8x8": (SENSORS / "tof_8x8_with_status.json", "time_of_flight"),
    **{name: (CARS / f"{name}.csv", "outside_car") for name in RUNS},
    **{f"{name}_cmd": (CARS / f"{name}_cmd.csv", "outside_car_cmd") for name in RUNS},
}
# from the recordings' own pages: rows, and rows a second
SAID = {"ultrasound_24": (5456, 9.0), "lidar_4_beams": (792, 10.0), "tof_8x8": (500, 14.0)}


def table_of(path, folder):
    """The time-of-flight recording is JSON: its 28th zone as a table."""
    if path.suffix != ".json":
        return path
    content = json.loads(path.read_text())["tof"]
    frames = zip(content["distances"], content["status"], strict=True)
    rows = [f"{i},{distances[27]},{status[27]}\n" for i, (distances, status) in enumerate(frames)]
    made = folder / "tof.csv"
    made.write_text("frame,distance_mm,status\n" + "".join(rows))
    return made


@pytest.mark.parametrize("name", PATHS)
def test_each_recording_is_read_with_a_layout_and_replayed(name, tmp_path):
    path, layout = PATHS[name]
    if not path.exists():
        pytest.skip("the recordings are not beside the project")
    choice = ColumnChoice(layouts=(str(LAYOUTS / "recordings" / f"{layout}.toml"),))
    trace = read_trace(table_of(path, tmp_path), choice)
    if name in SAID:
        rows, rate = SAID[name]
        assert trace.rows == rows
        assert trace.rate_hz == pytest.approx(rate, rel=0.01)
    calibration = load(ROOT / "traces" / "demo.toml")
    made = from_trace(trace, calibration, Options(max_gap_s=0.3))
    # on a sample's own instant the controller reads that sample
    channel = trace.channels["height"]
    if channel.unit == "mm":
        at = np.rint((trace.time_s - trace.time_s[0]) * 1000).astype(int)
        whole = np.abs((trace.time_s - trace.time_s[0]) * 1000 - at) < 1e-6
        inside = channel.valid & (channel.values > 20) & (channel.values < 480) & whole
        seen = calibration.counts_to_height(made.arrays["counts"][made.lead :][at[inside]])
        assert np.abs(seen - channel.values[inside]).max() < 1.0
    ticks = run("reference", calibration.image, {k: v[:3000] for k, v in made.arrays.items()}).ticks
    assert len(ticks["lift"]) == min(3000, made.n)
    # the lidar's file is of a take-off and a landing, with 370 s between them that were not recorded
    assert trace.gap_rows == ((500,) if name == "lidar_4_beams" else ())
    assert any("gap" in note for note in made.notes) == (name == "lidar_4_beams")


@pytest.mark.parametrize("car", ["welded", "fourlink"])
def test_the_pass_of_an_outside_car_is_found(car):
    path = CARS / f"{car}_off_cmd.csv"
    if not path.exists():
        pytest.skip("the recordings are not beside the project")
    trace = read_trace(path)
    passes, taken, doubts, unit = look_for_passes(trace)
    assert taken is not None
    assert (len(passes), taken.kind(unit), doubts) == (1, "a run", [])
    # the columns of reduction and retard are known by their names; without control all is 0
    assert trace.channels["logged_reduction"].values.max() == 0.0
