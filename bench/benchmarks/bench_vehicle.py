"""How fast the car is driven: `python -m bench.benchmarks.bench_vehicle [RUNS]`.

Runs of 8 s at a tick of 1 ms, controller and car in closed loop, each with its own car and noise. Times by
the clock and of the processor: other work on the machine slows only the first, so that the second is judged,
shared among the cores. Exit code 1 when a figure lies above the most that is promised.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import click

from bench.calibration import load as load_calibration
from bench.vehicle import compiled
from bench.vehicle.car import scattered
from bench.vehicle.compiled import Case
from bench.vehicle.road import profile
from bench.vehicle.track import Track
from bench.vehicle.vehicle_file import load

TRACES = Path(__file__).parents[2] / "traces"
ONE_RUN_S = 0.050
TEN_THOUSAND_S = 90.0
SECONDS = 8.0
TURNS = 9


def _cases(count: int) -> list[Case]:
    vehicle = load(TRACES / "demo_car.toml")
    plain = load_calibration(TRACES / "demo.toml")
    roads = [profile("A", 600.0, number) for number in range(4)]
    # So long that no run ends before its time.
    track = Track(noise=0.001, distance=550.0, duration=SECONDS)
    return [
        Case(scattered(vehicle, i), plain, replace(track, seed=i, road=roads[i % 4])) for i in range(count)
    ]


def _timed(cases: list[Case], workers: int | None = None) -> tuple[float, float]:
    """Seconds by the clock and of the processor."""
    began, worked = time.perf_counter(), time.process_time()
    compiled.batch(cases, workers)
    return time.perf_counter() - began, time.process_time() - worked


@click.command()
@click.argument("runs", type=click.IntRange(min=200), default=10_000)
def main(runs: int) -> None:
    """Time one run, and RUNS runs over all cores."""
    reason = compiled.available()
    if reason:
        click.echo(reason, err=True)
        sys.exit(2)
    cases = _cases(runs)
    alone = []
    for case in cases[:TURNS]:
        began = time.perf_counter()
        outcome = compiled.run(case.car, case.calibration, case.track, True)
        alone.append(time.perf_counter() - began)
        assert abs(outcome.score("end_time") - SECONDS) < 0.002 or outcome.score("turned_over")
    one = sorted(alone)[TURNS // 2]
    few = _timed(cases[: runs // 10])
    all_of_them = _timed(cases)
    linear = all_of_them[1] / few[1] / 10
    ten_thousand = all_of_them[1] / (os.cpu_count() or 1) * 10_000 / runs
    click.echo(f"one run of 8 s with all its columns, median of {TURNS}: {1000 * one:.1f} ms")
    click.echo(f"{runs} runs over all cores: {all_of_them[0]:.1f} s, {all_of_them[1]:.1f} s of the processor")
    click.echo(f"a run in a batch: {1000 * all_of_them[1] / runs:.2f} ms of the processor")
    click.echo(f"10 000 runs at this rate, the cores to themselves: {ten_thousand:.1f} s")
    click.echo(f"processor time of {runs} runs against ten times that of {runs // 10}: {linear:.2f}")
    if one > ONE_RUN_S or ten_thousand > TEN_THOUSAND_S or not 0.7 < linear < 1.4:
        sys.exit(1)


if __name__ == "__main__":
    main()
