"""Fitting the car to a recorded run: the command, its answers and refusals, and the steps it is made of."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from contextlib import redirect_stdout
from dataclasses import replace
from io import StringIO
from math import exp

import click
import numpy as np
import pytest
from scipy.optimize import minimize

from bench import cli
from bench.calibration import load as load_calibration
from bench.errors import UserError
from bench.fit import solve as solving
from bench.fit.car_text import path_of
from bench.fit.measured import measure
from bench.fit.residuals import NEVER
from bench.trace.read import read_trace
from bench.vehicle import compiled
from bench.vehicle.car import scattered
from bench.vehicle.equations import ENGINE, SPEED, Motion
from bench.vehicle.track import Track
from bench.vehicle.vehicle_file import load, read
from tests import ROOT
from tests.fit_support import car_off_by, peak_mm, record
from tests.vehicle_support import CALIBRATION_PATH, CAR_PATH, NOT_BUILT, demo

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))

SEED = 4
WITH = ("--vehicle", str(CAR_PATH), "--calibration", str(CALIBRATION_PATH))


def liftlatch(*arguments):
    cli.liftlatch.main(list(arguments), prog_name="liftlatch", standalone_mode=False)


def refused(*arguments):
    with pytest.raises((click.ClickException, UserError)) as caught:
        liftlatch(*arguments)
    error = caught.value
    return error.format_message() if isinstance(error, click.ClickException) else str(error)


@pytest.fixture(scope="module")
def true_car():
    return car_off_by(0.05, SEED)


@pytest.fixture(scope="module")
def trace(tmp_path_factory, true_car):
    return record(tmp_path_factory.mktemp("trace") / "run.csv", true_car, 1.2, SEED)


@pytest.fixture(scope="module")
def fitted(tmp_path_factory, trace):
    out = tmp_path_factory.mktemp("fit") / "out"
    with redirect_stdout(StringIO()) as printed:
        liftlatch("fit", str(trace), *WITH, "--out", str(out))
    return out, json.loads((out / "summary.json").read_text()), printed.getvalue()


@pytest.mark.slow
def test_a_fitted_car_predicts_the_next_calibration(fitted, true_car):
    out, *_ = fitted
    found = load(out / "car.toml").car
    missed = abs(peak_mm(found) - peak_mm(true_car))
    assert missed < 15
    assert missed < abs(peak_mm(demo().car) - peak_mm(true_car)) / 2


def test_what_is_left_comes_down_to_the_noise(fitted):
    rms = fitted[1]["runs"][0]["rms"]
    # the noise that was added: 1 mm, 0.1 m/s, 20 rpm
    assert rms["height"]["fitted"] < 1.3 < 5 < rms["height"]["given"]
    assert rms["speed"]["fitted"] < 0.13
    assert rms["engine"]["fitted"] < 30


def test_it_says_what_it_knows_and_leaves_the_rest(fitted):
    out, summary, _ = fitted
    by_verdict: dict[str, set[str]] = {}
    for p in summary["parameters"]:
        by_verdict.setdefault(p["verdict"], set()).add(p["name"])
    # a run of 1.2 s shows the launch, and hardly any drag
    assert {"body.cg_height", "engine.launch_speed", "sensor.rest_height"} <= by_verdict["known"]
    assert {"resistance.rolling", "resistance.drag_area", "gearbox.shift"} <= by_verdict["left"]
    given, found = demo().car, load(out / "car.toml").car
    for p in summary["parameters"]:
        if p["verdict"] == "left":
            assert p["fitted"] == p["given"]
    assert (found.mass, found.delay, found.drag_area) == (given.mass, given.delay, given.drag_area)
    assert set(summary["never"]) == {path_of(name) for name in NEVER}
    assert set(summary["asks"]) == {"body.mass", "body.cg_ahead_of_rear_axle", "engine.inertia"}


def test_intervals_lie_in_one_another_and_narrow_what_was_known(fitted):
    for p in fitted[1]["parameters"]:
        if p["verdict"] in ("known", "weak"):
            assert p["within_95"][0] < p["within_80"][0] < p["fitted"] < p["within_80"][1] < p["within_95"][1]
            assert p["within_80_percent"] < p["known_before_80_percent"]


def test_the_file_keeps_its_comments_and_tells_what_was_fitted(fitted, trace):
    text = (fitted[0] / "car.toml").read_text()
    assert text.startswith("# fit: Fitted to run.csv")
    assert "# both wheels, hubs, brakes" in text
    before, after = tomllib.loads(CAR_PATH.read_text()), tomllib.loads(text)
    assert {name: part for name, part in after["scatter"].items() if name != "fit"} == before["scatter"]
    assert after["converter"]["stall_torque_at_rpm"] == before["converter"]["stall_torque_at_rpm"]
    for p in fitted[1]["parameters"]:
        if p["name"] == "converter.stall_torque":
            assert after["converter"]["stall_torque_nm"] == pytest.approx(p["fitted"], rel=1e-3)


def test_cars_of_the_spread_are_those_that_the_run_allows(fitted):
    out, summary, _ = fitted
    vehicle = load(out / "car.toml")
    assert vehicle.ways is not None
    alone = replace(vehicle, scatter={})
    cars = [scattered(alone, number, 5) for number in range(1, 401)]
    for p in summary["parameters"]:
        name = next(n for n in vehicle.ways.names if path_of(n) == p["name"])
        logs = np.log([getattr(car, name) / getattr(vehicle.car, name) for car in cars])
        sd = p["within_80_percent"] / 100 / 1.2816
        if name != "coupling":  # that one ends at 99 %
            assert float(np.std(logs)) == pytest.approx(sd, rel=0.15, abs=0.002), p["name"]
    # the ratio is known better than its parts, and the cars have it so
    ratio = [car.cg_height / car.cg_ahead for car in cars]
    told = summary["ratio"]["within_80_percent"] / 100 / 1.2816
    assert float(np.std(np.log(ratio))) == pytest.approx(told, rel=0.2)


@pytest.mark.slow
def test_a_fitted_file_is_fitted_again_without_what_the_first_fit_said(fitted, trace, tmp_path):
    first = fitted[0] / "car.toml"
    liftlatch(
        "fit", str(trace), "--vehicle", str(first), "--calibration", str(CALIBRATION_PATH),
        "--out", str(tmp_path / "out"),
    )  # fmt: skip
    text = (tmp_path / "out" / "car.toml").read_text()
    assert text.count("[scatter.fit]") == 1
    assert text.count("# fit: Fitted to") == 1


def test_a_prediction_of_a_fitted_car_has_its_ranges_unasked(fitted, true_car, capsys):
    car = str(fitted[0] / "car.toml")
    words = ("--calibration", str(CALIBRATION_PATH), "--distance", "60")
    liftlatch("predict", "--vehicle", car, *words, "--json")
    spread = json.loads(capsys.readouterr().out)["spread"]
    assert (spread["cars"], spread["fitted"]) == (100, True)
    low, high = spread["with"]["range_80"]["peak_lift_mm"]
    assert low < high
    # as it stands in the answer
    liftlatch("predict", "--vehicle", car, *words)
    said = " ".join(capsys.readouterr().out.split())
    told = f"that the runs allow, with this calibration: lift {low:.0f} to {high:.0f} mm"
    assert told in said
    liftlatch("predict", "--vehicle", str(CAR_PATH), *words, "--json")
    assert json.loads(capsys.readouterr().out)["spread"] is None


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("body.cg_height", "body.cg_hight"), "body.cg_hight is no parameter"),
        (("way_1 = [", "way_1 = [0.1, "), "way_1"),
        (("way_1 = [", "way_1 = [9"), "is out of range"),
        (("misses = 2.00", "misses = 0.5"), "is out of range"),
    ],
)
def test_a_damaged_section_of_a_fit_is_refused(fitted, change, says):
    old, new = change
    text = (fitted[0] / "car.toml").read_text()
    head, section = text.split("[scatter.fit]")
    with pytest.raises(UserError, match=says):
        read(head + "[scatter.fit]" + section.replace(old, new, 1), "car.toml")


def test_residuals_in_waves_say_that_the_model_does_not_hold(monkeypatch):
    from types import SimpleNamespace

    from bench.fit.spread import noise_left

    n, rng = 400, np.random.default_rng(2)
    noise = {"height": 1.0, "speed": 0.1, "engine": 20.0}
    run = SimpleNamespace(noise=noise, values={name: np.zeros(n) for name in noise}, duration=2.0)
    white = {name: rng.normal(0, size, n) for name, size in noise.items()}
    wave = np.sin(np.linspace(0, 40, n))
    waves = {name: values + 3 * noise[name] * wave for name, values in white.items()}

    def of(differences):
        return SimpleNamespace(runs=[run], differences=lambda x, i: differences)

    quiet, loud = (noise_left(of(d), None, 0) for d in (white, waves))
    for name, size in noise.items():
        assert quiet[name] == pytest.approx(size, rel=0.2)
    # 8 mm that last 0.12 s, at 200 Hz: counted as one in 49 samples
    assert loud["height"] > 8 * 7


def test_how_far_a_fit_stays_from_its_runs_beside_others():
    from bench.fit.spread import misses

    near = {"height": np.full(9, 4.0), "speed": np.full(9, -0.2), "shaft": np.full(9, 100.0)}
    assert (misses([near, near]), misses([near])) == (1, 2)
    far = {"height": np.array([10.0, -10.0, np.nan]), "speed": np.full(9, 0.2)}
    assert misses([near, far]) == pytest.approx(2)


def test_values_of_a_model_that_does_not_hold_are_known_less_well():
    from bench.fit.spread import BENT, bent

    assert bent(0.02, 0.0, 1.0) == pytest.approx(0.02)
    # a derivative at one point makes a value known to nothing; a bent model's never is
    assert bent(1e-6, 1.0, 1.0) == pytest.approx(BENT)
    assert bent(0.02, 1.0, 3.0) == pytest.approx(3 * np.hypot(0.02, BENT))


@pytest.mark.parametrize(
    ("logged", "least", "most", "right"),
    [
        (False, 0.75, 1.11, False),  # another calibration replayed, as with a recorded outside car
        (False, 1.0, 1.4, False),
        (False, 0.89, 1.11, True),  # as far as right ones go
        (True, 0.65, 1.03, True),  # a driver's foot: the log says what was commanded
    ],
)
def test_torque_that_nobody_commanded_says_that_the_fit_is_none(logged, least, most, right):
    from pathlib import Path
    from types import SimpleNamespace

    from bench.fit.facts import holds

    run = SimpleNamespace(logged=logged, noise={"height": 1.0}, path=Path("run.csv"))
    quiet = {"height": np.full(9, 1.0)}
    found = SimpleNamespace(
        left_out=[], torque=[np.array([1.0, least, most, 1.0])], before=[quiet], differences=[quiet]
    )
    assert holds(SimpleNamespace(runs=[run], fitted=found)) == right


@pytest.mark.slow
def test_the_same_again(fitted, trace, tmp_path):
    liftlatch("fit", str(trace), *WITH, "--out", str(tmp_path / "out"))
    for name in ("car.toml", "fit.svg"):
        assert (tmp_path / "out" / name).read_bytes() == (fitted[0] / name).read_bytes()


def test_the_screen_says_what_the_summary_says(fitted):
    from bench.fit import command

    text = fitted[2]
    assert max(map(len, text.splitlines())) <= 80
    joined = " ".join(text.split())
    assert "A model's guess from these inputs" in joined
    assert "not a safety device" in joined
    assert "body.mass: scaling all masses" in joined
    assert command.fit.get_short_help_str(200).startswith("Fit the model")


@pytest.mark.slow
def test_a_measured_value_is_hardly_moved(trace, capsys):
    liftlatch("fit", str(trace), *WITH, "--measured", "body.cg_ahead_of_rear_axle", "--json")
    summary = json.loads(capsys.readouterr().out)
    (p,) = (p for p in summary["parameters"] if p["name"] == "body.cg_ahead_of_rear_axle")
    assert abs(p["fitted"] / p["given"] - 1) < 0.03
    assert "body.cg_ahead_of_rear_axle" not in summary["asks"]


@pytest.mark.parametrize("controlled", [False, True])
def test_a_gear_change_is_found_where_it_was(tmp_path, controlled):
    """With the controller it comes 50 ms before the end of the four seconds that are fitted."""
    path = record(tmp_path / "run.csv", demo().car, 4.4, 3, controlled)
    driven = load_calibration(CALIBRATION_PATH)
    c = compiled.run(demo().car, driven, Track(duration=4.4), controlled).columns
    began = float(c["time"][np.flatnonzero(np.diff(c["gear_ratio"]) != 0)[0]])
    (shift,) = measure(read_trace(path), demo().car, driven if controlled else None).shifts
    assert abs(shift - began) < 0.03


def test_runs_that_tell_nothing_are_refused(tmp_path, trace):
    lines = trace.read_text().splitlines()
    rows = [line.split(",") for line in lines]

    def written(name, rows):
        (tmp_path / name).write_text("\n".join(",".join(row) for row in rows) + "\n")
        return str(tmp_path / name)

    flat = written("flat.csv", [*rows[:2], *([r[0], "130.0", *r[2:]] for r in rows[2:])])
    assert "no lift" in refused("fit", flat, *WITH)
    assert "flat.csv" in refused("fit", flat, *WITH)
    assert "no engine speed" in refused("fit", written("a.csv", [[*r[:3], *r[4:]] for r in rows]), *WITH)
    assert "no speed" in refused("fit", written("b.csv", [[*r[:2], *r[3:]] for r in rows]), *WITH)
    standing = written("c.csv", [*rows[:2], *([*r[:5], "0"] for r in rows[2:])])
    assert "no launch found" in refused("fit", standing, *WITH)
    assert "a run after its launch" in refused("fit", written("d.csv", rows[:-100]), *WITH)
    volts = str(ROOT / "traces" / "clean_launch.csv")
    assert "give the --calibration" in refused("fit", volts, "--vehicle", str(CAR_PATH))
    three = ("fit", str(trace), str(trace), str(trace), *WITH, "--calibration", str(CALIBRATION_PATH))
    assert "one for each of the 3" in refused(*three)
    assert "nothing that is fitted" in refused("fit", str(trace), *WITH, "--measured", "body.colour")


@pytest.mark.slow
def test_each_trace_is_fitted_with_the_calibration_that_drove_it(tmp_path, capsys, trace, true_car):
    text = CALIBRATION_PATH.read_text().replace("hold_ms = 300 ", "hold_ms = 0 ")
    other = tmp_path / "other.toml"
    other.write_text(text.replace("greatest_reduction_percent = 60", "greatest_reduction_percent = 40"))
    second = record(tmp_path / "second.csv", true_car, 1.2, SEED + 1, driven=load_calibration(other))

    def left(*calibrations):
        given = [word for path in calibrations for word in ("--calibration", str(path))]
        command = ("fit", str(trace), str(second), "--vehicle", str(CAR_PATH), *given, "--json")
        liftlatch(*command, "--out", str(tmp_path / "out"))
        runs = json.loads(capsys.readouterr().out)["runs"]
        return [run["rms"]["height"]["fitted"] for run in runs]

    assert max(left(CALIBRATION_PATH, other)) < 1.3  # of 1 mm noise
    assert abs(peak_mm(load(tmp_path / "out" / "car.toml").car) - peak_mm(true_car)) < 15
    (tmp_path / "out").rename(tmp_path / "right")
    assert max(left(other, CALIBRATION_PATH)) > 2


def test_stopping_leaves_nothing(trace, tmp_path):
    out = tmp_path / "out"
    command = [sys.executable, "-c", "from bench.cli import main; main()", "fit", str(trace), *WITH]
    process = subprocess.Popen([*command, "--out", str(out)], cwd=ROOT, stderr=subprocess.PIPE)
    deadline = time.monotonic() + 30
    while not any(tmp_path.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert said.decode().split("\n")[-2:] == ["liftlatch: stopped", ""]
    assert os.listdir(tmp_path) == []


def test_open_loop_follows_the_plain_equations():
    # the plain Python formulation of the same car, stepped with the same shares
    car = replace(demo().car, shift_by_time=True, shift_at=(0.2,))
    shares = np.where(np.arange(800) < 300, 1.0, 0.4)
    rows = compiled.follow(car, 0.0005, shares, 4)
    motion = Motion(car)
    for i, share in enumerate(shares.tolist()):
        if i % 4 == 0:
            y = motion.state
            assert rows[i // 4, 1:3] == pytest.approx([y[SPEED], y[ENGINE]], rel=1e-9, abs=1e-12)
        motion.step(i * 0.0005, 0.0005, share)


def test_what_is_seen_depends_smoothly_on_the_gear_change():
    car = replace(demo().car, shift_by_time=True)
    shares = np.ones(1120)  # until the end of the change

    def end(at):
        return compiled.follow(replace(car, shift_at=(at,)), 0.0005, shares, 4)[-1, 2]

    steps = np.diff([end(0.5 + k * 5e-5) for k in range(40)])
    assert steps.min() > 0
    assert steps.max() < 3 * steps.mean()  # one that begins with a step would jump by ten times the mean


def test_the_solver_finds_the_least_cost():
    # against scipy.optimize.minimize (BFGS) on the same cost
    at = np.linspace(0, 2, 40)
    measured = 2.0 * np.exp(-1.3 * at) + 0.05 * np.sin(40 * at)
    measured[7] += 3  # an outlier

    def residual(x):
        return (exp(0.5 * x[0]) * np.exp(-exp(0.5 * x[1]) * at) - measured) / 0.05

    def jacobian(x, r):
        columns = [(residual(x + 1e-6 * unit) - r) / 1e-6 for unit in np.eye(2)]
        return np.column_stack(columns)

    far = np.full(2, 9.0)
    found = solving.solve(residual, jacobian, np.zeros(2), -far, far, 1e-9, lambda step, cost: None)
    best = minimize(lambda x: solving.cost_of(residual(x), x), np.zeros(2), tol=1e-10)
    assert found.x == pytest.approx(best.x, abs=1e-3)
    assert found.cost == pytest.approx(best.fun, rel=1e-7)


def test_the_solver_keeps_to_its_bounds():
    def residual(x):
        return np.array([10 * (x[0] - 5)])

    bounds = np.array([-1.0]), np.array([2.0])
    found = solving.solve(
        residual, lambda x, r: np.array([[10.0]]), np.zeros(1), *bounds, 1e-9, lambda step, cost: None
    )
    assert found.x[0] == 2.0
