"""All of the calibration at the desk: every key is there and written where it stands, guesses are marked."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.calibration import compile_text, load
from bench.calibration.show import facts_with_keys
from bench.desk.keys import ABOUT, as_measured
from bench.desk.settings import Settings
from bench.errors import UserError
from bench.start.files import calibration_text
from bench.start.placing import place
from tests.bench.start.test_start import ANSWERS
from tests.desk_support import TRACES


def begun() -> Settings:
    return Settings(compile_text(calibration_text(place(ANSWERS)), Path("car.toml")))


@pytest.mark.parametrize("name", ["plain", "demo", "demo_front_wheel"])
def test_every_key_can_be_moved_but_what_is_off_and_two(name: str) -> None:
    mine = Settings(load(TRACES / f"{name}.toml"))
    there = {one["key"] for one in facts_with_keys(mine.cal)["keys"] if one["value"] != "off"}
    moved = {mine.key_of(key) for key in mine.start}
    assert there - moved - {"latch.release"} == {"progress.by", "car.name"}
    shown = [one["key"] for section in mine.sections for one in section["keys"]]
    assert sorted(shown) == sorted(mine.others)
    assert {key.split(".")[0] for key in mine.others} <= set(ABOUT)


def test_each_is_written_where_it_stands_and_its_comment_stays() -> None:
    mine = Settings(load(TRACES / "demo.toml"))
    changed: dict[str, Any] = {
        "fault.hold_ms": 2500, "limits.reduction_percent": 70,
        "engine_ceiling.speed_rpm": [6400, 6500, 6800, 9000],
        "engine_ceiling.before_launch": True, "cylinders.skips": "fuel", "sensor.return_ms": 450,
    }  # fmt: skip
    text = mine.text(mine.checked(changed, mine.start))
    again = Settings(compile_text(text, mine.cal.path))
    assert {key: again.start[key] for key in changed} == changed
    assert {key for key, value in again.others.items() if value != mine.others[key]} == set(changed)
    assert "hold_ms = 2500             # keep what is taken, longer" in text
    gone = [line for line in mine.cal.text.splitlines() if line not in text.splitlines()]
    assert len(gone) == 5  # one key was left to its default, and is new
    for key, value in changed.items():
        one = mine.checked({key: value}, mine.start)
        assert compile_text(mine.text(one), "x").image == compile_text(mine.text_to_try(one), "x").image
        mine.text_to_try(mine.start)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("fault.hold_ms", "long"), ("fault.hold_ms", True), ("fault.hold_ms", [1]),
        ("cylinders.skips", "some"),
        ("engine_ceiling.before_launch", 1), ("engine_ceiling.speed_rpm", []),
        ("engine_ceiling.speed_rpm", 5),
        ("engine_ceiling.speed_rpm", [1, "a"]), ("progress.by", "time"), ("no.key", 1), ("measured", "x"),
        ("measured", [1]),
    ],
)  # fmt: skip
def test_what_is_no_value_of_its_kind_is_refused(key: str, value: Any) -> None:
    mine = Settings(load(TRACES / "demo.toml"))
    with pytest.raises(UserError):
        mine.checked({key: value}, mine.start)


def test_guesses_are_marked_until_they_are_measured() -> None:
    mine = begun()
    assert {"sensor.noise_mm", "cylinders.skips", "progress.speed_from"} <= set(mine.guessed)
    assert "record the car standing still" in mine.guessed["sensor.noise_mm"]
    values = mine.checked({"sensor.noise_mm": 2, "measured": ["sensor.noise_mm", "no.such"]}, mine.start)
    assert values["measured"] == ["sensor.noise_mm"]
    again = Settings(compile_text(mine.text(values), mine.cal.path))
    assert set(mine.guessed) - set(again.guessed) == {"sensor.noise_mm"}
    assert again.start["sensor.noise_mm"] == 2
    assert "noise_mm = 2               # measured\n" in again.cal.text
    # the same key of another section stays guessed
    text = "[a]\nx = 1 # guessed: y\n[b]\nx = 1 # guessed\n"
    assert as_measured(text, ["b.x"]) == "[a]\nx = 1 # guessed: y\n[b]\nx = 1 # measured\n"
