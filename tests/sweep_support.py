"""What the sweep tests share: a short way to a study, and a trace of a few lines."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from pathlib import Path

from bench.calibration import CalibrationFile, load
from bench.sweep.study import Study, read_study
from bench.sweep.vary import read_varied, settings
from tests import ROOT

TRACES = ROOT / "traces"
DEMO = TRACES / "plain.toml"


@functools.cache
def demo() -> CalibrationFile:
    return load(DEMO)


def study(*varied: str, traces: Sequence[str] = ("high_wheelstand",)) -> Study:
    """The demo calibration varied over some of the demo traces."""
    calibration = demo()
    paths = [TRACES / f"{name}.csv" for name in traces]
    return read_study(paths, settings(calibration, read_varied(varied, calibration)))


def short_trace(path: Path, ticks: int = 400) -> Path:
    """A made-up run of so many milliseconds: the nose goes up 250 mm and comes down again."""
    rows = ["Time [s],Ride height [mm],Speed [km/h],Armed,Launch"]
    for i in range(ticks):
        share = i / ticks
        lift = 0.0 if share < 0.2 else 250 * (1 - abs(share - 0.6) / 0.4)
        launched = int(share >= 0.15)
        rows.append(f"{i / 1000:.3f},{130 + lift:.1f},{60 * share:.2f},1,{launched}")
    path.write_text("\n".join(rows) + "\n")
    return path
