"""Maps as tables in a real browser: by keyboard, mouse and clipboard, with the run over them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, expect
from playwright.sync_api import Page as BrowserPage

from bench.calibration import load
from bench.desk.convert import convert
from tests.browser_support import open_page, serious_findings, wider_than_window
from tests.desk_support import TRACES, Program

pytestmark = pytest.mark.slow


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "maps.toml"
    path.write_text(convert(load(TRACES / "plain.toml")).text)
    return path


@pytest.fixture
def program(tmp_path: Path, file: Path) -> Iterator[Program]:
    with Program(tmp_path / "state", TRACES / "second_lift.csv", "--calibration", file) as made:
        yield made


def number(page: BrowserPage, row: int, column: int) -> float:
    return float(page.locator(f'[data-cell="{row} {column}"] .number').inner_text())


def clip(page: BrowserPage, kind: str, text: str = "") -> str:
    """What a copy gives, or a paste of a text, as the browser's own keys do it."""
    given: str = page.evaluate(
        """([kind, text]) => {
          const data = new DataTransfer();
          if (kind === "paste") data.setData("text/plain", text);
          const event = new ClipboardEvent(kind, { clipboardData: data, bubbles: true, cancelable: true });
          document.activeElement.dispatchEvent(event);
          return data.getData("text/plain");
        }""",
        [kind, text],
    )
    return given


def test_a_map_is_edited_saved_and_undone(browser: Browser, program: Program, file: Path) -> None:
    before = load(file).map_cells("reduction_map") / 10
    rows, columns = before.shape
    with open_page(browser, program.address, allowed=program.root) as page:
        page.locator("[data-figure=cut]").wait_for()
        assert [[number(page, r, c) for c in range(columns)] for r in range(rows)] == before.tolist()

        # typed by keyboard; the figures follow
        cut = page.locator("[data-figure=cut]").get_attribute("data-value")
        page.locator('[data-cell="4 1"]').click()
        page.keyboard.type("55")
        page.keyboard.press("Enter")
        expect(page.locator('[data-cell="4 1"] .number')).to_have_text("55")
        expect(page.locator('[data-cell="3 1"]')).to_have_attribute("tabindex", "0")
        expect(page.locator("[data-figure=cut]")).not_to_have_attribute("data-value", cut or "")
        page.keyboard.press("Control+z")
        expect(page.locator('[data-cell="4 1"] .number')).to_have_text(f"{before[4, 1]:g}")
        expect(page.locator("[data-figure=cut]")).to_have_attribute("data-value", cut or "")

        # a range by keys, filled, scaled, added to; Escape leaves a cell as it was
        page.locator('[data-cell="5 2"]').click()
        page.keyboard.press("7")
        page.keyboard.press("Escape")
        page.keyboard.press("Shift+ArrowUp")
        page.keyboard.press("Shift+ArrowRight")
        assert page.locator("[aria-selected=true]").count() == 4
        page.get_by_label("Number", exact=True).fill("20")
        page.get_by_role("button", name="Set", exact=True).click()
        page.get_by_label("Number", exact=True).fill("50")
        page.get_by_role("button", name="Scale to %").click()
        expect(page.locator('[data-cell="6 3"] .number')).to_have_text("10")
        page.get_by_label("Number", exact=True).fill("-4")
        page.get_by_role("button", name="Add", exact=True).click()
        for r, c in ((5, 2), (5, 3), (6, 2), (6, 3)):
            expect(page.locator(f'[data-cell="{r} {c}"] .number')).to_have_text("6")
        assert number(page, 7, 2) == before[7, 2]

        # a range by the mouse, straight between its corners (by hand, from the file's axes)
        page.locator('[data-cell="2 0"]').hover()
        page.mouse.down()
        page.locator('[data-cell="4 2"]').hover()
        page.mouse.up()
        assert page.locator("[aria-selected=true]").count() == 9
        page.get_by_role("button", name="Between corners").click()
        page.wait_for_timeout(400)
        lifts = np.array(load(file).row("lift_axis"), float)
        down = (lifts[3] - lifts[2]) / (lifts[4] - lifts[2])
        wanted = before[2, 0] + down * (before[4, 0] - before[2, 0])
        assert number(page, 3, 0) == pytest.approx(wanted, abs=0.01)
        # smoothed: half of it, half the mean of its neighbours
        was = {at: number(page, *at) for at in ((6, 5), (5, 5), (7, 5), (6, 4), (6, 6))}
        page.locator('[data-cell="6 5"]').click()
        page.get_by_role("button", name="Smooth").click()
        mean = (sum(was.values()) - was[6, 5]) / 4
        page.wait_for_timeout(400)
        assert number(page, 6, 5) == pytest.approx((was[6, 5] + mean) / 2, abs=0.01)

        # saved, it is what the table says
        shown = [[number(page, r, c) for c in range(columns)] for r in range(rows)]
        page.keyboard.press("Control+s")
        expect(page.get_by_role("textbox", name="File name")).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.locator(".bar.fine")).to_contain_text("Saved as")
    after = load(file).map_cells("reduction_map") / 10
    assert np.abs(after - np.array(shown)).max() < 0.06
    assert np.array_equal(load(file).map_cells("retard_map"), convert_retard(file))


def convert_retard(file: Path) -> np.ndarray:
    """The retard of the file as it was before it was saved."""
    return load(file.with_name("maps.toml.old-1")).map_cells("retard_map")


def test_to_a_spreadsheet_and_back(browser: Browser, program: Program) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        page.locator("[data-figure=cut]").wait_for()
        page.locator('[data-cell="6 1"]').click()
        page.locator('[data-cell="5 2"]').click(modifiers=["Shift"])
        block = [[number(page, r, c) for c in (1, 2)] for r in (6, 5)]  # the highest lift first
        assert clip(page, "copy") == "\n".join("\t".join(f"{v:g}" for v in row) for row in block)
        page.locator('[data-cell="3 0"]').click()
        clip(page, "paste", "1\t2,5\r\n3\t4\r\n")
        expect(page.locator('[data-cell="3 1"] .number')).to_have_text("2.5")
        assert [number(page, *at) for at in ((3, 0), (2, 0), (2, 1))] == [1, 3, 4]
        assert page.locator("[aria-selected=true]").count() == 4
        for wrong, why in (
            ("a\tb", "is not a number"),
            ("1\n2\n3\n4\n5\n6", "do not fit"),
            ("1\t2\n3", "lengths"),
        ):
            clip(page, "paste", wrong)
            expect(page.locator(".maps [role=status]")).to_contain_text(why)
        assert number(page, 3, 1) == 2.5


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_the_run_is_over_it_and_everybody_can_use_it(
    browser: Browser, program: Program, width: int, scheme: str
) -> None:
    with open_page(browser, program.address, allowed=program.root, width=width, scheme=scheme) as page:
        page.locator("[data-figure=cut]").wait_for()
        assert page.locator(".way path").count() == 1
        times = page.locator(".cell .stay").all_inner_texts()
        there = sum(float(text.split(" s")[0]) for text in times if text)
        end = float(
            page.locator("[role=slider][aria-label^='The replayed']").get_attribute("aria-valuemax") or 0
        )
        assert there == pytest.approx(end / 1000, abs=0.3)
        page.get_by_text("Lifts and points of the maps").click()
        count = page.locator("[data-cell]").count()
        page.get_by_label("add a line after lift 1", exact=True).click()
        expect(page.locator("[data-cell]")).not_to_have_count(count)
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("[data-cell]")).to_have_count(count)
        assert serious_findings(page) == []
        assert wider_than_window(page) == 0


def test_ceilings_are_written_as_maps_and_back(browser: Browser, program: Program, file: Path) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        page.locator("[data-figure=cut]").wait_for()
        page.get_by_text("Maps as the nearest ceilings").click()
        page.get_by_role("button", name="What would change?").click()
        expect(page.locator(".convert [role=status]")).to_contain_text("differs from now by up to")
        assert not file.with_name("lines.toml").exists()
        page.get_by_label("go on with that").fill("lines.toml")
        page.get_by_role("button", name="Write", exact=True).click()
        expect(page.locator(".files")).to_contain_text("lines.toml")
        expect(page.locator('[data-handle="reduction_from 0"]')).to_have_count(1)
        page.get_by_text("Ceilings as maps").click()
        page.get_by_label("go on with that").fill("maps.toml")
        page.get_by_role("button", name="Write", exact=True).click()
        expect(page.locator(".convert [role=status]")).to_contain_text("is there already")
    assert load(file.with_name("lines.toml")).built.ceilings_mm is not None
    assert load(file).built.ceilings_mm is None
