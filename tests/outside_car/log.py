"""What a logger would keep of an outside car's run: rows of 200 Hz (or another rate), with noise."""

from __future__ import annotations

from typing import Literal

import numpy as np

from tests.outside_car.car import Run


def log_text(
    run: Run, seed: int, rate: int = 200, speed: Literal["road", "shaft"] = "road", command: bool = True
) -> str:
    """A CSV of the run: time, height (mm, as its sensor read it), speed, engine, shaft, switches, command."""
    rng = np.random.default_rng(seed)
    columns = run.columns
    step = round(1 / rate / float(columns["time"][1] - columns["time"][0]))
    names = ["Time [s]", "Nose [mm]", "Speed [km/h]", "Engine [rpm]", "Shaft [rpm]", "Armed", "Launch"]
    names += ["Reduction [%]", "Retard [deg]"] if command else []
    rows = [",".join(names)]
    start = float(columns["time"][0])
    for i in range(0, len(columns["time"]), step):
        value = {name: float(column[i]) for name, column in columns.items()}
        height = min(1000 * value["height"], 490.0) + rng.normal(0, 1.0)
        road = value["speed"] if speed == "road" else value["shaft"] / 3.35 / 60 * 2 * np.pi * 0.42
        noisy = [
            (value["time"] - start, 3), (height, 1), (max(0.0, road * 3.6 + rng.normal(0, 0.2)), 1),
            (value["engine"] + rng.normal(0, 12), 0), (max(0.0, value["shaft"] + rng.normal(0, 10)), 0),
        ]  # fmt: skip
        cells = [*(f"{number:.{decimals}f}" for number, decimals in noisy), "1", f"{int(value['time'] >= 0)}"]
        cells += [f"{value['reduction'] / 10:.1f}", f"{value['retard'] / 10:.1f}"] if command else []
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"
