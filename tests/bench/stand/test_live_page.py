"""The live stand in a real browser: the nose lifted by the mouse, and what `replay` says of the session."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from bench.calibration import load
from bench.link.reading import Reading
from bench.link.target import LocalTarget
from bench.stand.feed import ByHand, Feed, Plays
from bench.stand.live import Live
from controller import constants as c
from firmware_model import binding
from tests import ROOT
from tests.bench.stand.test_stand_page import IN_FILE, lift_and_lower, replayed, save, session, until
from tests.browser_support import SCHEMES, WIDTHS, open_page, serious_findings, wider_than_window
from tests.desk_support import TOKEN, serving

pytestmark = pytest.mark.slow

CALIBRATION = load(ROOT / "traces" / "plain.toml")


def target() -> LocalTarget:
    made = LocalTarget(binding.Core())
    assert made.load(CALIBRATION.image) == 0
    return made


@contextmanager
def opened(browser: Browser, feed: Feed, **how: Any) -> Iterator[Page]:
    with serving(Live(feed, CALIBRATION, "0.0", "A test", 1)) as port:
        base = f"http://127.0.0.1:{port}/{TOKEN}/"
        with open_page(browser, base, allowed=base, **how) as page:
            yield page


def test_the_nose_lifted_by_the_mouse_is_what_replay_says_tick_by_tick(
    browser: Browser, tmp_path: Path
) -> None:
    with opened(browser, ByHand(target())) as page:
        until(page, "now.launched && !now.faults")
        lift_and_lower(page, 170)
        page.get_by_role("button", name="Pause").click()
        until(page, "bench.underway === 0")
        given, told = session(page)
        cylinders = page.evaluate("liftlatch.then(({ bench }) => bench.cylinders)")
        saved = save(page, tmp_path / "session.csv")
    native = replayed(saved, CALIBRATION.image, CALIBRATION)
    arrays, n = native["inputs"].arrays, len(given["counts"])
    assert native["inputs"].lead == 0
    for name in IN_FILE:
        assert np.array_equal(np.broadcast_to(arrays[name], n), given[name]), name
    for name in binding.OUTPUT_TYPES:
        assert np.array_equal(native[name], told[name]), name
    latched, demand = told["latched"], told["demand"]
    fell = int(np.flatnonzero(np.diff(latched.astype(int)) < 0)[0]) + 1
    assert fell - 1 - np.flatnonzero(demand[:fell] == latched[fell - 1])[-1] == 300
    assert c.HOLD in told["state"]
    assert sum(one["all"] for one in cylinders) > 0
    assert sum(one["skipped"] for one in cylinders) > 0


def test_a_second_page_watches_and_cannot_lift(browser: Browser) -> None:
    with serving(Live(ByHand(target()), CALIBRATION, "0.0", "A test", 1)) as port:
        base = f"http://127.0.0.1:{port}/{TOKEN}/"
        with open_page(browser, base, allowed=base) as page, open_page(browser, base, allowed=base) as other:
            until(page, "now.launched")
            until(other, "now.launched")
            assert page.locator(".grip").count() == 1
            assert other.locator(".grip").count() == 0
            assert other.get_by_role("button", name="Launch").count() == 0
            other.locator(".stage-car").focus()
            other.keyboard.press("End")
            page.locator(".stage-car").focus()
            page.keyboard.press("PageUp")
            until(page, "now.lift > 16 * 30")
            until(other, "now.lift > 16 * 30")


def test_a_changed_calibration_is_loaded_in_two_steps(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "car.toml"
    file.write_text(CALIBRATION.text, encoding="utf-8")
    with serving(Live(ByHand(target()), load(file), "0.0", "A test", 1)) as port:
        base = f"http://127.0.0.1:{port}/{TOKEN}/"
        with open_page(browser, base, allowed=base) as page:
            until(page, "now.launched && bench.image.get('hold_ticks') === 300")
            button = page.get_by_role("button", name="Load", exact=True)
            assert button.is_disabled()
            file.write_text(CALIBRATION.text.replace("hold_ms = 300 ", "hold_ms = 200 "), encoding="utf-8")
            page.get_by_role("checkbox").check()
            with page.expect_navigation():
                button.click()
            until(page, "now.launched && bench.image.get('hold_ticks') === 200")
            lift_and_lower(page, 170)
            page.get_by_role("button", name="Pause").click()
            _, told = session(page)
    latched = told["latched"].astype(int)
    fell = int(np.flatnonzero(np.diff(latched) < 0)[0]) + 1
    assert fell - 1 - np.flatnonzero(told["demand"][:fell] == latched[fell - 1])[-1] == 200


@pytest.mark.parametrize("width", WIDTHS)
def test_a_recording_is_seen_and_reads_well(browser: Browser, width: int) -> None:
    _, _, records = Reading().inputs(ROOT / "traces" / "clean_launch.csv", CALIBRATION)
    scheme = SCHEMES[width > 1000]
    feed = Plays(target(), records[:2500], CALIBRATION.tick_us)
    with opened(browser, feed, width=width, scheme=scheme) as page:
        until(page, "bench.ended !== ''")
        until(page, "bench.tick > 300")
        assert "The recording has ended." in page.get_by_role("status").first.inner_text()
        assert page.locator(".grip").count() == 0
        assert not wider_than_window(page)
        assert serious_findings(page) == []
        # arm's length: the first figures are as large as a heading
        size = page.locator('[data-figure="lift"] b').evaluate(
            "one => parseFloat(getComputedStyle(one).fontSize)"
        )
        assert size >= 24
