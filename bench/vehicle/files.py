"""The tables of a prediction as CSV: the controlled run as a trace, and both runs tick by tick."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bench.vehicle.results import ROW, Outcome

if TYPE_CHECKING:
    from bench.vehicle.predict import Prediction


def trace_csv(outcome: Outcome) -> str:
    """The run as a logger beside the controller would have written it, tick by tick.

    `replay` reads it, and its counts are the very ones that the controller read."""
    c = outcome.columns
    time = c["time"] - c["time"][0]
    decimals = 6 if round(outcome.tick_s * 1e6) % 1000 else 3
    lines = ["Time,Nose height,Speed,Engine speed,Shaft speed,Armed,Launch", "s,counts,km/h,rpm,rpm,,"]
    for row in zip(
        time.tolist(),
        c["counts"].astype(int).tolist(),
        (c["speed"] / 10).tolist(),
        c["engine"].astype(int).tolist(),
        c["shaft"].astype(int).tolist(),
        c["launch"].astype(int).tolist(),
        strict=True,
    ):
        t, counts, speed, engine, shaft, launch = row
        lines.append(f"{t:.{decimals}f},{counts},{speed:.1f},{engine},{shaft},1,{launch}")
    return "\n".join(lines) + "\n"


def motion_csv(outcome: Outcome) -> str:
    """All columns of a run, tick by tick, in the units of bench.vehicle.results.ROW."""
    header = ",".join(f"{name} [{unit}]" for name, unit in ROW.items())
    table = np.column_stack([outcome.columns[name] for name in ROW])
    lines = [",".join(f"{value:.7g}" for value in row) for row in table.tolist()]
    return "\n".join([header, *lines]) + "\n"


def write_tables(folder: Path, p: Prediction) -> None:
    """All of them, into a folder."""
    (folder / "trace.csv").write_text(trace_csv(p.controlled), encoding="utf-8")
    (folder / "motion.csv").write_text(motion_csv(p.controlled), encoding="utf-8")
    (folder / "motion_without.csv").write_text(motion_csv(p.without), encoding="utf-8")
