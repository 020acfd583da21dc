"""What a sweep keeps of one calibration on one trace: whole numbers, so that equal runs give equal ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from bench.replay.run import INPUT_TYPES, OUTPUT_TYPES, make_core
from controller.constants import FAULT_OUT_OF_SIGHT

Ints = npt.NDArray[Any]

# Ticks of one call: the outputs of so many stay in the processor's cache, and a stop is soon heard.
_CHUNK = {"c": 16384, "reference": 1024}
_KEPT = ("reduction", "retard", "faults", "launched")


class Stop(Protocol):
    """Tells a run that nobody waits for it any more."""

    def is_set(self) -> bool:
        """Whether to stop."""


class Stopped(Exception):
    """The run was told to stop."""


@dataclass(frozen=True)
class Measures:
    """One calibration on one trace, or several of them added up. As in the summary of a replay: an
    intervention is a time in which torque is taken, and second ones are those of a run after its first.

    run_ticks, taken (0.1 % times ticks) and the interventions count within runs; out_of_sight_ticks and
    changes (of the commanded reduction) over the whole trace.
    """

    launches: int
    run_ticks: int
    peak_permille: int
    taken: int
    interventions: int
    second_interventions: int
    out_of_sight_ticks: int
    changes: int


def step_and_measure(core: str, image: bytes, arrays: Mapping[str, Ints], stop: Stop) -> Measures:
    """Step the core of that name over all inputs. Raises Stopped."""
    stepper = make_core(core, image)
    n = len(arrays["counts"])
    ticks = {name: np.empty(n, dtype=OUTPUT_TYPES[name]) for name in _KEPT}
    chunk = _CHUNK[core]
    for start in range(0, n, chunk):
        if stop.is_set():
            raise Stopped
        part = slice(start, min(n, start + chunk))
        outputs = stepper.run({name: arrays[name][part] for name in INPUT_TYPES}, start, events=False)
        for name, kept in ticks.items():
            kept[part] = outputs[name]
    return measure(ticks)


def measure(ticks: Mapping[str, Ints]) -> Measures:
    """What came of a run, from its `reduction`, `retard`, `faults` and `launched`, an array[n] each."""
    launched = ticks["launched"] != 0
    reduction = ticks["reduction"]
    runs = _begins(launched)
    first = _begins((reduction > 0) | (ticks["retard"] > 0))
    inside = first[launched[first]]
    of_run = np.bincount(np.searchsorted(runs, inside, side="right"), minlength=1)
    in_runs = reduction[launched]
    return Measures(
        launches=len(runs),
        run_ticks=len(in_runs),
        peak_permille=int(in_runs.max(initial=0)),
        taken=int(in_runs.sum(dtype=np.int64)),
        interventions=len(inside),
        second_interventions=int(np.maximum(of_run - 1, 0).sum()),
        out_of_sight_ticks=int(np.count_nonzero(ticks["faults"] & FAULT_OUT_OF_SIGHT)),
        changes=int(np.count_nonzero(reduction[1:] != reduction[:-1])),
    )


def _begins(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """The ticks at which a stretch of true ones begins."""
    rises = np.flatnonzero(mask[1:] & ~mask[:-1]) + 1
    return np.concatenate(([0], rises)) if len(mask) and mask[0] else rises
