"""One weekend with a car that is not quite what its file says, and not quite the same from run to run."""

from __future__ import annotations

import json
import resource
import shutil
import subprocess
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from bench.book.add import replayed
from bench.book.predictions import FIGURES, measured, scores
from bench.book.store import Book, Row
from bench.calibration import CalibrationFile, load
from bench.random import Random
from bench.trace.choice import ColumnChoice
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
_TRIES = 3  # other days on which each proposed step is driven besides
_RUN_S = 7.0
_OUTSIDE_M = 205.0  # to 660 ft


@dataclass
class Weekend:
    """What came of it: every prediction with what was measured, the exit codes of `next` and the processor
    seconds that it took, how many runs were driven with a step that was said to keep the limits, and which of
    these broke one. `tried` has of every step on other days too: figure, step, how many runs the car was
    fitted to, and the difference from what was expected over half the range (1: at its end)."""

    scored: list[dict[str, Any]] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    driven: int = 0
    broken: list[str] = field(default_factory=list)
    tried: list[tuple[str, str, int, float]] = field(default_factory=list)
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
    outside = FOLDER.replace(
        "330", "660"
    )  # its nose is still up at 330 ft, so nothing is said of its landing
    (folder / "liftlatch.toml").write_text(FOLDER if whose == "ours" else outside)
    car = (_Ours if whose == "ours" else _Outside)(folder, seed)
    rng, found = Random(seed), Weekend()
    drove, step = folder / "calibration.toml", ""
    for number in range(1, runs + 1):
        log = car.drive(folder / f"run{number}.csv", *_day(rng), 1000 * seed + number, load(drove))
        facts = _next(found, folder, [str(log), *(["--step", step] if step else [])])
        proposed = folder / "book" / f"{number:04d}" / "next"
        for one in facts["steps"]:
            for _ in range(_TRIES):
                path, driven = folder / "try.csv", load(proposed / f"{one['step']}.toml")
                car.drive(path, *_day(rng), rng.whole(1 << 30), driven)
                _judge(found, one, facts, replayed(path, driven, ColumnChoice(), []).figures)
        names = [one["step"] for one in facts["steps"] if one["keeps_limits"] or one["step"] == "safer"]
        step = names[rng.whole(len(names))] if names else ""
        drove = proposed / f"{step}.toml" if step else drove
    found.scored = scores(Book(folder / "book").rows())
    return found


def _day(rng: Random) -> tuple[float, float]:
    """Grip and power of a run."""
    return 1 + _GRIP * rng.normal(), 1 + _POWER * rng.normal()


def _next(found: Weekend, folder: Path, words: list[str]) -> dict[str, Any]:
    """What `next` says."""
    began = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    done = subprocess.run(
        [sys.executable, "-P", "-c", "from bench.cli import main; main()", "next", *words, "--json"],
        cwd=folder, env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    found.took_s.append(resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - began)
    found.codes.append(done.returncode)
    if done.returncode not in (0, 1):
        raise AssertionError(done.stderr)
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts


def _judge(found: Weekend, said: dict[str, Any], facts: dict[str, Any], figures: dict[str, Any]) -> None:
    """Hold a step against what it did on another day."""
    run = Row(1, Path("try"), {}, figures=figures)
    for figure in FIGURES:
        value, range_ = measured(run, figure, facts["distance_ft"]), said["figures"].get(figure)
        if value is not None and range_ is not None:
            off = abs(value - range_["expected"]) / (range_["high"] - range_["expected"])
            found.tried.append((figure, said["step"], len(facts["fit"]["runs"]), off))
    if not said["keeps_limits"]:
        return
    found.driven += 1
    lift, landing = figures["peak_lift_mm"], figures["landing_m_per_s"] or 0.0
    if lift > LIMITS["lift_mm"] or landing > LIMITS["landing_m_per_s"]:
        found.broken.append(f"{said['step']}: {lift:.0f} mm, {landing:.2f} m/s")
