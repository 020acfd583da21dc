"""A recorded trace as what goes over the line: the inputs of each tick."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import UserError
from bench.trace.choice import ColumnChoice

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.link.protocol import Records
    from bench.replay.inputs import Inputs
    from bench.replay.run import Ints
    from bench.trace.model import Trace


@dataclass(frozen=True)
class Reading:
    """How a trace became inputs; the options of `liftlatch replay` and `liftlatch verify`."""

    max_gap_s: float = 0.1
    speed_kmh: float | None = None
    launch_at_s: float | None = None
    choice: ColumnChoice = field(default_factory=ColumnChoice)

    def inputs(self, path: Path, calibration: CalibrationFile) -> tuple[Trace, Inputs, Records]:
        """(trace, inputs, INPUT records) of a trace. Raises UserError as reading and laying out do."""
        from bench.replay.inputs import Options, from_trace
        from bench.trace.read import read_trace

        trace = read_trace(path, self.choice)
        laid = from_trace(trace, calibration, Options(self.max_gap_s, self.speed_kmh, self.launch_at_s))
        try:
            records = to_records(laid.arrays, calibration.number("cylinders"), calibration.tick_us)
        except ValueError as error:
            raise UserError(str(error), path, "check the engine speed") from error
        return trace, laid, records

    def as_texts(self) -> list[str]:
        """What differs from the defaults, as NAME=VALUE."""
        texts = []
        usual = Reading()
        for name in ("max_gap_s", "speed_kmh", "launch_at_s"):
            if getattr(self, name) != getattr(usual, name):
                texts.append(f"{name}={getattr(self, name)!r}")
        for known in fields(ColumnChoice):
            value = getattr(self.choice, known.name)
            if known.name == "columns":
                texts += [f"column.{role}={text}" for role, text in value.items()]
            elif known.name == "layouts":
                texts += [f"layout={text}" for text in value]
            elif value != getattr(usual.choice, known.name):
                texts.append(f"{known.name}={value}")
        return texts


def reading_of(texts: list[str]) -> Reading:
    """The reading that `as_texts` told. Raises ValueError for what it does not tell."""
    given: dict[str, Any] = {}
    choice: dict[str, Any] = {}
    columns: dict[str, str] = {}
    layouts: list[str] = []
    for text in texts:
        name, _, value = text.partition("=")
        if name.startswith("column."):
            columns[name.removeprefix("column.")] = value
        elif name in ("max_gap_s", "speed_kmh", "launch_at_s"):
            given[name] = float(value)
        elif name in ("rate_hz", "height_offset_mm"):
            choice[name] = float(value)
        elif name == "run":
            choice[name] = int(value)
        elif name == "layout":
            layouts.append(value)
        elif name in ("delimiter", "decimal"):
            choice[name] = value
        else:
            raise ValueError(f"no option {name!r}")
    return Reading(**given, choice=ColumnChoice(columns=columns, layouts=tuple(layouts), **choice))


def to_records(inputs: dict[str, Ints], cylinders: int, tick_us: int) -> Records:
    """INPUT records[n] from an array[n] for each name of bench.replay.run.INPUT_TYPES.

    The cylinder events are those that the engine speed brings about, as in a replay. Raises ValueError where
    a tick has more than 255 of them.
    """
    import numpy as np

    from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID
    from bench.replay.run import UNITS_PER_EVENT

    records = np.zeros(len(inputs["counts"]), INPUT)
    for name in (
        "counts",
        "speed",
        "engine",
        "shaft",
        "request_reduction",
        "request_retard",
        "request_reason",
    ):
        records[name] = inputs[name]
    switches = np.where(inputs["speed_valid"], SPEED_VALID, 0)
    switches |= np.where(inputs["armed"], ARMED, 0)
    switches |= np.where(inputs["launch"], LAUNCH, 0)
    records["switches"] = switches
    gathered = np.cumsum(inputs["engine"].astype(np.int64) * (cylinders * tick_us))
    due = np.diff(gathered // UNITS_PER_EVENT, prepend=0)
    if len(due) and due.max() > 255:
        raise ValueError("more than 255 cylinder events in a tick")
    records["events"] = due
    return records
