"""A sweep as a whole: the recordings laid on the tick, the batch, and its results by setting and trace."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import UserError
from bench.replay.inputs import Inputs, Options, from_trace
from bench.sweep.local import Job, run_local
from bench.sweep.measure import Measures
from bench.sweep.vary import Setting, Value
from bench.trace.read import read_trace

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.choice import ColumnChoice
    from bench.trace.model import Trace

Progress = Callable[[float], None]

# All that bench.replay.inputs reads of a calibration (and the volts of a count); what else a sweep varies
# leaves the inputs as they are.
INPUTS_DEPEND_ON = (
    "tick_us", "adc_max", "window_low", "window_high", "sensor_counts", "sensor_height", "rest", "gain_q12",
    "heal_samples", "sample_ticks", "disarm_ticks", "learn_window", "progress_axis_kind",
)  # fmt: skip


@dataclass(frozen=True)
class Recording:
    """One trace and what was assumed of it. `label` is its file's name, or its path where another one has the
    same name."""

    path: Path
    label: str
    digest: str
    duration_s: float
    ticks: int
    notes: list[str]


@dataclass(frozen=True)
class Told:
    """What is said of a setting: its values, and the image and the warnings of its calibration."""

    values: tuple[Value, ...]
    image: bytes
    tick_us: int
    warnings: tuple[str, ...]

    @classmethod
    def of(cls, setting: Setting) -> Told:
        """What is said of a setting that was compiled here."""
        made = setting.calibration
        return cls(setting.values, made.image, made.tick_us, tuple(made.warnings))

    @property
    def crc(self) -> int:
        """The CRC-32 that stands in the image."""
        return int.from_bytes(self.image[8:12], "little")


@dataclass
class Study:
    """The inputs of a batch: settings by recordings."""

    settings: Sequence[Setting]
    options: Options
    recordings: list[Recording] = field(default_factory=list)
    _first: list[Inputs] = field(default_factory=list)
    _traces: list[Trace] = field(default_factory=list)  # only where some settings need other inputs

    def __post_init__(self) -> None:
        self._groups = groups(self.settings)

    def add(self, label: str, trace: Trace) -> None:
        """One trace more, laid on the tick of the first setting."""
        inputs = self._lay(trace, 0)
        notes = [*trace.notes, *inputs.notes]
        self.recordings.append(Recording(trace.path, label, trace.digest, trace.duration_s, inputs.n, notes))
        self._first.append(inputs)
        if len(self._groups) > 1:
            self._traces.append(trace)

    def jobs(self) -> Iterator[Job]:
        """One job for each setting and recording. Inputs are made when they are needed, and once for all
        settings that leave them the same."""
        for trace in range(len(self.recordings)):
            for i, numbers in enumerate(self._groups):
                inputs = self._lay(self._traces[trace], numbers[0]) if i else self._first[trace]
                for number in numbers:
                    image = self.settings[number].calibration.image
                    yield Job(number, trace, trace * len(self._groups) + i, image, inputs.arrays)

    def _lay(self, trace: Trace, setting: int) -> Inputs:
        return from_trace(trace, self.settings[setting].calibration, self.options)


def read_study(
    paths: Sequence[Path],
    settings: Sequence[Setting],
    choice: ColumnChoice | None = None,
    options: Options | None = None,
    progress: Progress = lambda share: None,
) -> Study:
    """Read all traces. UserError for what is wrong with one."""
    study = Study(settings, options or Options())
    for number, (path, label) in enumerate(zip(paths, labels(paths), strict=True)):

        def read(share: float, number: int = number) -> None:
            progress((number + share) / len(paths))

        study.add(label, read_trace(path, choice, read))
    return study


def labels(paths: Sequence[Path]) -> list[str]:
    """What each trace is called: its file's name, or its path where another one has that name.

    UserError where one is there twice."""
    names = [path.name for path in paths]
    for i, path in enumerate(paths):
        if path in paths[:i]:
            raise UserError("is there twice", path, "give each trace once")
    return [str(path) if names.count(name) > 1 else name for path, name in zip(paths, names, strict=True)]


def inputs_key(calibration: CalibrationFile) -> Any:
    """Calibrations of one key read the same inputs from a trace."""
    values = [calibration.values[name] for name in INPUTS_DEPEND_ON]
    return (calibration.built.volts_to_counts, *(tuple(v) if isinstance(v, list) else v for v in values))


@dataclass(frozen=True)
class Swept:
    """What came of a sweep: the study with its recordings, the settings, and the results by both."""

    study: Study
    settings: list[Told]
    measures: list[list[Measures]]


def groups(settings: Sequence[Setting]) -> list[list[int]]:
    """The numbers of the settings, those together that read the same inputs from a trace."""
    found: dict[Any, list[int]] = {}
    for number, setting in enumerate(settings):
        found.setdefault(inputs_key(setting.calibration), []).append(number)
    return list(found.values())


def run_study(study: Study, core: str, progress: Progress = lambda share: None) -> list[list[Measures]]:
    """Step all of it on this machine: the results by setting and recording."""
    whole = len(study.settings) * sum(recording.ticks for recording in study.recordings)
    stepped = 0
    found: dict[tuple[int, int], Measures] = {}
    with closing(run_local(study.jobs(), core)) as results:
        for job, measures in results:
            found[job.setting, job.trace] = measures
            stepped += job.ticks
            progress(min(1.0, stepped / whole))
    return [
        [found[setting, trace] for trace in range(len(study.recordings))]
        for setting in range(len(study.settings))
    ]
