"""Many runs of one cell, and the pinned record of what they did."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from . import runs
from .cells import promise
from .judge import judge

PINNED = Path(__file__).with_name("pinned.toml")
RUNS = 50  # of each cell, without look-ahead and again with it
LOST_MARGIN_S = 0.02  # by which a clean car may lose more than recorded


@dataclass
class Tally:
    """What the runs of one cell and one look-ahead did; run numbers, not only their count."""

    runs: int = 0
    ticks: int = 0
    back: list[int] = field(default_factory=list)
    within_chain: list[int] = field(default_factory=list)
    after_time: list[int] = field(default_factory=list)
    stays: list[int] = field(default_factory=list)  # cut though the nose is down and the readings healthy
    lost_s: list[float] = field(default_factory=list)  # by a clean car, in each run: no torque, added up
    told: list[str] = field(default_factory=list)  # where torque came back, for a reader
    broken: list[str] = field(default_factory=list)

    @property
    def mean_lost_s(self) -> float:
        return sum(self.lost_s) / len(self.lost_s) if self.lost_s else 0.0


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
        if verdict.stays:
            result.stays.append(number)
        if phase == "clean":
            result.lost_s.append(verdict.lost_s)
        result.broken += [f"run {number}, {line}" for line in verdict.broken]
    return result


@dataclass(frozen=True)
class Pinned:
    """What the last record says of the cells by name: `back`, of those that are not promised, the runs in
    which torque came back; `stays` those in which a cut stayed, where there were any; `lost` what a clean car
    lost on the average, in s."""

    back: dict[str, list[int]]
    stays: dict[str, list[int]]
    lost: dict[str, float]

    def grown(self, name: str, result: Tally) -> list[str]:
        """What is worse than recorded, a line for each."""
        found = []
        for what, now, was in (
            ("torque comes back", result.back, self.back.get(name)),
            ("a cut stays", result.stays, self.stays.get(name, [])),
        ):
            more = sorted(set(now) - set(was)) if was is not None else []
            if more:
                found.append(f"{what} in more runs than recorded: {more}")
        lost = result.mean_lost_s
        if result.runs >= RUNS and lost > self.lost.get(name, 0.0) + LOST_MARGIN_S:
            found.append(f"a clean car loses {lost:.3f} s, recorded were {self.lost.get(name, 0.0):.3f}")
        return found


def pinned() -> Pinned:
    """The last record."""
    with PINNED.open("rb") as file:
        return Pinned(**tomllib.load(file))


def write_pinned(tallies: dict[str, Tally]) -> None:
    """Record all cells anew."""
    lines = [
        f"# Runs (of {RUNS} in each cell) in which torque came back where no rule promises that it does not.",
        "# Written by: python -m tests.hazards --pin",
        "[back]",
    ]
    lines += [f'"{name}" = {tally.back}' for name, tally in tallies.items() if not promised(name)]
    lines += [
        "",
        "# Runs in which a cut stayed though the nose was down and the readings healthy.",
        "[stays]",
    ]
    lines += [f'"{name}" = {tally.stays}' for name, tally in tallies.items() if tally.stays]
    lines += ["", "# What a clean car lost on the average, in seconds of no torque.", "[lost]"]
    lines += [f'"{name}" = {tally.mean_lost_s:.3f}' for name, tally in tallies.items() if tally.lost_s]
    PINNED.write_text("\n".join(lines) + "\n")


def promised(name: str) -> str:
    """The rules that promise a cell of this name."""
    failure, phase, _ = name.split("/")
    return promise(failure, phase)
