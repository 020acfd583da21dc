"""Print the closed-loop table: python -m tests.hazards.closed_loop [--only STORY] [--pin]."""

from __future__ import annotations

import math
import multiprocessing
import sys
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from .loop_drive import Driven
from .loop_stories import CALIBRATIONS, STORIES

PINNED = Path(__file__).with_name("closed_loop.toml")

MARGINS = {"mean": 0.02, "worst": 0.05, "peak_mm": 10.0, "landing": 0.15, "cut_s": 0.03}
"""By how much a figure may be worse than the pinned one: s, s, mm, m/s, s."""

Job = tuple[str, str, int]
Pins = dict[str, dict[str, object]]


@dataclass(frozen=True)
class Line:
    """One story with one calibration: mean and worst 660-ft time, greatest peak and landing, mean torque
    taken (s of no torque), the share of runs that took any, and what was said in at least one of them."""

    mean: float
    worst: float
    peak_mm: float
    landing: float
    cut_s: float
    share_cut: float
    said: tuple[str, ...]


def line_of(runs: Sequence[Driven]) -> Line:
    landings = [run.landing for run in runs if not math.isnan(run.landing)]
    return Line(
        mean=sum(run.seconds for run in runs) / len(runs),
        worst=max(run.seconds for run in runs),
        peak_mm=max(run.peak_mm for run in runs),
        landing=max(landings, default=math.nan),
        cut_s=sum(run.cut_s for run in runs) / len(runs),
        share_cut=sum(run.cut_s > 0 for run in runs) / len(runs),
        said=tuple(sorted({said for run in runs for said in run.said})),
    )


def run_one(job: Job) -> Driven:
    """The variant of this number of a story, with a calibration."""
    story, calibration, number = job
    return STORIES[story][number].run(calibration)


def name_of(story: str, calibration: str) -> str:
    return f"{story} / {calibration}"


def worse(name: str, now: Line, pinned: Pins) -> list[str]:
    """Where a line is worse than its pin by more than the margin, or says something else."""
    found = []
    for key, margin in MARGINS.items():
        was, value = pinned[name][key], getattr(now, key)
        assert isinstance(was, float)
        if not (value <= was + margin or math.isnan(value)):
            found.append(f"{name}: {key} is {value:.3f}, pinned {was:.3f}")
    said = pinned[name]["said"]
    if list(now.said) != said:
        found.append(f"{name}: says {', '.join(now.said) or 'nothing'}, pinned {said}")
    return found


def pins() -> Pins:
    """The figures that were last recorded."""
    with PINNED.open("rb") as file:
        return dict(tomllib.load(file))


def write_pins(lines: dict[tuple[str, str], Line]) -> None:
    text = [
        "# The closed-loop table's figures: s, mm, m/s. A test allows the margins that",
        "# tests/hazards/closed_loop.py names. Written by: python -m tests.hazards.closed_loop --pin",
    ]
    for key, line in lines.items():
        text += ["", f'["{name_of(*key)}"]']
        for name in (*MARGINS, "share_cut"):
            text.append(f"{name} = {round(getattr(line, name), 3)}")
        text.append(f"said = {[*line.said]}".replace("'", '"'))
    PINNED.write_text("\n".join(text) + "\n")


@click.command()
@click.option("--only", type=click.Choice(list(STORIES)), multiple=True, help="Only this story.")
@click.option("--pin", is_flag=True, help="Record the figures in closed_loop.toml.")
@click.option("--markdown", is_flag=True, help="Print the table as in the README of the suite.")
def main(only: tuple[str, ...], pin: bool, markdown: bool) -> None:
    """Drive every story with both calibrations. Exit code 1 where a figure is worse than its pin."""
    if pin and only:
        raise click.UsageError("--pin records all stories")
    started = time.monotonic()
    lines = drive_all(only or tuple(STORIES))
    console = Console(width=max(Console().width, 150))
    if markdown:
        click.echo("\n".join(as_markdown(lines)))
    else:
        console.print(_table(lines))
    if pin:
        write_pins(lines)
    pinned = pins()
    wrong = [text for key, line in lines.items() for text in worse(name_of(*key), line, pinned)]
    for text in wrong:
        console.print(f"WORSE {text}", markup=False)
    runs = sum(len(STORIES[story]) for story, _ in lines)
    console.print(f"{runs} runs, {time.monotonic() - started:.0f} s; {len(wrong)} figures worse than pinned")
    sys.exit(1 if wrong else 0)


def drive_all(stories: Sequence[str]) -> dict[tuple[str, str], Line]:
    keys = [(story, calibration) for story in stories for calibration in CALIBRATIONS]
    jobs: list[Job] = [(*key, i) for key in keys for i in range(len(STORIES[key[0]]))]
    with multiprocessing.Pool() as pool:
        done = dict(zip(jobs, pool.map(run_one, jobs, chunksize=4), strict=True))
    return {key: line_of([run for job, run in done.items() if job[:2] == key]) for key in keys}


HEAD = (
    *("story", "calibration", "660 ft s, mean", "worst", "peak mm", "landing m/s"),
    *("taken s", "cut in", "said"),
)


def _cells(key: tuple[str, str], line: Line) -> list[str]:
    worst = "never" if math.isinf(line.worst) else f"{line.worst:.3f}"
    mean = "-" if math.isinf(line.mean) else f"{line.mean:.3f}"
    landing = "-" if math.isnan(line.landing) else f"{line.landing:.2f}"
    taken = [f"{line.cut_s:.3f}", f"{100 * line.share_cut:.0f} %"]
    return [*key, mean, worst, f"{line.peak_mm:.0f}", landing, *taken, ", ".join(line.said) or "nothing"]


def _table(lines: dict[tuple[str, str], Line]) -> Table:
    table = Table(*HEAD)
    for key, line in lines.items():
        table.add_row(*_cells(key, line))
    return table


def as_markdown(lines: dict[tuple[str, str], Line]) -> list[str]:
    rows = [HEAD, ["---"] * len(HEAD), *(_cells(key, line) for key, line in lines.items())]
    return ["| " + " | ".join(row) + " |" for row in rows]


if __name__ == "__main__":
    main()
