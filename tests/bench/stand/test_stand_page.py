"""The stand in a real browser, from a file with the network off: the nose lifted by hand, and the saved
session through the native core, tick by tick."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from playwright.sync_api import Browser, Page

from bench.calibration import CalibrationFile, load
from bench.files import write_whole
from bench.replay.inputs import from_trace
from bench.stand.page import render
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from controller import constants as c
from firmware_model import binding
from tests import ROOT
from tests.browser_support import SCHEMES, WIDTHS, open_page, serious_findings, wider_than_window

pytestmark = pytest.mark.slow

CALIBRATION = ROOT / "traces" / "plain.toml"
IN_FILE = ("counts", "speed", "engine", "armed", "launch")


@pytest.fixture(scope="module")
def calibration() -> CalibrationFile:
    return load(CALIBRATION)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory, calibration: CalibrationFile) -> Path:
    path = tmp_path_factory.mktemp("stand") / "stand.html"
    write_whole(path, render(calibration, "0.0"))
    return path


@contextmanager
def opened(browser: Browser, file: Path, **how: Any) -> Iterator[Page]:
    """The page in a run: launched, with the sensor believed."""
    with open_page(browser, file, **how) as page:
        until(page, "now.launched && !now.faults")
        yield page


def until(page: Page, what: str) -> None:
    """Wait for something of the bench in the page: `now` has the outputs of the last tick. (A promise would
    end Playwright's own waiting at once, whatever it comes to.)"""
    came = page.evaluate(
        f"""liftlatch.then(async ({{ bench }}) => {{
            for (const end = performance.now() + 60_000; performance.now() < end; ) {{
                const {{ now }} = bench;
                if ({what}) return true;
                await new Promise((go) => setTimeout(go, 10));
            }}
            return false;
        }})"""
    )
    assert came, f"not within a minute: {what}"


def grip(page: Page) -> tuple[float, float]:
    page.locator(".stage-car").scroll_into_view_if_needed()
    box = page.locator(".grip").bounding_box()
    assert box
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def lift_and_lower(page: Page, pixels: float) -> None:
    """Drag the nose up until a cut is taken, and down again, and see hold and release."""
    x, y = grip(page)
    page.mouse.move(x, y)
    page.mouse.down()
    for part in range(1, 11):
        page.mouse.move(x, y - pixels * part / 10)
    until(page, "now.reduction > 0")
    page.mouse.move(x, y)
    until(page, f"now.state === {c.HOLD}")
    until(page, f"now.state === {c.REST} && now.reduction === 0")
    page.mouse.up()


def session(page: Page) -> tuple[dict[str, npt.NDArray[np.int64]], dict[str, npt.NDArray[np.int64]]]:
    """Inputs and outputs of every tick that the page has kept, by name."""
    kept = page.evaluate("liftlatch.then(({ bench: { kept, names } }) => ({ ...kept, names }))")
    inputs = np.array(kept["inputs"]).reshape(-1, len(IN_FILE))
    outputs = np.array(kept["outputs"]).reshape(-1, len(kept["names"]))
    assert len(inputs) == len(outputs) == kept["n"]
    return dict(zip(IN_FILE, inputs.T, strict=True)), dict(zip(kept["names"], outputs.T, strict=True))


def save(page: Page, to: Path) -> Path:
    with page.expect_download() as waited:
        page.get_by_role("button", name="Save this session").click()
    waited.value.save_as(to)
    return to


def replayed(file: Path, image: bytes, calibration: CalibrationFile) -> dict[str, Any]:
    """The saved session as `replay` reads it, and the native core's outputs over it."""
    inputs = from_trace(read_trace(file, ColumnChoice()), calibration)
    core = binding.Core()
    assert core.load(image) == 0
    return {"inputs": inputs, **core.run(inputs.arrays)}


def test_the_nose_lifted_by_the_mouse_is_what_the_native_core_says_tick_by_tick(
    browser: Browser, file: Path, calibration: CalibrationFile, tmp_path: Path
) -> None:
    with opened(browser, file) as page:
        lift_and_lower(page, 170)
        page.get_by_role("button", name="Pause").click()
        given, told = session(page)
        saved = save(page, tmp_path / "session.csv")
    native = replayed(saved, calibration.image, calibration)
    arrays, n = native["inputs"].arrays, len(given["counts"])
    assert native["inputs"].lead == 0
    assert native["inputs"].n == n
    for name in IN_FILE:
        assert np.array_equal(np.broadcast_to(arrays[name], n), given[name]), name
    for name in binding.OUTPUT_TYPES:
        assert np.array_equal(native[name], told[name]), name
    # The hold is as long as calibrated: from the last tick at the peak to the last one that keeps it.
    peak = told["latched"].max()
    assert peak > 0
    last_asked = np.flatnonzero(told["demand"] == peak)[-1]
    last_kept = np.flatnonzero(told["latched"] == peak)[-1]
    assert last_kept - last_asked == calibration.number("hold_ticks") == 300
    assert told["latched"][last_kept + 1] < peak


def test_events_are_those_of_the_native_core(
    browser: Browser, file: Path, calibration: CalibrationFile
) -> None:
    with open_page(browser, file) as page:
        page.evaluate("""liftlatch.then(({ bench }) => {
            const heard = bench.heard;
            window.made = [];
            bench.start(bench.image);
            bench.heard = (event) => {
                window.made.push([event.tick, bench.order[event.place], event.bits]);
                heard(event);
            };
        })""")
        until(page, "now.launched && !now.faults")
        lift_and_lower(page, 170)
        page.get_by_role("button", name="Pause").click()
        given, _ = session(page)
        made = np.array(page.evaluate("window.made"))
    core = binding.Core()
    core.load(calibration.image)
    unused = ("shaft", "request_reduction", "request_retard", "request_reason")
    inputs = {
        name: given[name].astype(kind) if name in given else 0 for name, kind in binding.INPUT_TYPES.items()
    }
    assert [name for name in inputs if name not in given] == ["speed_valid", *unused]
    native = core.run({**inputs, "speed_valid": 1}, events=True)
    assert made[:, 2].any()
    for at, name in enumerate(("tick", "cylinder", "bits")):
        assert np.array_equal(made[:, at], native[f"event_{name}"]), name


def test_moved_settings_are_an_image_that_the_native_core_takes(
    browser: Browser, file: Path, calibration: CalibrationFile, tmp_path: Path
) -> None:
    with opened(browser, file) as page:
        for name, number in (
            ("hold", "120"),
            ("release", "100"),
            ("ahead", "40"),
            ("greatest", "35"),
            ("ceilings", "-20"),
        ):
            field = page.locator(f'[data-number="{name}"]')
            field.fill(number)
            field.press("Enter")
        until(page, "now.launched && !now.faults")
        lift_and_lower(page, 170)
        page.get_by_role("button", name="Pause").click()
        _, told = session(page)
        image = bytes(page.evaluate("liftlatch.then(({ bench }) => [...bench.image.sealed()])"))
        saved = save(page, tmp_path / "session.csv")
        assert "hold_ms = 120" in page.get_by_text("replay").last.inner_text() + page.content()
    native = replayed(saved, image, calibration)
    for name in binding.OUTPUT_TYPES:
        assert np.array_equal(native[name], told[name]), name
    as_said = tmp_path / "as_said.toml"
    text = CALIBRATION.read_text(encoding="utf-8").replace("hold_ms = 300 ", "hold_ms = 120 ")
    text = text.replace('release = "step" ', "release_percent_per_s = 100 ").replace(
        "rising_ms = 0", "rising_ms = 40"
    )
    as_said.write_text(text, encoding="utf-8")
    read = load(as_said)
    core = binding.Core()
    core.load(image)
    places = page_fields(image)
    for name in ("hold_ticks", "release_q16", "look_rising_q12"):
        assert places[name] == read.number(name), name
    assert max(places["reduction_map"]) == 350
    assert [at + 320 for at in places["lift_axis"][: read.number("lift_points")]] == read.row("lift_axis")


def page_fields(image: bytes) -> dict[str, Any]:
    """The values of an image as the reference reads them."""
    from controller.image import Calibration
    from controller.image import read as read_image

    into = Calibration()
    assert read_image(image, into) == c.IMAGE_OK
    return vars(into)


def test_a_refused_image_is_said_and_the_old_one_goes_on(browser: Browser, file: Path) -> None:
    with opened(browser, file) as page:
        field = page.locator('[data-number="hold"]')
        field.fill("9000")  # longer than the fault's hold
        field.press("Enter")
        said = page.get_by_role("status")
        said.get_by_text("refuses").wait_for()
        assert "do not fit each other" in said.inner_text()
        until(page, "now.launched && !now.faults && bench.image.get('hold_ticks') === 300")
        lift_and_lower(page, 170)


def test_keys_lift_the_nose_and_an_unplugged_sensor_keeps_the_cut(browser: Browser, file: Path) -> None:
    with opened(browser, file) as page:
        page.locator('[role="slider"].stage-car').focus()
        for _ in range(8):
            page.keyboard.press("PageUp")
        page.keyboard.press("PageDown")
        page.keyboard.press("PageDown")
        until(page, "now.reduction > 0")
        page.get_by_role("button", name="Sensor unplugged").click()
        until(page, f"now.state === {c.KEPT} && now.reduction > 0")
        assert page.locator('[data-figure="sensor"]').inner_text().count("healthy") == 0
        page.get_by_role("button", name="Armed").click()
        until(page, "!now.launched && now.reduction === 0")


def test_a_finger_lifts_the_nose(browser: Browser, file: Path) -> None:
    with opened(browser, file, width=390, height=800, has_touch=True, is_mobile=True) as page:
        x, y = grip(page)
        page.touchscreen.tap(x, y - 80)
        until(page, "now.reduction > 0")


def test_a_still_nose_on_a_moving_car_is_no_fault(browser: Browser, file: Path) -> None:
    """What the page adds to a hand that keeps still is enough for the sensor to be believed (H8)."""
    with opened(browser, file) as page:
        told = page.evaluate("""liftlatch.then((stand) => {
            const { bench } = stand;
            stand.paused = true;
            bench.wanted = 200;
            bench.hand = 60;
            const faults = new Set();
            for (let i = 0; i < 100; i++) { bench.pass(100); faults.add(bench.now.faults); }
            return [...faults];
        })""")
        assert told == [0]


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_it_fits_and_reads_well(browser: Browser, file: Path, width: int, scheme: str) -> None:
    with opened(browser, file, width=width, scheme=scheme) as page:
        assert wider_than_window(page) == 0
        page.get_by_role("button", name="Pause").click()
        assert serious_findings(page) == []


def test_fired_events_are_heard_only_when_wanted(browser: Browser, file: Path) -> None:
    with opened(browser, file) as page:
        page.evaluate("""() => {
            window.clicks = 0;
            const start = AudioBufferSourceNode.prototype.start;
            AudioBufferSourceNode.prototype.start = function (...how) {
                window.clicks++;
                start.apply(this, how);
            };
        }""")
        until(page, "bench.tick > 2000")
        assert page.evaluate("window.clicks") == 0
        page.get_by_role("button", name="Sound").click()
        for _ in range(600):
            if page.evaluate("window.clicks") > 20:
                break
            page.wait_for_timeout(100)
        assert page.evaluate("window.clicks") > 20
