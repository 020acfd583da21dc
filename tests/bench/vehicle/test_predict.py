"""The command predict as a person uses it, and a car that drives along while a device is verified."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import click
import numpy as np
import pytest

from bench import cli
from bench.calibration import load as load_calibration
from bench.errors import UserError
from bench.link.reading import to_records
from bench.link.target import LocalTarget
from bench.replay.inputs import from_trace
from bench.replay.run import run
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from bench.vehicle import compiled
from bench.vehicle import run as running
from bench.vehicle.document import make_document
from bench.vehicle.facts import make_facts, notes
from bench.vehicle.predict import Options, predict
from bench.vehicle.results import ROW
from bench.vehicle.step_source import VehicleSource
from bench.vehicle.track import Track
from bench.verify.compare import Options as VerifyOptions
from bench.verify.compare import plan
from controller import Controller
from tests.vehicle_support import CALIBRATION_PATH, CAR_PATH, NOT_BUILT, calibration, demo

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))

BASE = ("predict", "--vehicle", str(CAR_PATH), "--calibration", str(CALIBRATION_PATH))


def liftlatch(capsys, *arguments):
    """What the command prints; it runs in this process."""
    cli.liftlatch.main(list(arguments), prog_name="liftlatch", standalone_mode=False)
    return capsys.readouterr().out


def refused(*arguments):
    with pytest.raises((click.ClickException, UserError)) as caught:
        cli.liftlatch.main(list(arguments), prog_name="liftlatch", standalone_mode=False)
    error = caught.value
    return error.format_message() if isinstance(error, click.ClickException) else str(error)


@pytest.fixture(scope="module")
def predicted(tmp_path_factory):
    out = tmp_path_factory.mktemp("predict") / "out"
    arguments = ["--distance", "660", "--road", "A", "--seed", "4", "--out", str(out)]
    cli.liftlatch.main([*BASE, *arguments], prog_name="liftlatch", standalone_mode=False)
    return out, json.loads((out / "summary.json").read_text())


def test_the_table_fits_a_terminal_and_says_what_it_is(capsys):
    text = liftlatch(capsys, *BASE, "--distance", "330", "--spread", "12")
    lines = text.splitlines()
    assert max(len(line.rstrip()) for line in lines) <= 80
    for piece in (
        "without  with controller", "greatest lift at the front axle", "speed of the nose",
        "rear load lost to it", "torque-time not given", "reversals of the command",
        "Over 12 cars of this kind", "turns over",
        "A model's guess from these inputs", "An engineering aid, not a safety device",
    ):  # fmt: skip
        assert piece in text, piece
    words = " ".join(text.split())
    assert "Start mild, with bars where the class allows" in words
    assert "under the rules and the people responsible there" in words


def test_the_summary_holds_both_runs(predicted):
    _, found = predicted
    assert found["summary_version"] == 2
    assert found["track"] == {"seed": 4, "noise_mm": 0.8, "road": "A", "distance_ft": 660}
    assert found["without"]["full_cut_s"] == found["without"]["command_changes"] == 0
    assert found["with"]["full_cut_s"] > 0.1
    assert found["with"]["end"] == "finished"
    assert found["spread"] is None
    marks = {mark["feet"]: mark for mark in found["with"]["marks"]}
    assert marks[1320]["nose_s"] is None
    assert 4.5 < marks[660]["nose_s"] < 6
    assert "not a forecast" in found["model"]


def test_replay_of_the_trace_gives_the_very_commands(predicted):
    out, _ = predicted
    cal = load_calibration(CALIBRATION_PATH)
    inputs = from_trace(read_trace(out / "trace.csv", ColumnChoice()), cal)
    done = run("reference", cal.image, inputs.arrays)
    with open(out / "motion.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == done.n
    assert inputs.lead == 0
    for name, column in (("reduction", "reduction [0.1 %]"), ("retard", "retard [0.1 degree]")):
        assert done.ticks[name].tolist() == [int(row[column]) for row in rows]
    assert done.ticks["reduction"].max() > 0


def test_what_is_written(predicted):
    out, _ = predicted
    names = {path.name for path in out.iterdir()} - {".liftlatch"}
    assert names == {
        "report.html", "predict.svg", "summary.json", "trace.csv", "motion.csv", "motion_without.csv"
    }  # fmt: skip
    assert (out / "predict.svg").read_text().startswith("<svg")
    header = (out / "motion.csv").read_text().splitlines()[0]
    assert header.split(",") == [f"{name} [{unit}]" for name, unit in ROW.items()]


def test_the_same_seed_gives_the_same_and_another_does_not(capsys):
    def told(*more):
        found = json.loads(liftlatch(capsys, *BASE, "--distance", "330", "--json", *more))
        del found["command_line"]
        return found

    first = told("--seed", "5", "--spread", "6", "--road", "B")
    assert first == told("--seed", "5", "--spread", "6", "--road", "B")
    other = told("--seed", "6", "--spread", "6", "--road", "B")
    assert first["with"] != other["with"]
    assert first["spread"] != other["spread"]
    assert told("--noise", "0")["track"]["noise_mm"] == 0


def test_shares_are_counts_of_the_spread():
    prediction = predict(demo(), calibration(), Options(seed=2, feet=330, spread=25))
    assert prediction.spread is not None
    found = make_facts(prediction, [])["spread"]
    for side, scores in zip(("without", "with"), prediction.spread, strict=True):
        shares = found[side]["shares"]
        assert len(scores["flights"]) == 25
        assert shares["one_flight"] == np.count_nonzero(scores["flights"] == 1) / 25
        assert shares["no_flight"] + shares["one_flight"] + shares["more_flights"] == pytest.approx(1)
        low, middle, high = found[side]["percentiles_5_50_95"]["peak_lift_mm"]
        assert low < middle < high
        assert middle == pytest.approx(1000 * np.median(scores["peak_lift"]), abs=1e-5)
    assert found["with"]["percentiles_5_50_95"]["peak_lift_mm"][1] < found["without"][
        "percentiles_5_50_95"]["peak_lift_mm"][1]  # fmt: skip


def test_notes_name_what_does_not_fit():
    car = replace(demo().car, sensor_height=0.15, sensor_ahead=0.9, sensor_farthest=0.52, bar_rate=0.0)
    told = " / ".join(notes(predict(replace(demo(), car=car), calibration(), Options(feet=330))))
    assert "sensor stands 150 mm high at rest, the calibration says 130 mm" in told
    assert "gain to the axle is 0.883; by this car's lengths it would be 0.746" in told
    assert "sensor reaches 520 mm, the calibration's curve ends at 500 mm" in told
    assert "without the controller the car turns over" in told


@pytest.mark.slow
def test_with_no_compiler_the_plain_model_drives_and_says_so(monkeypatch, capsys):
    monkeypatch.setattr(compiled, "_vehicle", None)
    compiled.available.cache_clear()
    try:
        text = liftlatch(capsys, *BASE, "--distance", "60", "--noise", "0.5")
        assert "driven by   the plain Python model" in text
        assert "the compiled car is not built; install a C compiler" in " ".join(text.split())
        assert running.slow() is not None
    finally:
        monkeypatch.undo()
        compiled.available.cache_clear()
    other = liftlatch(capsys, *BASE, "--distance", "60", "--noise", "0.5")
    assert "driven by   the compiled model" in other
    figures = [part.split("driven by")[1].split("Worth")[0].split("\n", 1)[1] for part in (text, other)]
    assert figures[0] == figures[1]


def test_mistakes_are_one_line(tmp_path):
    assert "Missing option '--vehicle'" in refused("predict", "--calibration", str(CALIBRATION_PATH))
    assert "is not one of 'A', 'B', 'C', 'D'" in refused(*BASE, "--road", "E")
    bad = tmp_path / "car.toml"
    bad.write_text(CAR_PATH.read_text().replace("clear_mm = 200", "clear_mm = -200"))
    line = refused("predict", "--vehicle", str(bad), "--calibration", str(CALIBRATION_PATH))
    assert "wheelie_bar.clear_mm: the bar's wheel is below the ground" in line
    assert "\n" not in line


# ---------------------------------------------------------------- hardware in the loop


def test_a_car_drives_under_what_the_device_says():
    """The steps of verify with the reference as the device: the same run as in closed loop."""
    cal, track = calibration(), Track(seed=6, noise=0.001, distance=18.288, duration=0.8)
    source = VehicleSource(demo().car, cal, track)
    reference, device = LocalTarget(Controller()), LocalTarget(Controller())
    for target in (reference, device):
        target.load(cal.image)
        target.start()
    outputs = []
    for step in plan(source, reference, 1024, VerifyOptions(most=8)):
        assert step is not None
        assert len(step.inputs) == 1
        assert source.next(1) is None  # no more until the answer is there
        stepped = device.run(65000 + step.start & 0xFFFF, step.inputs)
        outputs.append(int(stepped.outputs["reduction"][0]))
        source.learn(stepped)
    assert len(source.next(1)) == 0
    columns = compiled.run(demo().car, cal, track, True).columns
    records = source.records
    assert outputs == columns["reduction"].astype(int).tolist()
    n = len(columns["time"])
    inputs = {name: columns[name].astype(int) for name in ("counts", "speed", "engine", "shaft", "launch")}
    inputs |= {"speed_valid": np.ones(n), "armed": np.ones(n)}
    inputs |= {f"request_{name}": np.zeros(n, int) for name in ("reduction", "retard", "reason")}
    assert np.array_equal(records, to_records(inputs, 8, 1000))


def test_verify_with_nothing_to_run(tmp_path):
    line = refused("verify", "--calibration", str(CALIBRATION_PATH), "--port", "socket://127.0.0.1:9")
    assert "name a trace, a car, or both" in line


def test_a_prediction_says_whether_the_controller_was_ready():
    well = predict(demo(), calibration(), Options(feet=60, spread=8))
    told = make_facts(well, [])
    assert told["readiness"] == []
    assert told["spread"]["with"]["shares"]["fault_at_launch"] == 0
    assert told["spread"]["with"]["shares"]["out_of_service"] == 0
    # noise far beyond the 3 mm of the calibration: the sensor is not believed
    ill = predict(demo(), calibration(), Options(noise_mm=40, feet=60, spread=8))
    told = make_facts(ill, [])
    assert {"fault_at_launch", "out_of_service"} <= {one["code"] for one in told["readiness"]}
    assert told["spread"]["with"]["shares"]["fault_at_launch"] == 1
    assert told["spread"]["with"]["shares"]["out_of_service"] == 1
    alarm = make_document(told, ill).alarm
    assert any("OUT OF SERVICE" in text for text in alarm)
    assert "A fault is present at launch in 100.0 % of the cars." in alarm


def test_a_noisy_sensor_is_told_by_what_it_did_while_the_car_stood():
    noisy = make_facts(predict(demo(), calibration(), Options(noise_mm=2, feet=60)), [])
    (one,) = (one for one in noisy["readiness"] if one["code"] == "noise_too_small")
    assert "noise_mm = 3 is too small" in one["text"]


def test_a_fitted_car_s_ranges_have_what_the_model_misses_in_them():
    from bench.vehicle.facts import MISSED, _wider

    # a car that is known for certain: the miss alone
    low, high = _wider("peak_lift_mm", 200.0, 200.0)
    assert high - 200 == 200 - low == pytest.approx(1.2816 * MISSED["peak_lift_mm"], rel=1e-4)
    # one that is hardly known: nothing to speak of beside it
    low, high = _wider("peak_lift_mm", 200.0, 600.0)
    assert 600 < high < 602
    # no landing, or no end to it, stays what it is
    assert _wider("landing_speed_mps", 0.0, 0.0) == [0.0, 0.0]
    assert _wider("landing_speed_mps", 0.5, np.inf) == [0.5, np.inf]
    assert _wider("landing_speed_mps", 0.05, 0.4)[0] == 0
