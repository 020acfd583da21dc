"""Driving settings over a spread: on all cores of this machine, or on the workers of a Dask scheduler."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.errors import UserError
from bench.search.spread import Spread
from bench.vehicle import compiled
from bench.vehicle.c_sources import source_digest
from bench.vehicle.compiled import Case
from bench.vehicle.results import SCORES, Floats
from bench.vehicle.run import run_all

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Scores = dict[str, Floats]
_LOST_S = 30.0


@dataclass(frozen=True)
class Job:
    """One calibration to be driven by so many cars of the spread from a number on."""

    calibration: CalibrationFile
    first: int
    count: int
    controlled: bool = True


# Scores of each job, in the order given; equal however they are driven.
Driver = Callable[[Sequence[Job]], list[Scores]]


def program() -> str:
    """What must be equal for equal results: the version and the sources of the compiled car."""
    return f"{version('liftlatch')} {source_digest()[:16]}"


@contextmanager
def driver(spread: Spread, cluster: str | None = None) -> Iterator[Driver]:
    """Give what drives over a spread. UserError where the compiled car is not there, or for what is wrong
    with the cluster."""
    if cluster is None:
        why = compiled.available()
        if why:
            raise UserError(f"a search takes thousands of runs and needs the compiled car: {why}")
        cars: dict[int, Any] = {}

        def here(jobs: Sequence[Job]) -> list[Scores]:
            return _drive_here(spread, jobs, cars)

        yield here
        return
    from bench.sweep.cluster import connected, results, wait_for_workers

    with connected(cluster) as (distributed, client):
        wait_for_workers(client, cluster)
        same = program()

        def there(jobs: Sequence[Job]) -> list[Scores]:
            waiting = {
                client.submit(
                    _drive_there, same, spread, job.calibration.text, str(job.calibration.path), job.first,
                    job.count, job.controlled, pure=False,
                ): number
                for number, job in enumerate(jobs)
            }  # fmt: skip
            found = dict(results(distributed, client, waiting, _LOST_S))
            return [found[number] for number in range(len(jobs))]

        yield there


def _drive_here(spread: Spread, jobs: Sequence[Job], cars: dict[int, Any]) -> list[Scores]:
    cases = []
    for job in jobs:
        for number in range(job.first, job.first + job.count):
            if number not in cars:
                cars[number] = spread.one(number)
            car, track = cars[number]
            cases.append(Case(car, job.calibration, track, job.controlled))
    if not cases:
        return []
    scores = run_all(cases)
    ends = np.cumsum([job.count for job in jobs])
    return [
        {name: scores[name][end - job.count : end] for name in SCORES}
        for job, end in zip(jobs, ends, strict=True)
    ]


def _drive_there(
    same: str, spread: Spread, text: str, path: str, first: int, count: int, controlled: bool
) -> Scores:
    """What runs on a worker; on one thread, since a worker has as many as it has cores."""
    from bench.calibration import compile_text
    from bench.sweep.cluster import check_program

    why = compiled.available()
    if why:
        raise UserError(why, right="set up the worker again")
    check_program(program(), same, "sources of the car")
    calibration = compile_text(text, path)
    drives = [spread.one(number) for number in range(first, first + count)]
    cases = [Case(car, calibration, track, controlled) for car, track in drives]
    scores = compiled.batch(cases, workers=1)
    return {name: np.ascontiguousarray(scores[name]) for name in SCORES}
