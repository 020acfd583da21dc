"""Ceilings written as maps, and maps as the nearest ceilings: another text, with what it changes in words."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.calibration import CalibrationMistakes, compile_text
from bench.errors import UserError
from controller.constants import FULL

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_DIFFERENCES = (8, 12, 20, 35, 60, 100)  # percent: how far the maps of the nearest ceilings may lie from them
_FINE = 8192
_LEAST_MM = 1.0  # between the start of a cut and its full height
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Converted:
    """The new text, and what it changes, a sentence each."""

    text: str
    says: list[str]


def convert(cal: CalibrationFile) -> Converted:
    """A calibration with ceilings as one with maps, and the other way round. Raises UserError where that
    cannot be."""
    return _to_maps(cal) if cal.built.ceilings_mm is not None else _to_ceilings(cal)


def _to_maps(cal: CalibrationFile) -> Converted:
    built = cal.built
    lift = [v / 16 / built.lift_size for v in cal.row("lift_axis")]
    lines = [
        "[maps]",
        f"lift_{_suffix(built.lift_sign)} = {_list(lift)}",
        _progress_line(cal, [float(v) for v in cal.row("progress_axis")], 1 if _by_time(cal) else 10),
        *_table("reduction_percent", cal.map_cells("reduction_map") / 10),
        *_table("retard_deg", cal.map_cells("retard_map") / 10),
    ]
    made = compile_text(replaced(cal.text, "ceilings", lines), cal.path)
    rows, columns = cal.map_cells("reduction_map").shape
    same = made.image == cal.image
    return Converted(
        made.text,
        [
            f"[ceilings] becomes [maps] of {rows} lifts by {columns} points of progress, with every cell as"
            " the controller has it now.",
            "The controller does the same: its image stays as it is, bit for bit."
            if same
            else f"The cells differ from those of now by {_differ(cal, made)}.",
            "Ceilings can no longer be dragged; the comments within [ceilings] go.",
        ],
    )


def _to_ceilings(cal: CalibrationFile) -> Converted:
    built, lines = cal.built, cal.ceilings
    reduction, retard = (int(cal.map_cells(name).max()) for name in ("reduction_map", "retard_map"))
    if not reduction:
        raise UserError("the maps never cut, so there is no ceiling", right="a reduction above 0 somewhere")
    quarter, most = (_reached(cal, "reduction_map", share * reduction) for share in (0.25, 0.75))
    start, full = _filled(quarter - (most - quarter) / 2), _filled(most + (most - quarter) / 2)
    begin = _filled(2 * _reached(cal, "retard_map", retard / 2) - full) if retard else start
    lowest = cal.row("lift_axis")[0] / 16
    digits = 1 if built.lift_size < 5 else 3  # of the file's unit: mm, or something larger
    start, begin = (np.clip(line, lowest, full - _LEAST_MM) for line in (start, begin))
    head = [
        "[ceilings]",
        _progress_line(cal, (lines.progress / built.progress_size).tolist(), 1),
        *(
            f"{name}_{_suffix(built.lift_sign)} = {_list(np.round(line / built.lift_size, digits).tolist())}"
            for name, line in (("retard_from", begin), ("reduction_from", start), ("reduction_full", full))
        ),
        f"greatest_reduction_percent = {reduction / 10:g}",
        f"greatest_retard_deg = {retard / 10:g}",
    ]
    for percent in _DIFFERENCES:
        text = replaced(cal.text, "maps", [*head, f"largest_difference_percent = {percent}"])
        try:
            made = compile_text(text, cal.path)
            break
        except CalibrationMistakes as mistakes:
            if percent == _DIFFERENCES[-1] or "largest_difference" not in str(mistakes):
                raise
    return Converted(
        made.text,
        [
            "[maps] becomes [ceilings]: at each point of progress the straight rise that meets the maps at a"
            " quarter and at three quarters of the greatest cut, and at half of the greatest retard.",
            f"What the controller takes differs from now by {_differ(cal, made)}.",
            "What the maps do between start and full other than a straight line goes, and so do the comments"
            " within [maps].",
        ],
    )


def _reached(cal: CalibrationFile, name: str, value: float) -> Floats:
    """The lift in mm where a map first comes to a value at each point of progress; NaN where it does not."""
    rows = np.asarray(cal.row("lift_axis"), float) / 16
    lifts = np.linspace(rows[0], rows[-1], _FINE)
    found = []
    for column in cal.map_cells(name).T:
        there = np.interp(lifts, rows, column) >= value
        found.append(lifts[there.argmax()] if there.any() else np.nan)
    return np.array(found)


def _filled(line: Floats) -> Floats:
    """A line without the places where a map never cuts: as at the nearest point where it does."""
    known = np.flatnonzero(np.isfinite(line))
    at = np.arange(len(line))
    return np.asarray(line[known[np.abs(at[:, None] - known).argmin(axis=1)]], np.float64)


def _differ(one: CalibrationFile, other: CalibrationFile) -> str:
    """The largest differences of two calibrations' maps, anywhere on them: both are bilinear between the
    points of either, so that they lie at those."""
    lifts, places = (
        np.unique(np.array([*one.row(axis), *other.row(axis)], float))
        for axis in ("lift_axis", "progress_axis")
    )
    most = [
        float(np.abs(_values(one, name, lifts, places) - _values(other, name, lifts, places)).max())
        for name in ("reduction_map", "retard_map")
    ]
    return f"up to {100 * most[0] / FULL:.1f} % of reduction and {most[1] / 10:.1f}° of retard"


def _values(cal: CalibrationFile, name: str, lifts: Floats, places: Floats) -> Floats:
    """A map over lifts and places: straight between its points, the ends held."""
    rows, columns = (np.asarray(cal.row(axis), float) for axis in ("lift_axis", "progress_axis"))
    cells = cal.map_cells(name).astype(float)
    across = np.array([np.interp(places, columns, row) for row in cells])
    return np.array([np.interp(lifts, rows, column) for column in across.T]).T


def _by_time(cal: CalibrationFile) -> bool:
    return cal.progress_unit == "ms"


def _progress_line(cal: CalibrationFile, points: list[float], scale: int) -> str:
    values = [v / scale / cal.built.progress_size for v in points] if scale > 1 else points
    name = "elapsed" if _by_time(cal) else "speed"
    return f"{name}_{_suffix(cal.built.progress_sign)} = {_list(values)}"


def _suffix(sign: str) -> str:
    return {"km/h": "kmh", '"': "in"}.get(sign, sign)


def _list(values: list[float]) -> str:
    return "[" + ", ".join(_short(v) for v in values) + "]"


def _short(value: float) -> str:
    return f"{round(value, 6):.10g}"


def _table(key: str, rows: Floats) -> list[str]:
    return [f"{key} = [", *(f"    {_list(row)}," for row in rows.tolist()), "]"]


def replaced(text: str, section: str, lines: list[str]) -> str:
    """A text with a section's lines replaced; comments that stand before the next section are its."""
    old = lines_of(text)
    start, stop = lines_in(old, section)
    end = "\r\n" if "\r\n" in text else "\n"
    return end.join([*old[:start], *lines, *old[stop:]]) + end


def lines_of(text: str) -> list[str]:
    """The lines of a TOML text; a comment may hold what ends a line elsewhere."""
    return text.replace("\r\n", "\n").removesuffix("\n").split("\n")


def lines_in(lines: list[str], section: str) -> tuple[int, int]:
    """The first line of a section, and that behind its last. UserError where it has no line of its own."""
    heads = [i for i, line in enumerate(lines) if re.match(r"\s*\[", line) and not inside_list(lines, i)]
    start = next((i for i in heads if re.match(rf"\s*\[\s*{re.escape(section)}\s*\]", lines[i])), None)
    if start is None:
        raise UserError(f"[{section}] does not stand on a line of its own", right=f"write it as [{section}]")
    stop = next((i for i in heads if i > start), len(lines))
    while stop > start + 1 and re.match(r"\s*(#|$)", lines[stop - 1]):
        stop -= 1
    return start, stop


def inside_list(lines: list[str], at: int) -> bool:
    """Whether a line that begins with a bracket is a row of a list above it."""
    depth = 0
    for line in lines[:at]:
        bare = re.sub(r"""#.*|"[^"]*"|'[^']*'""", "", line)
        depth += bare.count("[") - bare.count("]")
    return depth > 0
