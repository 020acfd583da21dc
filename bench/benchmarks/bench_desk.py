"""From a change at the desk to its picture: `python -m bench.benchmarks.bench_desk [--vehicle] [--since]`.

A browser drags a ceiling over a trace of 10 s, and the page notes the time from each of the pointer's events
to after the frame that shows its result: told is the median as a share of 16 ms, a frame of a screen. By the
clock other work on the machine counts; told too is the time of the processor for each change, in the program
and in the processes of the browser, which draws in software here. Of it, too, the share of 16 ms. `--since`
installs the commit at which processor time is to be compared with and drags there as well, in turn; `wanted`
is what we would like. Exit code 1 where a change takes more of the processor than `at most`. Needs Chromium
and the test tools.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import click

from bench.benchmarks.bench_core import ROOT, demo_inputs
from bench.benchmarks.bench_since import SINCE, install
from bench.benchmarks.bench_sweep import write_trace
from firmware_model import binding

TICKS = 10_000
CHANGES = 60
BETWEEN_MS = 120  # long enough that each change gets a picture of its own
FRAME_MS = 1000 / 60
TRACES = ROOT / "traces"
_WITHIN_MS = 16.0
_WANTED = 0.25  # of the processor's time of then
_AT_MOST = 1.0
_TURNS = 3
_PARTS = {"program": "the program", "renderer": "the page", "rest": "the rest of the browser"}


@dataclass(frozen=True)
class Drag:
    """A drag: milliseconds by the clock of each change, and of the processor for each change by part."""

    times: list[float]
    work: dict[str, float]


@contextmanager
def _program(folder: Path, vehicle: bool, checkout: Path, site: Path) -> Iterator[tuple[int, str]]:
    """The desk of a checkout as a process: its number and its address."""
    calibration, columns = demo_inputs(TICKS)
    arrays = {name: columns[name].astype(kind) for name, kind in binding.INPUT_TYPES.items()}
    write_trace(folder / "ten_seconds.csv", calibration, arrays)
    command = [sys.executable, "-P", "-c", "from bench.cli import main; main()", "desk"]
    own = folder / "demo.toml"  # two desks never share a calibration
    shutil.copy(checkout / "traces" / "demo.toml", own)
    command += [str(folder / "ten_seconds.csv"), "--calibration", str(own)]
    command += ["--vehicle", str(checkout / "traces" / "demo_car.toml")] if vehicle else []
    environment = {**os.environ, "XDG_STATE_HOME": str(folder), "PYTHONPATH": str(site)}
    started = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment, cwd=checkout)
    try:
        assert started.stdout is not None
        yield started.pid, started.stdout.readline().removeprefix("desk at ").strip()
    finally:
        started.kill()
        started.wait()


def _processor_ms(program: int) -> dict[str, float]:
    """What the program and all processes of the browser have taken so far, by part (proc(5): the threads'
    schedstat, in ns)."""
    total = dict.fromkeys(_PARTS, 0.0)
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            ours = int(entry.name) == program
            if not ours and not ("chrom" in (entry / "comm").read_text() and _is_ours(int(entry.name))):
                continue
            renders = b"--type=renderer" in (entry / "cmdline").read_bytes()
            taken = sum(int((t / "schedstat").read_text().split()[0]) for t in (entry / "task").iterdir())
        except OSError:
            continue
        total["program" if ours else "renderer" if renders else "rest"] += taken / 1e6
    return total


def _is_ours(process: int) -> bool:
    """Whether a process descends from this one."""
    while process > 1:
        if process == os.getpid():
            return True
        try:
            process = int(Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            return False
    return False


def _drag(page: Any, program: int) -> Drag:
    page.wait_for_selector("[data-figure=cut]")
    page.wait_for_timeout(1000)
    box = page.locator('[data-handle="reduction_from 1"] .knob').bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 4)
    page.wait_for_timeout(500)
    page.evaluate("performance.clearMeasures()")
    began = _processor_ms(program)
    for change in range(CHANGES):
        page.mouse.move(x, y - 1 - 2 * (change % 4))  # each a setting that the checker takes
        page.wait_for_timeout(BETWEEN_MS)
    page.wait_for_timeout(500)
    ended = _processor_ms(program)
    page.mouse.up()
    times = page.evaluate("performance.getEntriesByName('change to picture').map(one => one.duration)")
    return Drag(times, {part: (ended[part] - began[part]) / len(times) for part in _PARTS})


def _measured(browser: Any, vehicle: bool, checkout: Path, site: Path) -> Drag:
    with (
        TemporaryDirectory(prefix="liftlatch-bench-") as folder,
        _program(Path(folder), vehicle, checkout, site) as (program, address),
    ):
        page = browser.new_page(viewport={"width": 1600, "height": 900})
        page.goto(address)
        found = _drag(page, program)
        page.close()
    return found


def _least(drags: list[Drag]) -> dict[str, float]:
    """Of several drags the one with the least work: what else the machine did counts least there."""
    return min((drag.work for drag in drags), key=lambda work: sum(work.values()))


@click.command()
@click.option("--vehicle", is_flag=True, help="With the predicted run, too.")
@click.option("--since", is_flag=False, flag_value=SINCE, metavar="COMMIT", help=f"Against it, or {SINCE}.")
def main(vehicle: bool, since: str | None) -> None:
    """Time changes at the desk."""
    from playwright.sync_api import sync_playwright

    reason = binding.available()
    if reason:
        click.echo(reason, err=True)
        sys.exit(2)
    with TemporaryDirectory(prefix="liftlatch-bench-") as folder, sync_playwright() as playwright:
        places = {"now": (ROOT, ROOT)}
        if since:
            places["then"] = install(since, Path(folder), "then")
        options = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=options)
        drags: dict[str, list[Drag]] = {name: [] for name in places}
        for _ in range(_TURNS):
            for name, place in places.items():
                drags[name].append(_measured(browser, vehicle, *place))
        browser.close()
    times = sorted(time for drag in drags["now"] for time in drag.times)
    late = times[int(len(times) * 0.95)]
    click.echo(f"{len(times)} changes while dragging over a trace of 10 s")
    click.echo(
        f"change to picture by the clock: median {median(times) / _WITHIN_MS:.2f} of a frame of 16 ms,"
        f" 95 % below {late / _WITHIN_MS:.2f}"
    )
    work = _least(drags["now"])
    whole = sum(work.values())
    click.echo(f"of the processor for each change: {whole / _WITHIN_MS:.2f} of a frame")
    for part, words in _PARTS.items():
        click.echo(f"  {words}: {work[part] / whole:.0%}")
    if since:
        ratio = whole / sum(_least(drags["then"]).values())
        click.echo(f"against {since}: {ratio:.2f}, wanted {_WANTED:.2f}, at most {_AT_MOST:.2f}")
        sys.exit(ratio > _AT_MOST)


if __name__ == "__main__":
    main()
