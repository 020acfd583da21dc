"""Stepping a batch on this machine: the C core in threads, since it lets others run; the reference in
processes."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial

from bench.errors import UserError
from bench.sweep.measure import Ints, Measures, Stop, step_and_measure
from bench.system import no_ctrl_c

_stop_of_this_process: Stop


@dataclass(frozen=True)
class Job:
    """One calibration on one trace: setting and trace by number, and what the controller reads. Jobs of equal
    `inputs` have the same arrays."""

    setting: int
    trace: int
    inputs: int
    image: bytes
    arrays: dict[str, Ints]

    @property
    def ticks(self) -> int:
        """How many ticks it takes."""
        return len(self.arrays["counts"])


def run_local(
    jobs: Iterable[Job], core: str, workers: int | None = None
) -> Generator[tuple[Job, Measures], None, None]:
    """Step all jobs, on all cores unless told how many, and give each with its result as it ends.

    Jobs are taken as they are needed, so that they may be made on the way. Whatever ends the loop over the
    results stops what is under way.
    """
    workers = workers or os.cpu_count() or 1
    with (_threads if core == "c" else _processes)(core, workers) as (pool, work):
        left = iter(jobs)
        waiting: dict[Future[Measures], Job] = {}
        while True:
            while len(waiting) < 2 * workers and (job := next(left, None)) is not None:
                with no_ctrl_c():
                    waiting[pool.submit(work, job.image, job.arrays)] = job
            if not waiting:
                return
            done, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                yield waiting.pop(future), _result(future)


def _result(future: Future[Measures]) -> Measures:
    try:
        return future.result()
    except BrokenProcessPool:
        what = "a process that stepped the reference was ended from outside, perhaps for want of memory"
        raise UserError(what, right="use fewer or shorter traces") from None


_Work = partial[Measures]


@contextmanager
def _threads(core: str, workers: int) -> Iterator[tuple[Executor, _Work]]:
    stop = threading.Event()
    pool = ThreadPoolExecutor(workers)
    try:
        yield pool, partial(step_and_measure, core, stop=stop)
    finally:
        stop.set()
        pool.shutdown(cancel_futures=True)


@contextmanager
def _processes(core: str, workers: int) -> Iterator[tuple[Executor, _Work]]:
    # Started anew and not copied, because other threads may run here.
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    pool = ProcessPoolExecutor(workers, context, _begin, (stop,))
    try:
        yield pool, partial(_step_in_process, core)
    finally:
        stop.set()
        pool.shutdown(cancel_futures=True)


def _begin(stop: Stop) -> None:
    global _stop_of_this_process  # noqa: PLW0603 - the only way to hand something to a process of a pool
    _stop_of_this_process = stop
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A process of a pool waits for work for ever, even from a parent that was killed outright."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _step_in_process(core: str, image: bytes, arrays: dict[str, Ints]) -> Measures:
    return step_and_measure(core, image, arrays, _stop_of_this_process)
