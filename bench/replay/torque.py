"""An estimate of the torque left: what the skipped events and the retard leave of the engine's full torque.

Skipped events are counted as they were really decided: over the last engine cycle, the share that fired.
Retard counts through the usual parabola of spark efficiency, 1 - k d^2 with d degrees from the best spark.
K_PER_DEG2 is that of the regression of P. R. Crossley and J. A. Cook (IEE Control '91; the paper from memory,
the regression as tests/bench/replay/test_replay_torque.py has it), 1.5e-4 to 2.1e-4 over its range. Other
engines differ: up to 3e-4 (J. B. Heywood, Internal Combustion Engine Fundamentals, McGraw-Hill 1988, ch. 15;
from memory). It is taken that the spark without retard is the best one.
Friction and the time the engine takes to follow are left out. So this is an estimate to compare runs by, not
a torque.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from bench.replay.run import Run

K_PER_DEG2 = 1.76e-4

Shares = npt.NDArray[np.float32]


def spark_efficiency(retard_deg: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """The share of a fired charge's torque that is left at a retard in degrees of crank, 0 to 1."""
    retard = np.asarray(retard_deg, dtype=np.float64)
    return np.maximum(0.0, 1.0 - K_PER_DEG2 * retard * retard)


def fired_share(run: Run, cylinders: int, has_engine: bool, part: slice) -> Shares:
    """The share of the last `cylinders` events up to each tick of a part that fired, float32.

    With no engine speed in the trace there are no events: then what the command leaves.
    """
    if not has_engine:
        return np.asarray(1.0 - run.ticks["reduction"][part] / np.float32(1000), dtype=np.float32)
    start, stop, _ = part.indices(run.n)
    begin, last = (int(place) for place in np.searchsorted(run.event_tick, (start, stop)))
    first = max(0, begin - cylinders)
    skipped = np.concatenate(([0], np.cumsum(run.event_bits[first:last] != 0, dtype=np.int32)))
    # how many of these events have come by the end of each tick
    of_tick = np.bincount(run.event_tick[begin:last].astype(np.int64) - start, minlength=stop - start)
    until = begin - first + np.cumsum(of_tick)
    last_cycle = skipped[until] - skipped[np.maximum(until - cylinders, 0)]
    return np.asarray(1 - last_cycle / np.float32(cylinders), dtype=np.float32)


def torque_left(run: Run, cylinders: int, has_engine: bool, part: slice = slice(None)) -> Shares:
    """The estimated share of full torque left at each tick of a part, float32."""
    retard: npt.NDArray[Any] = np.asarray(run.ticks["retard"][part])
    # Few different retards occur, so that each is reckoned once.
    efficiency = spark_efficiency(np.arange(int(retard.max(initial=0)) + 1) / 10)
    share: Shares = efficiency.astype(np.float32)[retard]
    return fired_share(run, cylinders, has_engine, part) * share
