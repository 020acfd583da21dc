"""The vehicle file of a fitted car: the given one with the fitted values set and a note of them on top."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from math import log10, pi

from bench.calibration.quantity import named, plain
from bench.calibration.rewrite import Rewriter, in_unit_of_file
from bench.fit.fit import Z80, Fitted
from bench.trace.text import shown
from bench.vehicle.car import BY_NAME, VehicleFile
from bench.vehicle.vehicle_file import read

_MARK = "# fit: "
_SECTION = "[scatter.fit]"


def path_of(name: str) -> str:
    """Section and key of a parameter without its unit, as --measured takes it."""
    return "converter.stall_torque" if name == "converter" else BY_NAME[name].path


def in_file(vehicle: VehicleFile, name: str, value: float) -> tuple[float, str]:
    """An SI value in the usual unit of a vehicle file, and that unit. The converter's is the torque at the
    speed that the file names."""
    if name == "converter":
        table = tomllib.loads(vehicle.text)["converter"]
        key, factor = in_unit_of_file(table, named("stall_torque_at", "rpm"))
        return value * (float(table[key] / factor) * pi / 30) ** 2, "N m"
    p = BY_NAME[name]
    return value / p.si, p.unit


def rounded(value: float, spread: float) -> float:
    """A value with as many digits as its standard deviation gives sense to, and one more; not fewer than
    three."""
    digits = 3 if value == 0 or spread <= 0 else max(3, int(log10(abs(value) / spread)) + 3)
    return float(f"{value:.{digits}g}")


def fitted_text(vehicle: VehicleFile, fitted: Fitted, sources: Sequence[str], remarks: Sequence[str]) -> str:
    """The text of the fitted car's file, at its end [scatter.fit]: how else the car may be. Raises
    CalibrationMistakes where the fitted car could not be."""
    rewriter = Rewriter(_without_note(vehicle.text))
    lines = [f"Fitted to {', '.join(sources)}; the rest is as given in {vehicle.path.name}."]
    lines += remarks
    changes: dict[str, object] = {}
    for t in fitted.estimates:
        if t.verdict not in ("known", "weak"):
            continue
        value, unit = in_file(vehicle, t.name, t.value)
        given, _ = in_file(vehicle, t.name, t.given)
        value = rounded(value, abs(value) * t.sd)
        lines.append(
            f"{path_of(t.name)} {with_unit(value, unit)} (given {with_unit(given, unit)}),"
            f" within {100 * Z80 * t.sd:.2g} % in 80 of 100 cases"
        )
        section, key = path_of(t.name).split(".")
        changes[f"{section}.{named(key, unit)}"] = value
    text = rewriter.set(changes) + _ways_text(fitted)
    note = "".join(f"{_MARK}{shown(line, 300)}\n" for line in lines)
    read(note + text, vehicle.path)
    return note + text


def with_unit(value: float, unit: str) -> str:
    """A number with its unit, as short as it can be."""
    return f"{plain(value)} {unit}".rstrip()


def _ways_text(fitted: Fitted) -> str:
    names, rows = fitted.directions
    lines = [
        "", _SECTION, "# written by a fit: how else the car may be by its runs, the values moving together",
        f'of = "{" ".join(path_of(name) for name in names)}"',
        f"misses = {fitted.misses:.2f}  # times the usual miss of a fit to two runs: so wide are ranges",
    ]  # fmt: skip
    for n, row in enumerate(rows, 1):
        lines.append(f"way_{n} = [{', '.join(f'{v:.4f}' for v in row)}]")
    return "\n".join(lines) + "\n"


def _without_note(text: str) -> str:
    """The text without what an earlier fit wrote into it."""
    kept, inside = [], False
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            inside = line.startswith(_SECTION)
        if not inside and not line.startswith(_MARK):
            kept.append(line)
    return "".join(kept)
