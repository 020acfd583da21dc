"""Sections that are off are switched on at the desk, with guesses that are marked, and off again."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.calibration import CalibrationFile, compile_text, load
from bench.calibration.rewrite import save
from bench.desk.settings import Settings
from bench.desk.switches import SWITCHED, name_of
from bench.errors import UserError
from tests.desk_support import TRACES, recorded


def demo(name: str) -> Settings:
    return Settings(load(TRACES / f"{name}.toml"))


def made(mine: Settings, values: object) -> CalibrationFile:
    state = mine.checked(values, mine.start)
    text = mine.text(state)
    tried = compile_text(mine.text_to_try(state), Path("tried.toml"))
    found = compile_text(text, Path("made.toml"))
    assert tried.image == found.image
    return found


@pytest.mark.parametrize("name", ["plain", "demo", "demo_front_wheel"])
@pytest.mark.parametrize("section", list(SWITCHED))
def test_each_is_switched_on_with_marked_guesses_and_off_again(name: str, section: str) -> None:
    mine = demo(name)
    if mine.start[name_of(section)]:
        off = made(mine, {name_of(section): False})
        assert f"[{section}]" not in off.text
        mine = Settings(off)
    assert mine.start[name_of(section)] is False
    assert not any(key.startswith(section) for key in mine.guesses(mine.start))
    on = made(mine, {name_of(section): True})
    state = mine.checked({name_of(section): True}, mine.start)
    assert [one["now"] for one in mine.changed(state) if one["key"] == f"[{section}]"] == ["on"]
    guesses = [key for key in mine.guesses(state) if key.startswith(section)]
    assert guesses
    again = Settings(on)
    # what stood there stands there, and what the page showed as the start is what was written
    lines = on.text.splitlines()
    assert [line for line in mine.cal.text.splitlines() if line not in lines] == []
    its = {key: value for key, value in again.others.items() if key.startswith(f"{section}.")}
    assert its == {key: value for key, value in mine.others.items() if key.startswith(f"{section}.")}
    assert sorted(key for key in again.guesses(again.start) if key.startswith(section)) == sorted(guesses)
    # off again: the controller is what it was
    assert made(again, {name_of(section): False}).image == mine.cal.image


def test_a_speed_request_takes_nothing_until_its_curve_is_brought_down() -> None:
    mine = Settings(made(demo("demo"), {"on engine_ceiling": False}))
    source = recorded()
    before = source.replay(mine.cal).ticks["reduction"]
    on = made(mine, {"on engine_ceiling": True})
    assert source.replay(on).ticks["reduction"].tolist() == before.tolist()
    low = {"on engine_ceiling": True, "engine_ceiling.speed_rpm": [5000, 5000, 5000],
           "measured": ["engine_ceiling.speed_rpm"]}  # fmt: skip
    down = made(mine, low)
    assert source.replay(down).ticks["reduction"].sum() > 2 * before.sum() > 0
    assert "speed_rpm = [5000, 5000, 5000]  # measured" in down.text
    # what is set in a section that is off is not written, and comes back with it
    values = mine.checked({"engine_ceiling.speed_rpm": [5000, 5000, 5000]}, mine.start)
    assert mine.text(values) == mine.cal.text
    assert mine.changed(values) == []


def test_what_cannot_be_switched_is_told() -> None:
    mine = demo("plain")
    for wrong in (1, "yes", None):
        with pytest.raises(UserError, match="no such choice"):
            mine.checked({"on shaft_ceiling": wrong}, mine.start)
    # switched on by what was measured of the sensor: no section of ours turns it off
    noisy = Settings(compile_text(save(mine.cal, {"sensor.measured_noise_mm": 3}), Path("noisy.toml")))
    assert "on sensor.stuck" not in noisy.start


def test_a_comment_may_hold_what_ends_a_line_elsewhere() -> None:
    text = (TRACES / "plain.toml").read_text()
    mine = Settings(compile_text(f"# one \u2028 two \x85 three\n{text}", "odd.toml"))
    on = made(mine, {name_of("sensor.learn"): not mine.start[name_of("sensor.learn")]})
    assert on.text.startswith("# one \u2028 two \x85 three\n")


def test_a_section_below_one_without_a_line_of_its_own_is_refused() -> None:
    text = (TRACES / "plain.toml").read_text().replace("\n[sensor]\n", '\n["sensor"]\n')
    mine = Settings(compile_text(text, "odd.toml"))
    section = next(one for one in SWITCHED if one.startswith("sensor.") and not mine.start[name_of(one)])
    with pytest.raises(UserError, match=r"\[sensor\] does not stand on a line of its own"):
        mine.text(mine.checked({name_of(section): True}, mine.start))
