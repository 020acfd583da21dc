"""What looks wrong with a calibration although it is a legal one (M3)."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.calibration.calibration_file import CalibrationFile


NOSE_MM_PER_MS = 0.7  # a nose on its way up through the ceilings, in the project's model of a car
FLIGHT_S = 2.8  # the longest flight of a nose in the hazard suite, and a little


def advise(cal: CalibrationFile) -> tuple[list[str], list[str]]:
    """Warnings about a calibration, and notes about what could not be checked."""
    warnings = [*_maps(cal), *_limits(cal), *_sensor(cal), *_near_end(cal), *_fault(cal)]
    if cal.built.droop_mm is None:
        notes = [
            "car.droop_mm is not given, so it is not checked whether the body's rise on its suspension, "
            "wheels on the ground, already cuts"
        ]
        return warnings, notes
    return warnings + _ground(cal, cal.built.droop_mm), []


def _at(cal: CalibrationFile, progress: float) -> str:
    built = cal.built
    return f"{progress / built.progress_size:.6g} {built.progress_sign}"


def _lift(cal: CalibrationFile, mm: float) -> str:
    built = cal.built
    return f"{mm / built.lift_size:.4g} {built.lift_sign}"


def _maps(cal: CalibrationFile) -> list[str]:
    """A reduction that falls with lift, and a last row that is not the greatest."""
    cells = cal.map_cells("reduction_map")
    lift = cal.row("lift_axis")
    progress = cal.ceilings.progress if cal.built.ceilings_mm is None else ()
    warnings = []
    for column, at in enumerate(progress):
        values = cells[:, column].tolist()
        for i in range(1, len(values)):
            if values[i] < values[i - 1]:
                warnings.append(
                    f"at {_at(cal, at)} the reduction falls from {values[i - 1] / 10:g} % to "
                    f"{values[i] / 10:g} % while the lift rises to {_lift(cal, lift[i] / 16)}"
                )
                break
        if values[-1] < max(values):
            warnings.append(
                f"at {_at(cal, at)} the last lift asks for {values[-1] / 10:g} %, less than the greatest "
                f"{max(values) / 10:g} %, and so does every lift above it"
            )
    return warnings


def _limits(cal: CalibrationFile) -> list[str]:
    warnings = []
    for what, name, unit in (("reduction", "reduction_map", "%"), ("retard", "retard_map", "degrees")):
        most, limit = int(cal.map_cells(name).max()), cal.number(f"{what}_limit")
        if most > limit:
            warnings.append(
                f"limits.{what} ({limit / 10:g} {unit}) is below the greatest {what} asked for "
                f"({most / 10:g} {unit})"
            )
    return warnings


def _sensor(cal: CalibrationFile) -> list[str]:
    """A sensor that ends below the lift of full reduction, where look-ahead does not reach it either."""
    import numpy as np

    full = cal.ceilings.full
    if np.isnan(full).all():
        return []
    worst = int(np.nanargmax(full))
    ahead_ms = cal.number("look_rising_q12") / 16 / 4096 * 1000
    if cal.far_lift_mm + ahead_ms * NOSE_MM_PER_MS >= full[worst]:
        return []
    at = _at(cal, float(cal.ceilings.progress[worst]))
    return [
        f"the sensor's range ends at a lift of {_lift(cal, cal.far_lift_mm)}, below the "
        f"{_lift(cal, float(full[worst]))} of full reduction at {at}"
    ]


def _near_end(cal: CalibrationFile) -> list[str]:
    """A near end that a nose at its fastest crosses before the sensor is believed again."""
    far = max(cal.row("sensor_height"))
    window = cal.counts_to_height([cal.number("window_low"), cal.number("window_high")])
    seen_mm = (cal.number("near_end") - far) / 16 + float(window.max())
    tick_ms = cal.tick_us / 1000
    crossed_ms = seen_mm * 16 / cal.number("allowance_rate") * tick_ms
    samples = cal.number("agree_samples") + 1
    needed_ms = samples * cal.number("sample_ticks") * tick_ms
    if crossed_ms >= needed_ms:
        return []
    return [
        f"a nose at its fastest crosses the {seen_mm:.4g} mm of sensor.near_end that the window lets through "
        f"in {crossed_ms:.3g} ms, less than the {needed_ms:.3g} ms of one lost sample and {samples - 1} that "
        "agree"
    ]


def _fault(cal: CalibrationFile) -> list[str]:
    """A fault hold shorter than a flight."""
    hold_s = cal.number("fault_hold_ticks") * cal.tick_us / 1e6
    if hold_s >= FLIGHT_S:
        return []
    return [
        f"fault.hold ({hold_s:.3g} s) is shorter than a nose may be in the air ({FLIGHT_S} s): a sensor that "
        "fails up there, or a nose out of its sight, then gives torque back"
    ]


def _ground(cal: CalibrationFile, droop_mm: float) -> list[str]:
    """Ceilings that act while the wheels still stand on the ground."""
    ceilings = cal.ceilings
    warnings = []
    for lifts, does in ((ceilings.reduction_from, "reduction"), (ceilings.retard_from, "retard")):
        low = [i for i, lift in enumerate(lifts.tolist()) if lift < droop_mm]
        if low:
            i = min(low, key=lambda index: float(lifts[index]))
            warnings.append(
                f"{does} begins at a lift of {_lift(cal, float(lifts[i]))} at "
                f"{_at(cal, float(ceilings.progress[i]))}, but the body rises {_lift(cal, droop_mm)} on its "
                "suspension with the wheels on the ground"
            )
    return warnings
