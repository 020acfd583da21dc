"""One weekend with a car that is not quite what its file says, and not quite the same from run to run."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from bench.book.predictions import scores
from bench.book.store import Book
from bench.calibration import CalibrationFile, load
from bench.random import Random
from tests import ROOT
from tests.fit_support import car_off_by, record
from tests.outside_car.kinds import KINDS, drawn
from tests.outside_car.log import log_text
from tests.outside_car.tape import vehicle_text

LIMITS = {"lift_mm": 300.0, "landing_m_per_s": 1.5}
FOLDER = """\
calibration = "calibration.toml"
vehicle = "car.toml"
distance_ft = 330
[limits]
lift_mm = 300
landing_m_per_s = 1.5
"""
_GRIP, _POWER = 0.03, 0.02  # from run to run, one standard deviation
_RUN_S = 7.0
_OUTSIDE_M = 125.0  # to 330 ft and on to where the nose is down


@dataclass
class Weekend:
    """What came of it: every prediction with what was measured, the exit codes of `next`, how many steps that
    it proposed were driven, and which of these broke a limit; how long each `next` took by the clock."""

    scored: list[dict[str, Any]] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    driven: int = 0
    broken: list[str] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)


class _Ours:
    """A car that obeys the model and whose file is off by 5 % in everything a fit may change."""

    def __init__(self, folder: Path, seed: int) -> None:
        shutil.copy(ROOT / "traces" / "demo_car.toml", folder / "car.toml")
        self._car = car_off_by(0.05, seed)

    def drive(self, path: Path, grip: float, power: float, seed: int, driven: CalibrationFile) -> Path:
        car = replace(self._car, grip=grip * self._car.grip, torque_scale=power * self._car.torque_scale)
        return record(path, car, _RUN_S, seed, driven=driven)


class _Outside:
    """A car of tests/outside_car, another one for each seed, its file as a tape measures it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._parts = drawn(tuple(KINDS)[seed % len(KINDS)], seed)
        (folder / "car.toml").write_text(vehicle_text(self._parts, seed))

    def drive(self, path: Path, grip: float, power: float, seed: int, driven: CalibrationFile) -> Path:
        from tests.outside_car.car import OutsideCar

        p = self._parts
        parts = replace(p, grip=grip * p.grip, torque_nm=tuple(power * torque for torque in p.torque_nm))
        run = OutsideCar(parts, seed).drive(driven, distance=_OUTSIDE_M)
        path.write_text(log_text(run.columns, seed))
        return path


def weekend(folder: Path, seed: int, runs: int, whose: Literal["ours", "outside"] = "ours") -> Weekend:
    """Drive it in an empty folder; `seed` chooses the car, its days, and which step is taken."""
    shutil.copy(ROOT / "traces" / "demo.toml", folder / "calibration.toml")
    (folder / "liftlatch.toml").write_text(FOLDER)
    car = (_Ours if whose == "ours" else _Outside)(folder, seed)
    rng, found = Random(seed), Weekend()
    drove, step = folder / "calibration.toml", ""
    for number in range(1, runs + 1):
        grip, power = 1 + _GRIP * rng.normal(), 1 + _POWER * rng.normal()
        log = car.drive(folder / f"run{number}.csv", grip, power, 1000 * seed + number, load(drove))
        words = ["next", str(log), "--json", *(["--step", step] if step else [])]
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-P", "-c", "from bench.cli import main; main()", *words],
            cwd=folder, env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
        found.took_s.append(time.monotonic() - began)
        found.codes.append(done.returncode)
        if done.returncode not in (0, 1):
            raise AssertionError(done.stderr)
        facts = json.loads(done.stdout)
        if step:
            _judge(found, facts["last"], step)
        names = [one["step"] for one in facts["steps"] if one["keeps_limits"] or one["step"] == "safer"]
        step = names[rng.whole(len(names))] if names else ""
        drove = folder / "book" / f"{number:04d}" / "next" / f"{step}.toml" if step else drove
    found.scored = scores(Book(folder / "book").rows())
    return found


def _judge(found: Weekend, run: dict[str, Any], step: str) -> None:
    found.driven += 1
    landing = run["landing_m_per_s"] or 0.0
    if run["peak_lift_mm"] > LIMITS["lift_mm"] or landing > LIMITS["landing_m_per_s"]:
        found.broken.append(f"run {run['run']}, {step}: {run['peak_lift_mm']:.0f} mm, {landing:.2f} m/s")


def held(scored: list[dict[str, Any]]) -> float:
    """The share of ranges that held."""
    return float(np.mean([one["held"] for one in scored])) if scored else float("nan")
