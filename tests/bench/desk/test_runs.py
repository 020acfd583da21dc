"""Runs that lie over each other at the desk, aligned at their launch."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.calibration import load
from bench.desk.runs import MOST_RUNS, Runs, laid_over
from bench.desk.session import Session
from bench.errors import UserError
from tests.bench.desk.test_transfer import send
from tests.desk_support import TOKEN, TRACES, Page, Served, copy_of_demo, recorded, served


def test_a_run_that_lies_over_another_is_what_it_is_alone_from_its_launch_on() -> None:
    cal = load(TRACES / "plain.toml")
    runs = Runs(recorded())
    other = runs.lay(recorded("second_lift"))
    [drawn] = laid_over(runs.others, cal, -0.2, 3.0)
    assert (drawn["number"], drawn["name"]) == (other.number, "second_lift.csv")
    alone = recorded("second_lift").replay(cal)
    launch = alone.runs[0][0]
    for name, per in (("lift", 16), ("reduction", 10)):
        series = drawn["series"][name]
        at = series["columns"]["at"]
        seconds = series["first"] + np.array(at["values"]) / at["per"]
        ticks = launch + np.round(seconds / alone.tick_s).astype(int)
        assert series["columns"][name]["values"] == alone.ticks[name][ticks].tolist()
        assert seconds[0] == pytest.approx(-0.2)
        assert seconds[-1] == pytest.approx(3.0, abs=2 * alone.tick_s)
        assert max(series["columns"][name]["values"]) == alone.ticks[name][launch - 200 : launch + 3000].max()
        assert series["columns"][name]["per"] == per


def test_runs_are_chosen_and_taken_away() -> None:
    runs = Runs(recorded())
    first, second = runs.chosen, runs.lay(recorded("second_lift"))
    runs.choose(second.number)
    assert runs.chosen == second
    assert runs.others == (first,)
    with pytest.raises(UserError, match="figures are of this run"):
        runs.take_away(second.number)
    runs.take_away(first.number)
    assert [one["chosen"] for one in runs.facts()] == [True]
    for wrong in (first.number, True, "1", None):
        with pytest.raises(UserError, match="no such run"):
            runs.choose(wrong)
    for _ in range(MOST_RUNS - 1):
        runs.lay(recorded())
    with pytest.raises(UserError, match="lie over each other already"):
        runs.lay(recorded())
    runs.show(recorded("spike_train"))
    assert [one["name"] for one in runs.facts()] == ["spike_train.csv"]


def _bring(desk: Served, name: str, text: str) -> None:
    status, _ = send(desk, text.encode(), f"/{TOKEN}/log?name={name}", Origin=desk.origin)
    assert status == 200


def test_a_page_lays_logs_over_the_run(tmp_path: Path) -> None:
    with served(Session(copy_of_demo(tmp_path)), recorded()) as desk, desk.live() as connection:
        page = Page(connection)
        assert page.state["result"]["others"] == []
        before = page.figures(page.state)
        _bring(desk, "two.csv", (TRACES / "second_lift.csv").read_text())
        state = page.ask("log lay", log=1)
        [other] = state["result"]["others"]
        assert other["name"] == "two.csv"
        assert page.figures(state) == before  # the figures stay those of the first run
        chosen = page.ask("run choose", run=other["number"])
        assert page.figures(chosen) != before
        assert [one["name"] for one in chosen["result"]["others"]] == ["clean_launch.csv"]
        back = page.ask("run choose", run=1)
        assert page.figures(back) == before
        # With settings that are refused the page shows the run that is chosen, too.
        assert page.ask("set", values={"hold": 4000})["refused"]
        assert page.figures(page.ask("run choose", run=other["number"])) == page.figures(chosen)
        page.ask("undo")
        page.ask("run choose", run=1)
        assert "of this run" in page.refused("run away", run=1)["text"]
        assert page.ask("run away", run=other["number"])["result"]["others"] == []
        # a run without a launch cannot be aligned
        rows = (TRACES / "clean_launch.csv").read_text().splitlines()
        _bring(desk, "none.csv", "\n".join([*rows[:2], *rows[2:150]]) + "\n")
        assert "no launch was found" in page.refused("log lay", log=2)["text"]
