"""Recordings of an invented sensor, whose truth is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.calibration import load
from bench.sensor.recording import Recording, take
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from tests.vehicle_support import CALIBRATION_PATH

Floats = NDArray[np.float64]

# The truth: a sensor whose curve is bent at 300 mm.
BENT = ((130.0, 300.0, 500.0), (1150.0, 2400.0, 3950.0))
PERIOD = 5  # rows of 1 ms that one reading lasts


def counts(mm: Floats, sigma_mm: float, seed: int = 1, period: int = PERIOD) -> Floats:
    """What the sensor reads of a height for each millisecond: noise, then held, then whole counts."""
    random = np.random.default_rng(seed)
    n = len(mm)
    held = np.repeat(mm[::period] + random.normal(0, sigma_mm, len(mm[::period])), period)[:n]
    return np.round(np.interp(held, *BENT))


def write(path: Path, readings: Floats, unit: str = "count", **more: Floats) -> Path:
    """A recording with a row each millisecond; `more` are columns named NAME_UNIT."""
    names = [name.rsplit("_", 1) for name in more]
    lines = [
        ",".join(["time", "height", *(name for name, _ in names)]),
        ",".join(["s", unit, *(unit for _, unit in names)]),
    ]
    for i, row in enumerate(zip(readings, *more.values(), strict=True)):
        lines.append(",".join([f"{i / 1000:.3f}", *(f"{value:.6g}" for value in row)]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def steps(heights: list[float], each_s: float = 2.0) -> Floats:
    """A height that stands at one after the other."""
    return np.repeat(np.array(heights), round(each_s * 1000))


def recording(path: Path, **choice: object) -> Recording:
    """A file as the demo calibration reads it."""
    return take(read_trace(path, ColumnChoice(**choice)), load(CALIBRATION_PATH))  # type: ignore[arg-type]
