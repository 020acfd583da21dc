"""Maps of a calibration on the pages of a replay and of a comparison."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from playwright.sync_api import Browser, expect

from bench.calibration import CalibrationFile, compile_text, load
from bench.calibration.rewrite import save
from bench.compare.command import compare
from bench.compare.maps import maps_beside
from bench.desk.convert import convert
from bench.document.blocks import Map
from bench.document.calibration import calibration_section
from bench.document.maps import maps
from bench.replay.cells import cells, cells_of_runs
from tests.browser_support import open_page, serious_findings, wider_than_window
from tests.desk_support import TRACES, recorded


def _pair() -> tuple[CalibrationFile, CalibrationFile]:
    """The demo's ceilings as maps, and the same with one cell of each map changed."""
    one = compile_text(convert(load(TRACES / "demo.toml")).text, Path("one.toml"))
    tables = tomllib.loads(one.text)["maps"]
    changes = {}
    for key, by in (("reduction_percent", -10), ("retard_deg", -1)):
        rows = [list(row) for row in tables[key]]
        rows[-1][2] += by
        changes[f"maps.{key}"] = rows
    return one, compile_text(save(one, changes), Path("other.toml"))


def _numbers(found: Map) -> np.ndarray:
    return np.array([[float(text) for text in row] for row in found.cells])


def test_a_calibration_with_maps_is_shown_as_maps_with_what_each_cell_took() -> None:
    cal, _ = _pair()
    s = recorded("second_lift").replay(cal)
    told = cells_of_runs(s)
    assert told is not None
    reduction, retard = maps(cal, "maps", told)
    # the numbers are those of the file, the time below them that of the run
    given = tomllib.loads(cal.text)["maps"]
    assert _numbers(reduction).tolist() == given["reduction_percent"]
    assert _numbers(retard).tolist() == given["retard_deg"]
    assert [float(v) for v in reduction.lifts] == pytest.approx(given["lift_mm"], abs=0.005)
    assert [float(v) for v in reduction.points] == given["speed_kmh"]
    start, stop = s.runs[0]
    assert told["ms"] == cells(s, start, stop)["ms"]
    r, c = divmod(int(np.argmax(told["taken_ms"])), len(reduction.points))
    seconds, taken = (told[key][r][c] / 1000 for key in ("ms", "taken_ms"))
    assert reduction.below[r][c] == f"{seconds:.2f} s −{taken:.2f}"
    assert {block.kind for block in calibration_section(cal).blocks} >= {"map", "table"}
    # one with ceilings has no maps to show
    assert all(block.kind != "map" for block in calibration_section(load(TRACES / "demo.toml")).blocks)


def test_what_one_calibration_changes_of_anothers_maps_is_marked_cell_by_cell() -> None:
    a, b = _pair()
    reduction, retard = maps_beside([a, b])
    top = len(reduction.cells) - 1
    assert reduction.changed == retard.changed == {(top, 2)}
    assert reduction.cells[top][2] == "50 → 40"
    assert retard.cells[top][2] == "8 → 7"
    assert sum("→" in text for row in reduction.cells for text in row) == 1
    assert reduction.cells[0][0] == "0"
    assert list(maps_beside([a, a])) == []
    assert list(maps_beside([load(TRACES / "demo.toml"), load(TRACES / "plain.toml")])) == []


@pytest.mark.slow
def test_a_comparison_shows_both_maps_and_the_runs_way_over_them(browser: Browser, tmp_path: Path) -> None:
    names = []
    for cal in _pair():
        names.append(tmp_path / cal.path)
        names[-1].write_text(cal.text)
    asked = [str(TRACES / "second_lift.csv"), "--out", str(tmp_path / "out")]
    for name in names:
        asked += ["--calibration", str(name)]
    done = CliRunner().invoke(compare, asked, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    for width, scheme in ((390, "dark"), (1280, "light")):
        with open_page(browser, tmp_path / "out" / "report.html", width=width, scheme=scheme) as page:
            expect(page.locator(".map")).to_have_count(6)
            expect(page.locator("#map-maps-A-B-reduction td.strong")).to_have_text(["50 → 40"])
            expect(page.locator("#map-maps-A-reduction .way path")).to_have_count(1)
            # the way begins in the middle of the row of the lowest lift, at the first point
            box = page.locator("#map-maps-A-reduction [data-cell='0 0']").bounding_box()
            way = page.locator("#map-maps-A-reduction .way path").evaluate(
                """one => {
                  const { x, y } = one.getPointAtLength(0).matrixTransform(one.getScreenCTM());
                  return [x, y];
                }"""
            )
            assert box is not None
            assert box["x"] <= way[0] <= box["x"] + box["width"]
            assert way[1] == pytest.approx(box["y"] + box["height"] / 2, abs=2)
            assert serious_findings(page) == []
            assert wider_than_window(page) == 0
