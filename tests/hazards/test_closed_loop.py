"""The demo car in closed loop with the controller, through inputs that fail: what it costs.

`python -m tests.hazards.closed_loop` prints the whole table; what is pinned stands in closed_loop.toml.
"""

from __future__ import annotations

import pytest

from bench.calibration import load
from bench.vehicle.run import run
from bench.vehicle.track import Track
from tests.hazards.closed_loop import Line, line_of, name_of, pins, run_one, worse
from tests.hazards.loop_drive import drive
from tests.hazards.loop_stories import CALIBRATIONS, STORIES, calibration_of, car_of
from tests.hazards.page import PAGE as PAGE_FILE
from tests.hazards.page import written

pytestmark = pytest.mark.rule("H3", "H5", "H6", "R1")

HEALTHY = 4.88  # s: 660 ft of the demo car with demo.toml where nothing fails
FEW = ("nothing fails", "spikes of engine speed", "a second staging", "curve reversed")

# Story, calibration, figure -> what a prototype of the rules reached in the same car, where this is no worse;
# the lines that fall short of it stand in README.md. With demo.toml it is the time lost that is compared.
REACHED = {
    ("lost 50 to 400 ms", "plain", "mean"): 5.321,
    ("wrong for 10 ms, near the end", "ahead", "mean"): HEALTHY + 4.872 - 4.823,
    ("wrong for 10 ms, near the end", "ahead", "worst"): HEALTHY + 4.964 - 4.823,
    ("spikes of engine speed", "ahead", "worst"): HEALTHY,
    ("the same, 1 % of samples lost", "plain", "share_cut"): 0.20,
    ("the same, 1 % of samples lost", "plain", "cut_s"): 0.027,
    ("the same, 3 % of samples lost", "plain", "cut_s"): 0.043,
}


def line(story: str, calibration: str) -> Line:
    return line_of([run_one((story, calibration, i)) for i in range(len(STORIES[story]))])


@pytest.mark.parametrize("story", FEW)
@pytest.mark.parametrize("calibration", CALIBRATIONS)
def test_a_story_costs_no_more_than_pinned(story: str, calibration: str) -> None:
    assert not worse(name_of(story, calibration), line(story, calibration), pins())


@pytest.mark.slow
@pytest.mark.parametrize("story", [story for story in STORIES if story not in FEW])
@pytest.mark.parametrize("calibration", CALIBRATIONS)
def test_every_story_costs_no_more_than_pinned(story: str, calibration: str) -> None:
    assert not worse(name_of(story, calibration), line(story, calibration), pins())


@pytest.mark.parametrize(("story", "calibration", "figure"), REACHED)
def test_the_pins_reach_the_figures_of_the_prototype(story: str, calibration: str, figure: str) -> None:
    pinned = pins()[name_of(story, calibration)][figure]
    assert isinstance(pinned, float)
    assert pinned <= REACHED[story, calibration, figure] + 0.0005


def test_the_pins_are_of_these_stories() -> None:
    assert set(pins()) == {name_of(story, calibration) for story in STORIES for calibration in CALIBRATIONS}


@pytest.mark.parametrize("name", CALIBRATIONS)
def test_a_drive_of_its_own_equals_the_bench_s(name: str) -> None:
    calibration, car = load(CALIBRATIONS[name]), car_of(100)
    assert calibration.image == calibration_of(name).image
    outcome = run(car, calibration, Track(duration=10.0), controlled=True)
    driven = drive(car, calibration)
    assert driven.seconds == pytest.approx(outcome.at_mark("beam_time", 660), abs=1e-9)
    assert driven.peak_mm == pytest.approx(1000 * outcome.score("peak_lift"), abs=1e-6)


def test_a_worse_figure_is_seen() -> None:
    pinned = pins()
    name = name_of("nothing fails", "ahead")
    was = pinned[name]
    said = was["said"]
    assert isinstance(said, list)
    figures = {key: value for key, value in was.items() if isinstance(value, float) and key != "share_cut"}
    same = Line(share_cut=0.0, said=tuple(said), **figures)
    assert not worse(name, same, pinned)
    slower = Line(share_cut=0.0, said=tuple(said), **{**figures, "worst": figures["worst"] + 0.06})
    assert "worst" in worse(name, slower, pinned)[0]
    silent = Line(share_cut=0.0, said=("something",), **figures)
    assert "something" in worse(name, silent, pinned)[0]


def test_the_page_shows_what_is_pinned() -> None:
    text = PAGE_FILE.read_text()
    assert written(text) == text
