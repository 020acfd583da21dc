"""A comparison as a whole: every calibration on every trace, stepped once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import UserError
from bench.replay.findings import Findings, Replay, find
from bench.replay.inputs import Inputs, Options, from_trace
from bench.replay.logged import Logged, lay_log
from bench.replay.run import run
from bench.sweep.study import inputs_key, labels
from bench.trace.read import read_trace

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.choice import ColumnChoice
    from bench.vehicle.car import VehicleFile

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Side:
    """One calibration on one trace."""

    stepped: Replay
    found: Findings


@dataclass(frozen=True)
class Recording:
    """One trace with every calibration, in their order."""

    path: Path
    label: str
    digest: str
    duration_s: float
    notes: list[str]
    sides: list[Side]


@dataclass(frozen=True)
class RunName:
    """One launch of one trace, both by number from 0 and 1."""

    trace: int
    launch: int


@dataclass(frozen=True)
class Study:
    """All of a comparison."""

    calibrations: Sequence[CalibrationFile]
    recordings: Sequence[Recording]
    core: str
    vehicle: VehicleFile | None = None  # whose model says what gets worse

    def runs(self) -> list[RunName]:
        """Every launch, as the first calibration sees it."""
        return [
            RunName(trace, launch.number)
            for trace, recording in enumerate(self.recordings)
            for launch in recording.sides[0].found.launches
        ]


def read_and_run(
    paths: Sequence[Path],
    calibrations: Sequence[CalibrationFile],
    choice: ColumnChoice,
    options: Options,
    core: str,
    progress: Progress = lambda share: None,
    vehicle: VehicleFile | None = None,
) -> Study:
    """Step every calibration over every trace. Inputs are made once for calibrations that read the same.

    UserError for what is wrong with a trace, and where there is nothing to compare.
    """
    recordings = []
    parts = len(paths) * (1 + len(calibrations))
    for number, (path, label) in enumerate(zip(paths, labels(paths), strict=True)):
        done = number * (1 + len(calibrations))

        def read(share: float, done: int = done) -> None:
            progress((done + share) / parts)

        trace = read_trace(path, choice, read)
        laid: dict[Any, tuple[Inputs, Logged | None]] = {}
        for calibration in calibrations:
            key = inputs_key(calibration)
            if key not in laid:
                inputs = from_trace(trace, calibration, options)
                laid[key] = inputs, lay_log(trace, inputs, "replay")[0]
        trace.channels.clear()
        sides = []
        for i, calibration in enumerate(calibrations, 1):
            inputs, logged = laid[inputs_key(calibration)]
            stepped = Replay(inputs, run(core, calibration.image, inputs.arrays), calibration, logged)
            sides.append(Side(stepped, find(stepped)))
            progress((done + i + 1) / parts)
        notes = list(dict.fromkeys(note for inputs, _ in laid.values() for note in inputs.notes))
        recordings.append(
            Recording(path, label, trace.digest, trace.duration_s, [*trace.notes, *notes], sides)
        )
    study = Study(calibrations, recordings, core, vehicle)
    if len(calibrations) == 1 and len(study.runs()) < 2:
        right = "give --calibration a second time, or a second TRACE with a launch"
        raise UserError("one calibration and one run: there is nothing to compare", right=right)
    return study
