"""python -m bench.readme.screens: the screenshots of README.md, taken of the pages as they are.

Writes report.png, report_phone.png, compare.png, book.png, desk.png and stand.png into this folder. Needs
Debian's Chromium and the `test` extra (Playwright).
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
_TRACE, _CALIBRATION, _CAR = "traces/high_wheelstand.csv", "traces/demo.toml", "traces/demo_car.toml"
_PROGRAM = (sys.executable, "-c", "from bench.cli import main; main()")
_FOLDER = """\
calibration = "calibration.toml"
vehicle = "car.toml"
distance_ft = 660
[limits]
lift_mm = 300
landing_m_per_s = 1.5
"""
# Of each run: hour, degrees Celsius, hPa, % of humidity.
_DAY = ((10, 21, 1004, 55), (12, 24, 1003, 45), (13, 26, 1002, 50), (14, 28, 1001, 50))
_COLOURS = 128  # of a picture; its plots have few, and it becomes a third of the size


@click.command()
def main() -> None:
    """Take the screenshots of README.md."""
    from playwright.sync_api import sync_playwright

    from bench.errors import UserError

    program = shutil.which("chromium")
    if program is None:
        raise UserError("chromium is not here", right="apt-get install chromium fonts-dejavu-core")
    with TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path=program, args=arguments)
        _reports(browser, folder)
        _weekend(folder)
        page = _opened(browser, (folder / "mycar/book/book.html").as_uri(), 1600, 1500)
        page.wait_for_timeout(500)
        _take(page, "book.png")
        with _desk(folder) as address:
            page = _opened(browser, address, 1600, 1000)
            page.wait_for_selector("[data-figure=cut]")
            page.wait_for_timeout(500)
            _take(page, "desk.png")
        with _served("stand", "--calibration", _CALIBRATION) as address:
            page = _opened(browser, address, 1600, 1000)
            page.wait_for_timeout(1500)
            page.locator(".stage-car").focus()
            for _ in range(30):  # some 10 mm at a time, up to where it cuts
                for _ in range(2):
                    page.keyboard.press("ArrowUp")
                page.wait_for_timeout(40)
            page.wait_for_timeout(400)
            _take(page, "stand.png")
        browser.close()


def _reports(browser: Browser, folder: Path) -> None:
    """The page of a replay, wide and on a phone, and that of a comparison."""
    for path in (_TRACE, _CALIBRATION):
        shutil.copy(ROOT / path, folder)
    trace, calibration = Path(_TRACE).name, Path(_CALIBRATION).name
    text = (folder / calibration).read_text(encoding="utf-8")
    (folder / "longer.toml").write_text(text.replace("\nhold_ms = 40 ", "\nhold_ms = 300 "), encoding="utf-8")
    _run(folder, "replay", trace, "--calibration", calibration, "--out", "replay")
    _run(
        folder,
        "compare",
        trace,
        "--calibration",
        calibration,
        "--calibration",
        "longer.toml",
        "--out",
        "compare",
    )
    for name, width, height, scheme in (
        ("replay", 1600, 1560, "light"), ("replay", 390, 844, "dark"), ("compare", 1600, 1400, "light"),
    ):  # fmt: skip
        page = _opened(browser, (folder / name / "report.html").as_uri(), width, height, scheme)
        page.wait_for_selector("html[data-ready]")
        if width < 600:
            page.locator(".strip").first.evaluate("(figure) => figure.scrollIntoView()")
        page.wait_for_timeout(300)
        stem = "report" if name == "replay" else name
        _take(page, f"{stem}_phone.png" if width < 600 else f"{stem}.png")


def _weekend(folder: Path) -> None:
    """The weekend of bench/book/README.md, in `mycar`: four runs, each next one with the step "faster", or
    with "same" where there is none."""
    mine = folder / "mycar"
    mine.mkdir()
    car = (ROOT / _CAR).read_text(encoding="utf-8")
    off = car.replace("cg_height_mm = 560", "cg_height_mm = 575").replace("\ngrip = 3.0", "\ngrip = 2.9")
    (mine / "car.toml").write_text(off, encoding="utf-8")
    mild = (ROOT / _CALIBRATION).read_text(encoding="utf-8").replace("\nhold_ms = 40 ", "\nhold_ms = 120 ")
    mild = mild.replace("\nrising_ms = 320", "\nrising_ms = 400")
    (mine / "calibration.toml").write_text(mild, encoding="utf-8")
    (mine / "liftlatch.toml").write_text(_FOLDER, encoding="utf-8")
    drove, step = mine / "calibration.toml", list[str]()
    for run, (hour, celsius, hpa, humid) in enumerate(_DAY, 1):
        _run(
            folder, "predict", "--vehicle", str(ROOT / _CAR), "--calibration", str(drove), "--spread", "0",
            "--distance", "660", "--road", "A", "--seed", str(run), "--out", f"run{run}",
        )  # fmt: skip
        _run(
            mine, "next", f"../run{run}/trace.csv", *step, "--when", f"2026-05-02T{hour}:10",
            "--temperature", str(celsius), "--pressure", str(hpa), "--humidity", str(humid),
        )  # fmt: skip
        drove, step = mine / f"book/{run:04d}/next/faster.toml", ["--step", "faster"]
        if not drove.exists():
            drove, step = drove.with_name("same.toml"), ["--step", "same"]
    _run(mine, "book", "page")


def _opened(browser: Browser, address: str, width: int, height: int, scheme: str = "light") -> Page:
    page = browser.new_page(
        viewport={"width": width, "height": height}, color_scheme="dark" if scheme == "dark" else "light"
    )
    page.goto(address)
    return page


def _take(page: Page, name: str) -> None:
    """A picture of what the window shows, with few colours."""
    from io import BytesIO

    from PIL import Image

    seen = Image.open(BytesIO(page.screenshot())).convert("RGB")
    seen.quantize(_COLOURS, dither=Image.Dither.NONE).save(HERE / name, optimize=True)
    click.echo(f"{HERE.relative_to(ROOT) / name}: {(HERE / name).stat().st_size / 1000:.0f} kB")
    page.close()


def _run(folder: Path, *arguments: str) -> None:
    subprocess.run(
        [*_PROGRAM, *arguments], cwd=folder, env=_environment(), check=True, stdout=subprocess.DEVNULL
    )


def _environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


@contextmanager
def _desk(folder: Path) -> Iterator[str]:
    """The address of a desk that runs until the end of the block and keeps nothing."""
    words = ("desk", "traces/second_lift.csv", "--vehicle", _CAR)
    with _served(*words, XDG_STATE_HOME=str(folder)) as address:
        yield address


@contextmanager
def _served(*words: str, **more: str) -> Iterator[str]:
    """The address that a command prints, which runs until the end of the block."""
    process = subprocess.Popen(
        [*_PROGRAM, *words], cwd=ROOT, stdout=subprocess.PIPE, text=True, env=_environment(**more)
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().split(" at ")[1].strip()
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)
        process.stdout.close()


if __name__ == "__main__":
    main()
