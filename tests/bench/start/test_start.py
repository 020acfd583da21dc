"""`liftlatch start`: what is asked, what follows from it, and files that every command takes at once."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.calibration.compile import compile_text, load
from bench.calibration.guesses import guesses
from bench.cli import liftlatch
from bench.errors import UserError
from bench.start import command
from bench.start.files import calibration_text, car_text
from bench.start.placing import place
from bench.start.questions import BY_NAME, QUESTIONS, numbers
from bench.vehicle import car as cars
from bench.vehicle import vehicle_file
from bench.vehicle.estimates import ESTIMATES
from tests.vehicle_support import CAR_PATH

ANSWERS = {
    "mass": "1200", "front_weight": "634 kg", "wheelbase": "2650", "droop": "70", "tyres": "420, 330",
    "bar": "1300, 200", "sensor_ahead": "350", "sensor_rest": "130", "sensor_volts": "0.5, 4.5",
    "sensor_range": "50, 500", "power": "1085 kW, 7800", "launch_speed": "5000", "gears": "1.54, 1.0",
    "final_drive": "3.35", "firing_order": "1 8 4 3 6 5 7 2",
}  # fmt: skip


def options(**answers: str) -> list[str]:
    return [word for name, text in answers.items() for word in (BY_NAME[name].option, text)]


def run(*words: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(liftlatch, [str(word) for word in words])
    if isinstance(done.exception, UserError):
        return 2, str(done.exception)
    return done.exit_code, done.output


def test_it_writes_files_that_every_command_takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "car"
    code, said = run("start", folder, *options(**ANSWERS))
    assert code == 0, said
    assert "aid, not a safety device" in said
    calibration = load(folder / "calibration.toml")
    vehicle = vehicle_file.load(folder / "car.toml")
    assert calibration.warnings == []
    assert vehicle.warnings == []
    monkeypatch.chdir(folder)
    code, said = run("predict", "--distance", "60")
    assert code == 0, said
    assert "from liftlatch.toml: --vehicle car.toml, --calibration calibration.toml" in said


def test_units_may_stand_beside_the_numbers(tmp_path: Path) -> None:
    """1 in is 25.4 mm and 1 lb 0.45359237 kg (NIST SP 811, appendix B)."""
    assert numbers(BY_NAME["wheelbase"], "105 in") == [pytest.approx(2667.0)]
    assert numbers(BY_NAME["mass"], "2650 lb") == [pytest.approx(2650 * 0.45359237)]
    assert numbers(BY_NAME["tyres"], "16.5, 13 in") == [pytest.approx(419.1), pytest.approx(330.2)]
    # mechanical horsepower, NIST SP 811: 745.6999 W
    assert numbers(BY_NAME["power"], "1000 hp, 7800") == [pytest.approx(745.6999, rel=1e-6), 7800]


@pytest.mark.parametrize(
    ("name", "text", "what"),
    [
        ("mass", "heavy", "--mass: 'heavy' is not a number"),
        ("mass", "1200 mm", "'mm' is no unit of this kind"),
        ("mass", "12", "12 kg cannot be"),
        ("tyres", "420", "has 1 numbers"),
        ("front_weight", "1300", "is not less than the whole car"),
        ("sensor_rest", "900", "outside of what it reads"),
        ("sensor_range", "50, 150", "the sensor ends"),
        ("sensor_period", "40", "crosses 480 mm in 3 readings"),
        ("bar", "1300", "needs two numbers"),
        ("firing_order", "1 3 3 2", "does not name each cylinder once"),
        ("sensor_volts", "2, 2", "the two points are one"),
    ],
)
def test_an_answer_that_cannot_be_is_one_line(tmp_path: Path, name: str, text: str, what: str) -> None:
    code, said = run("start", tmp_path / "car", *options(**ANSWERS | {name: text}))
    assert code == 2
    assert what in said
    assert not (tmp_path / "car").exists()


def test_what_is_missing_is_named_where_nobody_can_be_asked(tmp_path: Path) -> None:
    code, said = run("start", tmp_path / "car", *options(mass="1200"))
    assert code == 2
    assert "not answered: --front-weight, --wheelbase" in said


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("mine")
    code, said = run("start", tmp_path, *options(**ANSWERS))
    assert (code, [path.name for path in tmp_path.iterdir()]) == (2, ["mine"])
    assert "not empty" in said


def test_on_a_terminal_it_asks_and_asks_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "_can_ask", lambda: True)
    folder = tmp_path / "car"
    asked = {name: text for name, text in ANSWERS.items() if name not in ("mass", "droop")}
    replies = {"name": ["Trundle"], "mass": ["nonsense", "", "1200"], "droop": ["70"]}
    order = [question.name for question in QUESTIONS if question.name not in asked]
    typed = [reply for name in order for reply in replies.get(name, [""])]
    words = ["start", str(folder), *options(**asked)]
    done = CliRunner().invoke(liftlatch, words, input="".join(f"{reply}\n" for reply in typed))
    assert done.exit_code == 0, done.output
    assert "'nonsense' is not a number" in done.output
    assert tomllib.loads((folder / "car.toml").read_text())["car"]["name"] == "Trundle"


def test_what_is_guessed_is_listed_until_its_word_is_changed(tmp_path: Path) -> None:
    folder = tmp_path / "car"
    run("start", folder, *options(**ANSWERS))
    path = folder / "calibration.toml"
    _, said = run("calibration", "check", path)
    assert "sensor.noise_mm" in said.replace("\n  ", " ")
    path.write_text(path.read_text().replace("# guessed: record the car", "# measured: recorded the car"))
    assert not any("noise_mm" in line for line in guesses(path.read_text(), path))
    _, told = run("calibration", "check", path, "--json")
    assert json.loads(told)["guessed"] == guesses(path.read_text(), path)


@settings(max_examples=15)
@given(
    st.floats(700, 1800), st.floats(0.35, 0.62), st.integers(2200, 7500), st.integers(20, 110),
    st.integers(60, 300), st.integers(250, 900), st.sampled_from(["1", "2", "5", "10", "20"]),
    st.integers(-300, 900),
)  # fmt: skip
@example(700.0, 0.5, 2200, 20, 60, 250, "20", 0)  # the nose crosses all of the range between two readings
def test_whatever_car_and_sensor_the_files_are_sound_or_one_line_says_why(
    mass: float, front: float, wheelbase: int, droop: int, rest: int, far: int, period: str, ahead: int
) -> None:
    answers = ANSWERS | {
        "mass": f"{mass:.0f}", "front_weight": f"{mass * front:.0f}", "wheelbase": str(wheelbase),
        "droop": str(droop), "sensor_rest": str(rest), "sensor_range": f"40, {far}", "sensor_period": period,
        "sensor_ahead": str(ahead),
    }  # fmt: skip
    try:
        begun = place(answers)
    except UserError:
        return
    compiled = compile_text(calibration_text(begun), "start.toml")
    begin = compiled.ceilings.reduction_from
    assert begin[-1] <= begin[0] * 2 / 3
    assert begun.start_lift > droop
    assert 250 <= begun.look_ahead <= 400
    vehicle = vehicle_file.read(car_text(begun), "car.toml")
    assert vehicle.car.cg_ahead == pytest.approx(front * wheelbase / 1000, abs=0.02)


def test_every_question_has_an_option_and_no_two_the_same() -> None:
    assert len({question.option for question in QUESTIONS}) == len(QUESTIONS)


def test_estimates_of_the_demo_car_lie_within_their_scatter() -> None:
    """The demo car's own numbers are invented, but meant to be likely: none is three deviations off."""
    text = CAR_PATH.read_text()
    given = vehicle_file.read(text, "demo.toml")
    kept = []
    for line in text.splitlines():
        key = line.split("=")[0].strip().rsplit("_", 1)[0]
        kept.append("" if any(key == cars.BY_NAME[n].key for n in ESTIMATES) and "[" not in line else line)
    bare = vehicle_file.read("\n".join(kept), "bare.toml")
    assert len(bare.estimated) > 10
    for name, rule in ESTIMATES.items():
        want, got = getattr(given.car, name), getattr(bare.car, name)
        assert want == got == 0 or abs(got / want - 1) < 3 * rule.scatter, name
    assert bare.scatter["pitch_inertia"].size == ESTIMATES["pitch_inertia"].scatter
