"""Lists of a calibration that a sweep varies as a whole or in one point: a ceiling moved, scaled, bent.

After the key of a list stands what is done to it: `.shift` adds to each of its numbers, `.scale` multiplies
them, and a number is the point that takes a value, counted from 1. `ceilings.all_mm` is every line of lifts
in [ceilings]."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NamedTuple

from bench import units
from bench.calibration.quantity import unit_after
from bench.calibration.rewrite import in_unit_of_file
from bench.errors import UserError

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SHIFT, SCALE = "shift", "scale"
ALL = "ceilings.all"


class LineKey(NamedTuple):
    """A key that varies a list: the list's own dotted key, and what is done (SHIFT, SCALE or a point's number
    from 1)."""

    base: str
    what: str


def split(key: str) -> LineKey | None:
    """A key as one of a list; None where it is another one."""
    base, _, what = key.rpartition(".")
    return LineKey(base, what) if base and (what in (SHIFT, SCALE) or what.isdecimal()) else None


def in_file(key: LineKey, calibration: CalibrationFile) -> Fraction:
    """The value that leaves a list as the file has it. UserError where there is no such list or point."""
    lines = [_line(one, calibration) for one in _lists(key, calibration)]
    if key.what in (SHIFT, SCALE):
        return Fraction(0 if key.what == SHIFT else 1)
    if key.base.startswith(ALL):
        raise UserError(f"--vary {key.base}.{key.what} is a point of several lines", right="name one of them")
    (values,) = lines
    if not 1 <= int(key.what) <= len(values):
        what = f"--vary {key.base}.{key.what}: the line has {len(values)} points"
        raise UserError(what, right=f"1 to {len(values)}")
    return values[int(key.what) - 1]


def changed(
    key: LineKey, value: Fraction, calibration: CalibrationFile, before: Mapping[str, Any]
) -> dict[str, list[int | float]]:
    """What to write for a value, by the lists' keys; `before` are changes made already, which it adds to."""
    found = {}
    for one in _lists(key, calibration):
        there = before.get(one)
        values = _line(one, calibration) if there is None else [Fraction(repr(v)) for v in there]
        if key.what == SHIFT:
            values = [v + value for v in values]
        elif key.what == SCALE:
            values = [v * value for v in values]
        else:
            values[int(key.what) - 1] = value
        found[one] = [v.numerator if v.denominator == 1 else float(v) for v in values]
    return found


def _lists(key: LineKey, calibration: CalibrationFile) -> list[str]:
    """The dotted keys of the lists that a key means, each in the key's unit."""
    if not key.base.startswith(ALL):
        return [key.base]
    unit = unit_after(key.base, ALL)
    if unit is None or units.kind_of(unit[0]) != units.LENGTH:
        raise UserError(f"--vary {key.base} names no length", right=f"{ALL}_mm.shift or {ALL}_mm.scale")
    suffix = key.base.removeprefix(ALL)
    table = tomllib.loads(calibration.text).get("ceilings", {})
    found = [
        f"ceilings.{parts[0]}{suffix}"
        for name, value in table.items()
        if isinstance(value, list) and (parts := units.split_suffix(name)) and _is_length(name, parts[0])
    ]
    if not found:
        raise UserError(f"--vary {key.base}: {calibration.path} has no [ceilings]", right="name a key it has")
    return found


def _is_length(name: str, base: str) -> bool:
    unit = unit_after(name, base)
    return unit is not None and units.kind_of(unit[0]) == units.LENGTH


def _line(key: str, calibration: CalibrationFile) -> list[Fraction]:
    """The numbers of a list in the unit of its key."""
    content: Any = tomllib.loads(calibration.text)
    *sections, last = key.split(".")
    for section in sections:
        content = content.get(section) if isinstance(content, dict) else None
    content = content if isinstance(content, dict) else {}
    there, factor = in_unit_of_file(content, last)
    values = content.get(there)
    if not isinstance(values, list) or not all(type(v) in (int, float) for v in values):
        right = "a key with a list of numbers, such as ceilings.reduction_from_mm.shift"
        raise UserError(f"--vary: {calibration.path} has no line {key}", right=right)
    return [Fraction(repr(v)) / factor for v in values]
