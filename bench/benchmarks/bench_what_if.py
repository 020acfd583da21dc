"""From a moved setting to its picture in a report's what-if: `python -m bench.benchmarks.bench_what_if`.

A browser moves two sliders by the keyboard over a run of 10 s, and the page notes the time from each change
to after the frame that shows it. Told is what share of a frame of a screen (1/60 s) this takes. By the
clock other work on the machine counts. Exit code 1 where the median is not within the frame. Needs Chromium
and the test tools.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import click

from bench.benchmarks.bench_core import ROOT, demo_inputs
from bench.benchmarks.bench_desk import FRAME_MS, TICKS, TRACES
from bench.benchmarks.bench_sweep import write_trace
from firmware_model import binding

CHANGES = 120
PARTS = {"run": "stepping the controller", "picture": "drawing"}
_TIMES = """() => {
  const of = (name) => performance.getEntriesByName(name, "measure").map((one) => one.duration);
  return { whole: of("change to picture"), run: of("what if: run"), picture: of("what if: picture") };
}"""


def report_of_ten_seconds(folder: Path) -> Path:
    """The report of a replay of 10 s with the demo calibration."""
    calibration, columns = demo_inputs(TICKS)
    arrays = {name: columns[name].astype(kind) for name, kind in binding.INPUT_TYPES.items()}
    write_trace(folder / "ten_seconds.csv", calibration, arrays)
    command = [sys.executable, "-c", "from bench.cli import main; main()", "replay"]
    command += [str(folder / "ten_seconds.csv"), "--calibration", str(TRACES / "demo.toml")]
    subprocess.run([*command, "--out", str(folder / "out")], check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
    return folder / "out" / "report.html"


def moved(page: Any, count: int = CHANGES) -> dict[str, list[float]]:
    """Milliseconds of each change in the report that a page shows: the whole, and its parts."""
    page.locator("details.what-if summary").click()
    page.wait_for_selector("details.what-if table")
    page.locator("details.what-if").scroll_into_view_if_needed()
    page.evaluate("performance.clearMeasures()")
    for change in range(count):
        slider = page.locator("details.what-if input[type=range]").nth(change // 20 % 2 + 2)
        slider.press("ArrowRight" if change % 20 < 10 else "ArrowLeft")
        page.wait_for_timeout(40)
    page.wait_for_timeout(300)
    found: dict[str, list[float]] = page.evaluate(_TIMES)
    return found


@click.command()
@click.option("--width", default=390, help="Of the window, in pixels: a phone's by default.")
def main(width: int) -> None:
    """Time changes of a report's what-if."""
    from playwright.sync_api import sync_playwright

    with TemporaryDirectory(prefix="liftlatch-bench-") as folder, sync_playwright() as playwright:
        report = report_of_ten_seconds(Path(folder))
        options = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=options)
        page = browser.new_page(viewport={"width": width, "height": 800})
        page.goto(report.as_uri())
        found = moved(page)
        browser.close()
    whole = median(found["whole"])
    click.echo(f"{len(found['whole'])} changes of a run of 10 s at {width} px")
    click.echo(f"change to picture: median {whole:.1f} ms, {whole / FRAME_MS:.2f} of a frame")
    for name, words in PARTS.items():
        click.echo(f"{words}: {median(found[name]) / FRAME_MS:.2f} of a frame")
    late = sorted(found["whole"])[int(0.95 * len(found["whole"]))]
    click.echo(f"95 % below {late / FRAME_MS:.2f} of a frame")
    if whole > FRAME_MS:
        sys.exit(1)


if __name__ == "__main__":
    main()
