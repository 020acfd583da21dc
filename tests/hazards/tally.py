"""Many runs of one cell, and the pinned record of what they did."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from . import runs
from .judge import judge

PINNED = Path(__file__).with_name("pinned.toml")
RUNS = 100  # of each cell, without look-ahead and again with it


@dataclass
class Tally:
    """What the runs of one cell and one look-ahead did; run numbers, not only their count."""

    runs: int = 0
    ticks: int = 0
    back: list[int] = field(default_factory=list)
    within_chain: list[int] = field(default_factory=list)
    after_time: list[int] = field(default_factory=list)
    told: list[str] = field(default_factory=list)  # where torque came back, for a reader
    broken: list[str] = field(default_factory=list)


def name_of(failure: str, phase: str, look_ahead: bool) -> str:
    return f"{failure}/{phase}/{'ahead' if look_ahead else 'plain'}"


def tally(failure: str, phase: str, look_ahead: bool, count: int) -> Tally:
    """Judge the first `count` runs of a cell."""
    result = Tally()
    for number in range(count):
        run = runs.make(failure, phase, look_ahead, number)
        verdict = judge(run)
        result.runs += 1
        result.ticks += len(run.armed)
        if verdict.back:
            result.back.append(number)
            result.told.append(f"run {number}, {verdict.where}")
        if verdict.within_chain:
            result.within_chain.append(number)
        if verdict.after_time:
            result.after_time.append(number)
        result.broken += [f"run {number}, {line}" for line in verdict.broken]
    return result


def pinned() -> dict[str, list[int]]:
    """The runs of each unpromised cell in which torque came back when last recorded."""
    with PINNED.open("rb") as file:
        return dict(tomllib.load(file)["back"])


def write_pinned(tallies: dict[str, Tally]) -> None:
    """Record the unpromised cells anew."""
    lines = [
        "# Runs (of 100 in each cell) in which torque came back where no rule promises that it does not.",
        "# Written by: python -m tests.hazards --pin",
        "[back]",
    ]
    lines += [f'"{name}" = {tally.back}' for name, tally in tallies.items()]
    PINNED.write_text("\n".join(lines) + "\n")
