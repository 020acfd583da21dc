"""One weekend with a car that is not quite what its file says, and not quite the same from run to run."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from bench.book.predictions import scores
from bench.book.store import Book
from bench.calibration import load
from bench.random import Random
from tests import ROOT
from tests.fit_support import car_off_by, record

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


@dataclass
class Weekend:
    """What came of it: every prediction with what was measured, the exit codes of `next`, how many steps that
    it proposed were driven, and which of these broke a limit."""

    scored: list[dict[str, Any]] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    driven: int = 0
    broken: list[str] = field(default_factory=list)


def weekend(folder: Path, seed: int, runs: int) -> Weekend:
    """Drive it in an empty folder; `seed` chooses the car, its days, and which step is taken."""
    shutil.copy(ROOT / "traces" / "demo_car.toml", folder / "car.toml")
    shutil.copy(ROOT / "traces" / "demo.toml", folder / "calibration.toml")
    (folder / "liftlatch.toml").write_text(FOLDER)
    true, rng, found = car_off_by(0.05, seed), Random(seed), Weekend()
    drove, step = folder / "calibration.toml", ""
    for number in range(1, runs + 1):
        car = replace(
            true, grip=true.grip * (1 + _GRIP * rng.normal()),
            torque_scale=true.torque_scale * (1 + _POWER * rng.normal()),
        )  # fmt: skip
        log = record(folder / f"run{number}.csv", car, _RUN_S, 1000 * seed + number, driven=load(drove))
        words = ["next", str(log), "--json", *(["--step", step] if step else [])]
        done = subprocess.run(
            [sys.executable, "-P", "-c", "from bench.cli import main; main()", *words],
            cwd=folder, env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
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
