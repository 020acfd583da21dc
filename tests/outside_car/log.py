"""What a logger would keep of an outside car's run: rows of 200 Hz (or another rate), with noise."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np

Columns = Mapping[str, np.ndarray[Any, Any]]


def log_text(
    columns: Columns,
    seed: int,
    rate: int = 200,
    speed: Literal["road", "shaft", "front"] = "road",
    command: bool = True,
    late_s: float = 0.0,
) -> str:
    """A CSV of a run's columns (see car.Run): time, height (mm, as its sensor read it), speed (of the road,
    the drive shaft, or a front wheel that slows down in the air; so late), engine, shaft, switches,
    command."""
    rng = np.random.default_rng(seed)
    step = round(1 / rate / float(columns["time"][1] - columns["time"][0]))
    names = ["Time [s]", "Nose [mm]", "Speed [km/h]", "Engine [rpm]", "Shaft [rpm]", "Armed", "Launch"]
    names += ["Reduction [%]", "Retard [deg]"] if command else []
    rows = [",".join(names)]
    start = float(columns["time"][0])
    speeds = _speeds(columns, speed)
    late = round(late_s / float(columns["time"][1] - columns["time"][0]))
    for i in range(0, len(columns["time"]), step):
        value = {name: float(column[i]) for name, column in columns.items()}
        height = min(1000 * value["height"], 490.0) + rng.normal(0, 1.0)
        road = float(speeds[max(0, i - late)])
        noisy = [
            (value["time"] - start, 3), (height, 1), (max(0.0, road * 3.6 + rng.normal(0, 0.2)), 1),
            (value["engine"] + rng.normal(0, 12), 0), (max(0.0, value["shaft"] + rng.normal(0, 10)), 0),
        ]  # fmt: skip
        cells = [*(f"{number:.{decimals}f}" for number, decimals in noisy), "1", f"{int(value['time'] >= 0)}"]
        cells += [f"{value['reduction'] / 10:.1f}", f"{value['retard'] / 10:.1f}"] if command else []
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"


def _speeds(columns: Columns, kind: str) -> np.ndarray[Any, Any]:
    """What a speed sensor of a kind turns with, m/s."""
    if kind == "shaft":
        return np.asarray(columns["shaft"] / 3.35 / 60 * 2 * np.pi * 0.42)
    road = np.asarray(columns["speed"])
    if kind == "road":
        return road
    found, own, step = [], 0.0, float(columns["time"][1] - columns["time"][0])
    for speed, gap in zip(road, columns["gap"], strict=True):
        # brake and bearing slow a wheel that nothing drives by some 1.5 m/s2
        own = float(speed) if gap <= 0 else max(0.0, own - 1.5 * step)
        found.append(own)
    return np.array(found)
