"""The controller on a report's page, in a real browser: what it makes of moved settings is what a replay of
the changed calibration makes, tick by tick."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from bench.calibration import CalibrationMistakes, compile_text, load
from bench.calibration.rewrite import Rewriter
from bench.replay.inputs import Options, from_trace
from bench.replay.run import OUTPUT_TYPES, Run, run
from bench.trace.read import read_trace
from tests import ROOT
from tests.bench.replay.test_replay_command import here
from tests.browser_support import SCHEMES, WIDTHS, open_page, serious_findings, wider_than_window

pytestmark = pytest.mark.slow

TRACES = ROOT / "traces"
TRACE = TRACES / "high_wheelstand.csv"
# What the reader moves, and the keys of the calibration that say the same.
MOVES: list[dict[str, Any]] = [
    {"hold": 0},
    {"hold": 120, "release": 250},
    {"ahead": 60},
    {"greatest": 30},
    {"ceilings": -25},
    {"ceilings": 40, "greatest": 70, "hold": 500, "release": 90, "ahead": 200},
    {"ceilings": -60, "greatest": 10, "hold": 1000},
]


@pytest.fixture(scope="module", params=["plain", "demo"])
def report(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A page, and the calibration that it is of."""
    out = tmp_path_factory.mktemp("page") / "out"
    calibration = TRACES / f"{request.param}.toml"
    code, _, err = here("replay", TRACE, "--calibration", calibration, "--out", out)
    assert code == 0, err
    return out / "report.html", calibration


@contextmanager
def opened(browser: Browser, file: Path, **how: Any) -> Iterator[Page]:
    with open_page(browser, file, **how) as page:
        page.locator("html[data-ready]").wait_for()
        page.locator(".what-if summary").click()
        page.locator("[data-total=most]").wait_for()
        page.evaluate("liftlatch.then(async (all) => { window.it = await Object.values(all.whatIf)[0]; })")
        yield page


def changed(calibration: Path, moves: dict[str, Any]) -> str:
    """The calibration's text with the settings that the moves stand for."""
    text = calibration.read_text()
    ceilings = tomllib.loads(text)["ceilings"]
    changes: dict[str, Any] = {}
    for name, value in moves.items():
        if name == "hold":
            changes["latch.hold_ms"] = value
        elif name == "release":
            changes |= {"latch.release": None, "latch.release_percent_per_s": value}
        elif name == "ahead":
            changes["look_ahead.rising_ms"] = value
        elif name == "greatest":
            changes["ceilings.greatest_reduction_percent"] = value
        else:
            for key in ("retard_from_mm", "reduction_from_mm", "reduction_full_mm"):
                changes[f"ceilings.{key}"] = [lift + value for lift in ceilings[key]]
    return Rewriter(text).set(changes)


def replayed(calibration: Path, text: str) -> Run:
    cal = compile_text(text, calibration)
    inputs = from_trace(read_trace(TRACE), cal, Options())
    return run("reference", cal.image, inputs.arrays)


def moved(page: Page, moves: dict[str, Any]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = page.evaluate(
        """(moves) => {
            it.back();
            it.run({ ...it.places, ...moves });
            const rows = Object.entries(it.outputs);
            return Object.fromEntries(rows.map(([name, values]) => [name, [...values]]));
        }""",
        moves,
    )
    return found


def test_a_moved_setting_gives_what_a_replay_with_it_gives(
    browser: Browser, report: tuple[Path, Path]
) -> None:
    file, calibration = report
    with opened(browser, file) as page:
        differ = 0
        for moves in MOVES:
            try:
                wanted = replayed(calibration, changed(calibration, moves))
            except CalibrationMistakes:
                continue
            found = moved(page, moves)
            for name in OUTPUT_TYPES:
                assert found[name] == wanted.ticks[name].tolist(), (moves, name)
            bits = page.evaluate("it.bits ? [...it.bits] : []")
            assert bits == wanted.event_bits.tolist()
            drawn = page.evaluate("[...it.columns.reduction.values]")
            assert drawn == wanted.ticks["reduction"].tolist()
            differ += drawn != replayed(calibration, calibration.read_text()).ticks["reduction"].tolist()
        assert differ >= 3


def test_the_changed_keys_say_the_same_in_a_file(browser: Browser, report: tuple[Path, Path]) -> None:
    file, calibration = report
    with opened(browser, file) as page:
        moves = {"ceilings": -25, "greatest": 30, "hold": 120, "release": 250, "ahead": 60}
        found = moved(page, moves)
        keys = tomllib.loads(page.locator(".what-if pre").inner_text())
        changes = {f"{section}.{key}": value for section, its in keys.items() for key, value in its.items()}
        changes["latch.release"] = None
        wanted = replayed(calibration, Rewriter(calibration.read_text()).set(changes))
        assert found["reduction"] == wanted.ticks["reduction"].tolist()


def test_by_hand_and_back(browser: Browser, report: tuple[Path, Path]) -> None:
    file, calibration = report
    text = calibration.read_text()
    with opened(browser, file, width=390) as page:
        as_run = page.evaluate("[...it.columns.reduction.values]")
        assert as_run == replayed(calibration, text).ticks["reduction"].tolist()
        most = page.locator("[data-total=most] td")
        assert most.nth(0).inner_text() == most.nth(1).inner_text()
        slider = page.get_by_label("Greatest reduction", exact=True)
        slider.focus()
        page.keyboard.press("Home")
        expect(most.nth(1)).to_have_text("10.0 %")
        expect(page.locator(".what-if pre")).to_contain_text("greatest_reduction_percent = 10")
        assert page.evaluate("Math.max(...it.columns.reduction.values)") == 100
        page.get_by_role("button", name="As run").click()
        expect(page.locator(".what-if pre")).to_have_count(0)
        assert page.evaluate("[...it.columns.reduction.values]") == as_run
        # one that no controller would run from: the hold is longer than the fault's
        page.evaluate("it.run({ ...it.places, hold: 60000 })")
        expect(page.get_by_role("status").first).to_contain_text("refuses")
        assert page.evaluate("[...it.columns.reduction.values]") == as_run


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_everybody_can_use_it(browser: Browser, report: tuple[Path, Path], width: int, scheme: str) -> None:
    with opened(browser, report[0], width=width, scheme=scheme) as page:
        page.evaluate("it.run({ ...it.places, hold: 500 })")
        assert wider_than_window(page) == 0
        assert serious_findings(page) == []


def test_a_comparison_moves_its_last_calibration(browser: Browser, tmp_path: Path) -> None:
    a, b = TRACES / "demo.toml", TRACES / "plain.toml"
    out = tmp_path / "out"
    code, _, err = here("compare", TRACE, "--calibration", a, "--calibration", b, "--out", out)
    assert code == 0, err
    with opened(browser, out / "report.html") as page:
        expect(page.locator(".what-if summary")).to_contain_text("What if in B")
        found = moved(page, {"hold": 700})
        wanted = replayed(b, changed(b, {"hold": 700})).ticks
        other = replayed(a, a.read_text()).ticks
        assert found["reduction"] == wanted["reduction"].tolist()
        differs = (wanted["reduction"] != other["reduction"]) | (wanted["retard"] != other["retard"])
        assert page.evaluate("[...it.differs.values]") == differs.astype(int).tolist()


def test_calibrations_by_maps_and_long_replays(browser: Browser, tmp_path: Path, monkeypatch: Any) -> None:
    maps = tmp_path / "maps.toml"
    text = (TRACES / "plain.toml").read_text()
    table = """[maps]
lift_mm = [150, 320]
speed_kmh = [0, 250]
reduction_percent = [[0, 0], [60, 60]]
retard_deg = [[0, 0], [12, 12]]
"""
    maps.write_text(re.sub(r"\[ceilings\].*?(?=\n\[)", table, text, count=1, flags=re.DOTALL))
    load(maps)
    code, _, err = here("replay", TRACE, "--calibration", maps, "--out", tmp_path / "a")
    assert code == 0, err
    with opened(browser, tmp_path / "a" / "report.html") as page:
        expect(page.get_by_label("Greatest reduction", exact=True)).to_have_count(0)
        found = moved(page, {"ceilings": 10})
        lower = maps.read_text().replace("lift_mm = [150, 320]", "lift_mm = [160, 330]")
        assert found["reduction"] == replayed(maps, lower).ticks["reduction"].tolist()
        assert "lift_mm = [160, 330]" in page.locator(".what-if pre").inner_text()
    monkeypatch.setattr("bench.replay.what_if.MOST_TICKS", 1000)
    code, _, err = here("replay", TRACE, "--calibration", maps, "--out", tmp_path / "b")
    assert code == 0, err
    assert 'id="what-if' not in (tmp_path / "b" / "report.html").read_text()
