"""A real browser for the tests of pages: Debian's Chromium, driven by Playwright, checked by axe-core.

`open_page` gives a page that may reach nothing but what the test allows, and fails the test for whatever
the browser's console calls an error.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, Route, sync_playwright

from tests.tools import need_chromium

WIDTHS = (390, 1600)  # a phone and a desk, CSS pixels
SCHEMES = ("light", "dark")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One browser for all tests of a process."""
    program = need_chromium()
    with sync_playwright() as playwright:
        # Chromium refuses its sandbox to root, which tests may be.
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
        started = playwright.chromium.launch(executable_path=program, args=arguments)
        yield started
        started.close()


@contextmanager
def open_page(
    browser: Browser,
    address: str | Path,
    *,
    width: int = 1600,
    height: int = 900,
    scheme: str = "light",
    allowed: str = "",
    **context: Any,
) -> Iterator[Page]:
    """A page on a file (network off) or an address, `width` by `height` pixels, in a light or dark scheme.

    Requests other than for the page's file or what begins with `allowed` are stopped and fail the test, as
    do errors on the console and exceptions in scripts. `context` goes to Playwright (has_touch=True ...).
    """
    url = address.resolve().as_uri() if isinstance(address, Path) else address
    inside = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
        offline=isinstance(address, Path),
        **context,
    )
    wrong: list[str] = []

    def pass_or_stop(route: Route, request: Request) -> None:
        reached = request.url
        inside_page = reached == url or reached.startswith(("data:", "blob:"))
        if inside_page or (allowed and reached.startswith(allowed)):
            route.continue_()
        else:
            wrong.append(f"asked for {reached}")
            route.abort()

    def hear(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            wrong.append(f"console {message.type}: {message.text}")

    inside.route("**/*", pass_or_stop)
    page = inside.new_page()
    page.on("console", hear)
    page.on("pageerror", lambda error: wrong.append(f"script: {error}"))
    try:
        page.goto(url)
        yield page
    finally:
        inside.close()
    assert not wrong, "\n".join(wrong)


def serious_findings(page: Page, also: tuple[str, ...] = ()) -> list[str]:
    """What axe-core calls serious or critical on the page, or one of `also`: rule, help and the first places.

    Source: axe-core's rules for WCAG 2, https://www.w3.org/TR/WCAG22/.
    """
    found = Axe().run(page).response["violations"]
    return [
        f"{finding['id']} ({finding['impact']}): {finding['help']}: "
        + "; ".join(str(node["target"]) for node in finding["nodes"][:3])
        for finding in found
        if finding["impact"] in ("serious", "critical", *also)
    ]


_DOTS = """([selector, name]) => {
  const canvas = document.querySelector(selector);
  const paper = new OffscreenCanvas(canvas.width, canvas.height);
  const copy = paper.getContext("2d", { willReadFrequently: true });
  copy.drawImage(canvas, 0, 0);
  const wanted = getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const rgb = [1, 3, 5].map((at) => parseInt(wanted.slice(at, at + 2), 16));
  const { data } = copy.getImageData(0, 0, canvas.width, canvas.height);
  let found = 0;
  for (let i = 0; i < data.length; i += 4) {
    if (data[i + 3] === 255 && rgb.every((v, n) => Math.abs(data[i + n] - v) < 3)) found += 1;
  }
  return found;
}"""


def dots_of(page: Page, selector: str, name: str) -> int:
    """How many dots of a canvas have a colour of the style sheet."""
    return int(page.evaluate(_DOTS, [selector, name]))


def wider_than_window(page: Page) -> int:
    """By how many pixels the page scrolls sideways."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
