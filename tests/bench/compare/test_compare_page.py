"""The page of a comparison in a browser, network off: its curves are the numbers of the files, everybody can
use it, a click goes to the place."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from playwright.sync_api import Browser, Page

from bench.compare.command import compare
from bench.replay.command import replay
from tests.browser_support import SCHEMES, WIDTHS, open_page, serious_findings, wider_than_window
from tests.replay_support import FILE, flight, write_trace

pytestmark = pytest.mark.slow

HEADER = "Time [s],Height [mm],Speed [km/h],Engine speed [rpm]"
HOSTILE = "<img src=x onerror=alert(1)> run"


class Made:
    def __init__(self, folder: Path) -> None:
        self.trace = write_trace(folder / "flight.csv", HEADER, flight(3.4))
        self.higher = write_trace(folder / f"{HOSTILE}.csv", HEADER, flight(3.4, top_mm=260))
        self.a, self.b = folder / "a.toml", folder / "<b>&amp;.toml"
        self.a.write_text(FILE)
        self.b.write_text(FILE.replace("hold_ms = 300", "hold_ms = 150"))
        self.out = folder / "out"
        words = [self.trace, self.higher, "--calibration", self.a, "--calibration", self.b, "--out", self.out]
        done = CliRunner().invoke(compare, [str(word) for word in words], catch_exceptions=False)
        assert done.exit_code == 0
        self.page = self.out / "report.html"
        self.facts = json.loads((self.out / "summary.json").read_text())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return Made(tmp_path_factory.mktemp("compare-page"))


def column(page: Page, strip: str, series: str, name: str) -> list[int]:
    """The whole numbers of a curve as the page has unpacked them."""
    return list(
        page.evaluate(
            """async ([strip, series, name]) => {
                const { strips } = await window.liftlatch;
                return Array.from(strips[strip].series[series].columns[name].values);
            }""",
            [strip, series, name],
        )
    )


def test_curves_are_the_numbers_of_the_files(browser: Browser, made: Made, tmp_path: Path) -> None:
    with open_page(browser, made.page) as page:
        page.wait_for_selector("html[data-ready]")
        curves = {
            (trace, letter, name): column(page, f"trace-{trace}", letter, name)
            for trace in (1, 2)
            for letter in "AB"
            for name in ("reduction", "retard", "lift")
        }
        differs = column(page, "trace-1", "A", "differs-B")
        runs = {i: column(page, "by-launch", f"run-{i}", "lift") for i in (0, 1)}
    with open(made.out / "differences.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        for letter in "AB":
            for name, key in (("reduction", "reduction_permille"), ("retard", "retard_ddeg")):
                drawn = curves[int(row["trace"]), letter, name][int(row["tick"])]
                assert drawn == int(row[f"{key}_{letter.lower()}"])
    listed = {int(row["tick"]) for row in rows if row["trace"] == "1"}
    assert {tick for tick, on in enumerate(differs) if on} == listed
    assert {
        tick
        for tick in range(len(differs))
        if any(curves[1, "A", n][tick] != curves[1, "B", n][tick] for n in ("reduction", "retard"))
    } == listed
    # The other ticks: the same run replayed by itself.
    out = tmp_path / "replayed"
    words = [str(made.higher), "--calibration", str(made.b), "--out", str(out)]
    assert CliRunner().invoke(replay, words, catch_exceptions=False).exit_code == 0
    with open(out / "ticks.csv", newline="") as stream:
        ticks: list[dict[str, Any]] = list(csv.DictReader(stream))
    assert [int(row["reduction_permille"]) for row in ticks] == curves[2, "B", "reduction"]
    assert [float(row["lift_mm"]) * 16 for row in ticks] == curves[2, "B", "lift"]
    # Laid on the launch, a run is part of the same curve.
    for i, whole in ((0, curves[1, "A", "lift"]), (1, curves[2, "A", "lift"])):
        assert len(runs[i]) > 2000
        assert any(whole[k : k + len(runs[i])] == runs[i] for k in range(len(whole) - len(runs[i]) + 1))


def test_runs_laid_on_their_launch_begin_there(browser: Browser, made: Made) -> None:
    """Both launch at 1 s and a bit of their traces; on the page that is 0."""
    with open_page(browser, made.page) as page:
        page.wait_for_selector("html[data-ready]")
        lifts = [column(page, "by-launch", f"run-{i}", "lift") for i in (0, 1)]
        firsts = page.evaluate(
            """async () => {
                const { strips } = await window.liftlatch;
                return ["run-0", "run-1"].map((name) => strips["by-launch"].series[name].first);
            }"""
        )
    # The top of each flight, 1 s after the car began to move.
    for lift, first in zip(lifts, firsts, strict=True):
        top = first + lift.index(max(lift)) / 1000
        assert top == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_everybody_can_use_it(browser: Browser, made: Made, width: int, scheme: str) -> None:
    with open_page(browser, made.page, width=width, scheme=scheme) as page:
        page.wait_for_selector("html[data-ready]")
        assert wider_than_window(page) <= 0
        assert serious_findings(page, ("moderate", "minor")) == []
        text = page.inner_text("body")
        assert f"{HOSTILE}.csv" in text
        assert "<b>&amp;.toml" in text
        assert "latch.hold_ms" in text
        assert "An engineering aid, not a safety device" in text
        assert page.locator("img").count() == 0


def test_a_click_goes_to_the_first_difference(browser: Browser, made: Made) -> None:
    first = made.facts["traces"][0]["differences"][0]["first"]
    with open_page(browser, made.page) as page:
        page.wait_for_selector("html[data-ready]")
        page.get_by_role("button", name=f"{first['since_launch_s']:.3f}", exact=True).first.click()
        assert f"At {first['since_launch_s']:.3f} s since the launch" in page.inner_text("body")


def test_it_is_small_enough(made: Made) -> None:
    assert made.page.stat().st_size < 6_000_000
