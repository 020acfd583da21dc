"""A sweep on the workers of a cluster, which compile what they step: only values travel there.

Inputs travel as tasks of their own, so that the scheduler can make them again where the worker that held them
is lost.
"""

from __future__ import annotations

import functools
import threading
import zlib
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.calibration import compile_text
from bench.errors import UserError, UserErrors
from bench.sweep.cluster import LOST_S, check_program, connected, program, results, wait_for_workers
from bench.sweep.measure import Ints, Measures, step_and_measure
from bench.sweep.study import Progress, Study, Swept, Told, groups, inputs_key
from bench.sweep.vary import Maker, Setting, Value, Varied, combinations, settings

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

RUNS = 32  # of one task: enough that handing it over costs little, few enough that no worker waits long
_TRACES = 8

# name -> (type, number of values, the values compressed; only one of a constant)
Packed = dict[str, tuple[str, int, bytes]]
_Read = Callable[[Sequence[Setting]], Study]


@dataclass(frozen=True)
class Plan:
    """What a worker needs beside inputs and values."""

    program: str
    core: str
    text: str
    path: Path
    varied: tuple[Varied, ...]


@dataclass(frozen=True)
class _Group:
    """Settings that read the same inputs: their numbers, and one of them."""

    numbers: Sequence[int]
    first: Setting


def sweep_on_cluster(
    address: str,
    calibration: CalibrationFile,
    varied: Sequence[Varied],
    core: str,
    read: _Read,
    progress: Progress = lambda share: None,
    lost_s: float = LOST_S,
) -> Swept:
    """All settings over the traces that `read` reads for some of them; results are those of this machine.

    UserError where nothing answers at `address`, there is no worker, all of them are lost for `lost_s`
    seconds, one cannot do it, or a setting is wrong.
    """
    plan = Plan(program(), core, calibration.text, calibration.path, tuple(varied))
    wanted = combinations(varied)
    # Most sweeps leave the inputs as they are. If one does not, a worker notices.
    few = [Maker(calibration, varied).make(values) for values in _ends(varied)]
    if len(groups(few)) == 1:
        alike = [_Group(range(len(wanted)), few[0])]
        swept = _attempt(address, plan, wanted, alike, read, progress, lost_s)
        if swept is not None:
            return swept
    made = settings(calibration, varied)  # tells the first one that is wrong
    known = [_Group(numbers, made[numbers[0]]) for numbers in groups(made)]
    swept = _attempt(address, plan, wanted, known, read, progress, lost_s)
    if swept is None:
        raise _other_program()
    return swept


def _other_program() -> UserError:
    what = "a worker compiles something else than this machine"
    return UserError(what, "--cluster", "install the same Liftlatch on every worker")


def _ends(varied: Sequence[Varied]) -> list[tuple[Value, ...]]:
    """The first values of all keys, and for each key its last one beside them."""
    first = [one.values[0] for one in varied]
    return [tuple(first)] + [
        tuple(one.values[-1] if i == j else value for j, value in enumerate(first))
        for i, one in enumerate(varied)
    ]


def _attempt(
    address: str,
    plan: Plan,
    wanted: Sequence[tuple[Value, ...]],
    grouped: Sequence[_Group],
    read: _Read,
    progress: Progress,
    lost_s: float,
) -> Swept | None:
    """What came of it; None where a setting is wrong or reads other inputs than its group."""
    study = read([group.first for group in grouped])
    told: dict[int, Told] = {}
    found: dict[tuple[int, int], Measures] = {}
    runs = len(wanted) * len(study.recordings)
    with connected(address) as (distributed, client):
        wait_for_workers(client, address)
        waiting = _submit(client, plan, wanted, grouped, study)
        with closing(results(distributed, client, waiting, lost_s)) as ended:
            for (numbers, traces), rows in ended:
                if rows is None:
                    return None
                for number, (setting, row) in zip(numbers, rows, strict=True):
                    told[number] = setting
                    found.update(((number, trace), one) for trace, one in zip(traces, row, strict=True))
                progress(len(found) / runs)
    if any(told[group.numbers[0]].image != group.first.calibration.image for group in grouped):
        raise _other_program()
    numbers = range(len(wanted))
    by_both = [[found[n, trace] for trace in range(len(study.recordings))] for n in numbers]
    return Swept(study, [told[n] for n in numbers], by_both)


def _submit(
    client: Any,
    plan: Plan,
    wanted: Sequence[tuple[Value, ...]],
    grouped: Sequence[_Group],
    study: Study,
) -> dict[Any, tuple[Sequence[int], Sequence[int]]]:
    """A task for so many settings and traces; what each will give: numbers of settings, and of traces."""
    inputs = {
        (job.setting, job.trace): client.submit(_hand_over, packed(job.arrays), pure=False)
        for job in study.jobs()
    }
    there = client.submit(_hand_over, plan, pure=False)
    waiting = {}
    for i, group in enumerate(grouped):
        key = inputs_key(group.first.calibration)
        for traces in _chunks(range(len(study.recordings)), _TRACES):
            for numbers in _chunks(group.numbers, max(1, RUNS // len(traces))):
                values = [wanted[number] for number in numbers]
                read = [inputs[i, trace] for trace in traces]
                task = client.submit(step_there, there, key, values, read, pure=False)
                waiting[task] = (numbers, traces)
    return waiting


def _chunks(numbers: Sequence[int], most: int) -> list[Sequence[int]]:
    return [numbers[at : at + most] for at in range(0, len(numbers), most)]


# --- what runs on a worker


def _hand_over(what: Any) -> Any:
    return what


def step_there(
    plan: Plan, key: Any, combined: Sequence[tuple[Value, ...]], inputs: Sequence[Packed]
) -> list[tuple[Told, list[Measures]]] | None:
    """Each setting and its results by trace; None where one is wrong or its inputs are not those of `key`."""
    check_program(program(), plan.program, "C sources")
    maker = Maker(_base(plan.text, plan.path), plan.varied)
    try:
        made = [maker.make(values) for values in combined]
    except UserErrors:
        return None
    if any(inputs_key(setting.calibration) != key for setting in made):
        return None
    read = [unpacked(one) for one in inputs]
    nobody = threading.Event()
    return [
        (Told.of(one), [step_and_measure(plan.core, one.calibration.image, each, nobody) for each in read])
        for one in made
    ]


@functools.lru_cache(maxsize=4)
def _base(text: str, path: Path) -> CalibrationFile:
    return compile_text(text, path)


def packed(arrays: dict[str, Ints]) -> Packed:
    """The arrays as small as is quickly done."""
    small = {}
    for name, values in arrays.items():
        constant = len(values) > 0 and bool((values == values[0]).all())
        content = np.ascontiguousarray(values[:1] if constant else values)
        small[name] = (values.dtype.str, len(values), zlib.compress(content.tobytes(), 1))
    return small


def unpacked(small: Packed) -> dict[str, Ints]:
    """The arrays as they were."""
    arrays = {}
    for name, (kind, n, content) in small.items():
        values = np.frombuffer(zlib.decompress(content), dtype=kind)
        arrays[name] = values if len(values) == n else np.full(n, values[0])
    return arrays
