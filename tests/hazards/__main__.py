"""Print the hazard table: python -m tests.hazards [--runs N] [--only FAILURE] [--pin]."""

from __future__ import annotations

import multiprocessing
import sys
import time

import click
from rich.console import Console
from rich.table import Table

from .cells import CELLS, FAILURES, promise, story
from .runs import PHASES
from .tally import RUNS, Tally, name_of, pinned, tally, write_pinned

Job = tuple[str, str, bool, int]


def _work(job: Job) -> Tally:
    return tally(*job)


@click.command()
@click.option("--runs", "count", default=RUNS, show_default=True, help="Runs of each cell and look-ahead.")
@click.option("--only", type=click.Choice(FAILURES), multiple=True, help="Only this failure.")
@click.option("--pin", is_flag=True, help="Record in pinned.toml what no rule promises.")
@click.option("--where", is_flag=True, help="List each return of torque.")
def main(count: int, only: tuple[str, ...], pin: bool, where: bool) -> None:
    """Run the hazard suite and print it as tables. Exit code 1 where a promise is broken or what none
    promises has grown."""
    if pin and (only or count != RUNS):
        raise click.UsageError("--pin records all cells and all runs")
    started = time.monotonic()
    chosen = [cell for cell in CELLS if not only or cell[0] in only]
    jobs: list[Job] = [(*cell, look_ahead, count) for cell in chosen for look_ahead in (False, True)]
    with multiprocessing.Pool() as pool:
        done = dict(zip((job[:3] for job in jobs), pool.map(_work, jobs, chunksize=1), strict=True))
    console = Console(width=max(Console().width, 160))
    failures = only or FAILURES
    console.print(_table(done, failures))
    console.print(
        "Runs in which torque came back, without / with look-ahead; * promised to be 0. In brackets:\n"
        "returns late by no more than the chain needs + returns after the promised time.\n"
    )
    console.print(_race(done, failures))
    console.print("Both are pinned. A clean car is one whose nose stays below every ceiling.\n")
    for failure in failures:
        console.print(f"{failure}: {story(failure)}", highlight=False)
    if pin:
        write_pinned({name_of(*key): r for key, r in done.items()})
    wrong, record = 0, pinned()
    for (failure, phase, look_ahead), result in done.items():
        told = result.told if promise(failure, phase) else []
        grown = record.grown(name_of(failure, phase, look_ahead), result)
        for line in told + result.broken + grown:
            wrong += 1
            console.print(f"BROKEN {name_of(failure, phase, look_ahead)}: {line}", markup=False)
        if where:
            for line in result.told:
                console.print(f"{name_of(failure, phase, look_ahead)}: {line}", markup=False)
    runs = sum(result.runs for result in done.values())
    ticks = sum(result.ticks for result in done.values())
    console.print(f"{runs} runs, {ticks} ticks, {time.monotonic() - started:.0f} s; {wrong} broken promises")
    sys.exit(1 if wrong else 0)


def _race(done: dict[tuple[str, str, bool], Tally], failures: tuple[str, ...]) -> Table:
    table = Table(
        "failure", "cut stays with the nose down, runs", "of", "clean car: runs cut", "lost s, mean", "worst"
    )
    for failure in failures:
        of = [tally for key, tally in done.items() if key[0] == failure]
        lost = [s for tally in of for s in tally.lost_s]
        share = f"{100 * sum(s > 0 for s in lost) / len(lost):.0f} %" if lost else "-"
        mean = f"{sum(lost) / len(lost):.3f}" if lost else "-"
        stays, runs = sum(len(tally.stays) for tally in of), sum(tally.runs for tally in of)
        table.add_row(failure, str(stays), str(runs), share, mean, f"{max(lost):.2f}" if lost else "-")
    return table


def _table(done: dict[tuple[str, str, bool], Tally], failures: tuple[str, ...]) -> Table:
    table = Table("failure", *PHASES[:-1], "promised by")
    for failure in failures:
        fields = []
        for phase in PHASES[:-1]:
            if (failure, phase, False) not in done:
                fields.append("-")
                continue
            plain, ahead = done[failure, phase, False], done[failure, phase, True]
            chain = len(plain.within_chain) + len(ahead.within_chain)
            after = len(plain.after_time) + len(ahead.after_time)
            star = "*" if promise(failure, phase) else " "
            fields.append(f"{len(plain.back)} / {len(ahead.back)} {star} ({chain}+{after})")
        rules = {promise(failure, phase) for f, phase, _ in done if f == failure}
        by = " or ".join(rule or "nothing" for rule in sorted(rules, reverse=True))
        table.add_row(failure, *fields, by)
    return table


if __name__ == "__main__":
    main()
