"""What a recorded run is once it has been read: named channels in known units over one rising time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bench.trace.choice import HELD_ROLES

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

GAP_STEPS = 5
"""A step longer than this many usual steps is listed as a gap of the recording."""


@dataclass(frozen=True)
class Channel:
    """One signal. `values` and `valid` have one entry for each time of the trace; a value that is not valid
    is NaN. Units: height "count", "V" or "mm"; speed "km/h"; engine and shaft speed "rpm"; switches "bool"
    (0 or 1); reduction "%"; retard "deg"; reason "number"."""

    name: str
    role: str
    unit: str
    values: Floats
    valid: Bools

    @property
    def held(self) -> bool:
        """True for switches and requests, which keep their value until the next sample."""
        return self.role in HELD_ROLES


@dataclass(frozen=True)
class Column:
    """One column of the file as one signal that it was taken for; `role` is "" where it was left unused."""

    number: int
    name: str
    role: str = ""
    unit: str = ""
    unit_from: str = ""


@dataclass(frozen=True)
class Trace:
    """A recorded run. `time_s` (float64[n], n >= 2) rises strictly and starts where the file does."""

    path: Path
    form: str
    size_bytes: int
    digest: str
    time_s: Floats
    channels: dict[str, Channel]
    columns: tuple[Column, ...]
    notes: list[str]
    gaps: list[tuple[float, float]]
    rate_hz: float
    uneven: bool
    rows: int
    repeated: int = 0
    backward: int = 0
    untimed: int = 0

    @property
    def duration_s(self) -> float:
        """Seconds from the first to the last row."""
        return float(self.time_s[-1] - self.time_s[0])
