"""What a recorded run is once it has been read: named channels in known units over one rising time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bench.trace.roles import HELD_ROLES

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

GAP_STEPS = 5
"""A step longer than this many usual steps is listed as a gap of the recording."""


@dataclass(frozen=True)
class Channel:
    """One signal. `values` and `valid` have one entry for each time of the trace; a value that is not valid
    is NaN. Units: height "count", "V" or "mm"; speed "km/h"; engine and shaft speed "rpm"; switches "bool" (0
    or 1; from a CSV float32); reduction and demand "%"; retard "deg"; reason and state "number". What stands
    at a time was measured `delay_s` before it. `source` says of a speed what it is ("road", "gps", "front
    wheel", "drive shaft", "wheel"), `curve` (volts, mm) of a height in volts what its sensor is, where a
    layout does.
    """

    name: str
    role: str
    unit: str
    values: Floats
    valid: Bools
    delay_s: float = 0.0
    source: str = ""
    curve: tuple[tuple[float, float], ...] = ()

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
    """A recorded run. `time_s` (float64[n], n >= 2) rises strictly and starts where the file does, but at 0
    where the file's own count is too great for a float to be exact (from 1970, for instance): `epoch_ns` then
    is the file's time of 0. Every time is a whole number of nanoseconds, which 10^9 `time_s` rounds to
    exactly.

    `gaps` are the times around each gap and `gap_rows` the row of data before it, counted from 1; `run` the
    number of the pass that is asked for.
    """

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
    epoch_ns: int | None = None
    gap_rows: tuple[int, ...] = ()
    run: int | None = None

    @property
    def duration_s(self) -> float:
        """Seconds from the first to the last row."""
        return float(self.time_s[-1] - self.time_s[0])
