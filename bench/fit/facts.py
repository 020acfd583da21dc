"""What a fit found, as plain values: what --json prints and summary.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import CAUTIONS, MODEL
from bench.facts import head
from bench.fit.car_text import in_file, path_of
from bench.fit.fit import Z80, Z95, Fitted, Floats, rest_of
from bench.fit.measured import CHANNELS, MeasuredRun
from bench.fit.residuals import GIVEN, MEASURED, NEVER, NODE_S
from bench.vehicle.car import VehicleFile

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 2  # 2: intervals have what the model cannot follow in them
# What a scale, a tape or a data sheet tells better than any trace -> how.
ASKS = {
    "body.mass": "weigh the car with its driver; all torques, springs and inertias are for this mass",
    "body.cg_ahead_of_rear_axle": "weigh front and rear axle apart: front load / total load * wheelbase",
    "engine.inertia": "from the maker, or weigh and measure flywheel, crank and flexplate",
}
# What is left (rms) of a run that the model does not follow. Outside cars that it follows leave up to 5 mm,
# 0.3 m/s and 100 rpm.
_POOR = {"height": 15.0, "speed": 0.6, "engine": 150.0, "shaft": 300.0}
_POOR_LEFT_OUT = 3.0  # times what the ranges allow
_ENOUGH_AIR_S = 1.2
_LESS_TORQUE = 0.1  # of the command: an engine that gives less by this is told
# A command that no log shows and that the engine goes another way than by so much is not what drove the car.
# With the right calibration replayed the shares were off by 0.03 to 0.16 in ten of eleven fits of one run;
# with another one, where a fit was not poor anyway, by 0.24 to 0.33 (six).
_OTHER_COMMAND = 0.2
_LATE_S = 0.010  # a channel that comes later than this is told


@dataclass(frozen=True)
class Fit:
    """All of one fit: the given car, its runs, the calibrations they were driven with, and what was
    found."""

    vehicle: VehicleFile
    runs: list[MeasuredRun]
    calibrations: list[CalibrationFile | None]
    measured: frozenset[str]
    fitted: Fitted


def make_facts(fit: Fit, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a fit. Keys stay; SUMMARY_VERSION grows when the meaning of one
    changes."""
    fitted = fit.fitted
    return {
        **head(SUMMARY_VERSION, command_line),
        "vehicle": {
            "file": str(fit.vehicle.path),
            "name": fit.vehicle.name,
            "sha256": fit.vehicle.digest,
            "warnings": fit.vehicle.warnings,
        },
        "runs": [_run(fit, i) for i in range(len(fit.runs))],
        "model_holds": holds(fit),
        "ratio": _ratio(fit),
        "left_out": [
            {
                "file": str(one.path),
                "rms": {name: round(value, 3) for name, value in one.missed.items()},
                "peak_lift_moved_mm": round(one.peak_mm, 1),
                "over_what_ranges_allow": round(one.ratio, 2),
            }
            for one in fitted.left_out
        ],
        "windows_s": fitted.windows,
        "steps": fitted.steps,
        "parameters": [_parameter(fit, i) for i in range(len(fitted.estimates))],
        "together": [
            {"parameters": [path_of(a), path_of(b)], "correlation": round(c, 3)}
            for a, b, c in fitted.together
        ],
        "never": {path_of(name): reason for name, reason in NEVER.items()},
        "asks": {
            path: how for path, how in ASKS.items() if path not in {path_of(name) for name in fit.measured}
        },
        "assumed": f"each given value is right to {100 * GIVEN:g} % (one standard deviation),"
        f" each measured one to {100 * MEASURED:g} %",
        "notes": notes(fit),
        "cautions": f"{MODEL} {CAUTIONS}",
    }


def _run(fit: Fit, i: int) -> dict[str, Any]:
    run, fitted, calibration = fit.runs[i], fit.fitted, fit.calibrations[i]
    rest = rest_of(fitted)[i]
    return {
        "file": str(run.path),
        "sha256": run.digest,
        "calibration": None if calibration is None else str(calibration.path),
        "seconds": round(run.duration, 3),
        "peak_lift_seen_mm": round(run.peak_lift_mm, 1),
        "beyond_sensor": bool(run.at_end.any()),
        "peak_lift_fitted_mm": round(float(fitted.lift_mm[i].max()), 1),
        "launch_later_ms": round(1000 * fitted.launch[i], 2),
        "channel_later_ms": {name: round(1000 * late, 2) for name, late in fitted.late[i].items()},
        "shifts_s": [round(t, 4) for t in fitted.shifts[i]],
        "torque_of_command": [round(float(share), 3) for share in fitted.torque[i]],
        "rms": {
            name: {"unit": unit, "given": round(rest[name][0], 3), "fitted": round(rest[name][1], 3)}
            for name, unit in CHANNELS.items()
            if name in rest
        },
        "notes": run.notes,
    }


def _parameter(fit: Fit, i: int) -> dict[str, Any]:
    t = fit.fitted.estimates[i]

    def shown(value: float) -> float:
        return float(f"{in_file(fit.vehicle, t.name, value)[0]:.6g}")

    return {
        "name": path_of(t.name),
        "unit": in_file(fit.vehicle, t.name, 1.0)[1],
        "verdict": t.verdict,
        "given": shown(t.given),
        "fitted": shown(t.value),
        "within_80": [shown(v) for v in t.within(Z80)],
        "within_95": [shown(v) for v in t.within(Z95)],
        "within_80_percent": round(100 * Z80 * t.sd, 2),
        "known_before_80_percent": round(100 * Z80 * t.before, 2),
    }


def _ratio(fit: Fit) -> dict[str, Any]:
    """Height of the centre of gravity over its distance to the rear axle, which a run tells better than
    either: it decides at what thrust the nose rises."""
    before, after, sd = fit.vehicle.car, fit.fitted.car, fit.fitted.ratio_sd
    value = after.cg_height / after.cg_ahead
    return {
        "name": "body.cg_height / body.cg_ahead_of_rear_axle",
        "given": round(before.cg_height / before.cg_ahead, 4),
        "fitted": round(value, 4),
        "within_80": [round(value * float(np.exp(z * sd)), 4) for z in (-Z80, Z80)],
        "within_80_percent": round(100 * Z80 * sd, 2),
    }


def holds(fit: Fit) -> bool:
    """Whether the fitted car describes its runs, in every channel, and runs left out within reason."""
    far = any(one.ratio > _POOR_LEFT_OUT for one in fit.fitted.left_out)
    other = any(map(_other_command, fit.runs, fit.fitted.torque))
    return not far and not other and not any(map(_poor, fit.runs, rest_of(fit.fitted)))


def _other_command(run: MeasuredRun, torque: Floats) -> bool:
    """Whether the fit follows a run only by torque that is not what was commanded, as far as that is known:
    a fit may bend the torque to any command, and then says nothing of the car."""
    return not run.logged and bool(len(torque)) and float(np.abs(torque - 1).max()) > _OTHER_COMMAND


def _poor(run: MeasuredRun, rest: dict[str, tuple[float, float]]) -> list[str]:
    """The channels in which a run goes its own way: far more is left than noise."""
    return [name for name, (_, left) in rest.items() if left > max(_POOR[name], 3 * run.noise[name])]


def _torque_note(run: MeasuredRun, torque: Floats) -> list[str]:
    """Where the engine gave clearly less than its command, or another torque than can be."""
    if _other_command(run, torque):
        far = int(np.abs(torque - 1).argmax())
        return [
            f"{run.path.name}: by its speed the engine gave {100 * torque[far]:.0f} % of what was commanded"
            f" about {far * NODE_S:.1f} s after the launch, and no log shows the command: if another"
            " calibration or a driver's foot drove it, the fit says nothing of the car; log the command, or"
            " give the calibration that drove the run"
        ]
    if not len(torque) or torque.min() > 1 - _LESS_TORQUE:
        return []
    least = int(torque.argmin())
    return [
        f"{run.path.name}: by its speed the engine gave {100 * torque[least]:.0f} % of what was commanded"
        f" about {least * NODE_S:.1f} s after the launch: a driver's foot, boost, or another command than the"
        " one known here; no prediction has it in it"
    ]


def notes(fit: Fit) -> list[str]:
    """What a person should know before trusting the fit."""
    found = []
    fitted = fit.fitted
    for run, rest, late, torque in zip(fit.runs, rest_of(fitted), fitted.late, fitted.torque, strict=True):
        poor = _poor(run, rest)
        if poor:
            far = " and ".join(f"{rest[name][1]:.3g} {CHANNELS[name]} of {name}" for name in poor)
            found.append(
                f"{run.path.name}: the fitted car stays {far} (rms) away from the trace; the model, a given"
                " value, the calibration or the recording is wrong there: do not predict from it before that"
                " is found"
            )
        for name, seconds in late.items():
            if abs(seconds) > _LATE_S:
                found.append(
                    f"{run.path.name}: {name} comes {1000 * seconds:.0f} ms later than the height, as it fits"
                )
        found += _torque_note(run, torque)
        if run.at_end.any():
            found.append(
                f"{run.path.name}: the nose was beyond the sensor in {100 * run.at_end.mean():.0f} % of the"
                " run; its peak is the model's"
            )
        if run.duration < _ENOUGH_AIR_S:
            found.append(f"{run.path.name}: only {run.duration:.2f} s; 2 to 4 s tell much more")
    for one in fitted.left_out:
        if one.ratio > _POOR_LEFT_OUT:
            found.append(
                f"{one.path.name}: predicted from the other runs it is missed {one.ratio:.1f} times as far as"
                " the ranges allow; the runs are of different cars or days, or the model is wrong"
            )
    moved = [
        path_of(t.name)
        for t in fitted.estimates
        if t.verdict in ("known", "weak") and abs(np.log(t.value / t.given)) > 3 * t.before
    ]
    if moved:
        found.append(
            f"far from what was given (more than 3 standard deviations): {', '.join(moved)}; check those"
            " values"
        )
    found.append(
        "the intervals hold the true value in about 80 of 100 cases, of cars that obey the model and of those"
        " of tests/outside_car that do not (bench/fit/README.md), if the weight and the lengths are right; a"
        " wrong weight scales torques, springs and inertias"
    )
    return found
