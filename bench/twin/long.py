"""Many made-up cases, one after the other, on all cores."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from itertools import islice

from bench.twin.case import Case
from bench.twin.compare import Difference, compare
from firmware_model.binding import Core

CASE_TICKS = 20_000


def _compare(number: int, make_core: Callable[[], Core]) -> Difference | None:
    case = Case(number, number, CASE_TICKS)
    return compare(case.image, case.inputs(), case, make_core=make_core)


def run_long(
    ticks: int,
    first: int = 0,
    *,
    processes: int | None = None,
    progress: Callable[[int], None] = lambda ticks: None,
    make_core: Callable[[], Core] = Core,
) -> Difference | None:
    """Compare the twins over at least `ticks` ticks, in cases of CASE_TICKS; the first difference, or None.

    The seeds of the cases count up from `first`. `progress` is called with the ticks done so far. There are
    as many processes as processors unless their number is given.
    """
    count = -(-ticks // CASE_TICKS)
    numbers = iter(range(first, first + count))
    workers = processes or os.cpu_count() or 1
    with ProcessPoolExecutor(workers) as pool:
        # A few cases wait at each worker, so that a difference ends the run soon.
        waiting = [pool.submit(_compare, number, make_core) for number in islice(numbers, 3 * workers)]
        for done in range(1, count + 1):
            difference = waiting.pop(0).result()
            if difference:
                pool.shutdown(cancel_futures=True)
                return difference
            progress(done * CASE_TICKS)
            waiting += [pool.submit(_compare, number, make_core) for number in islice(numbers, 1)]
    return None
