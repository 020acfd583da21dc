"""What one calibration changes of another, by meaning: comments, order and units make no difference."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.calibration.quantity import Shown, plain, with_sign
from bench.calibration.reader import present_name

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

# section -> base of a list -> base of the list that it goes along with
_ALONG: dict[str, dict[str, tuple[str, ...]]] = {
    "ceilings": dict.fromkeys(("retard_from", "reduction_from", "reduction_full"), ("speed", "elapsed")),
    "progress.expected": {"speed": ("elapsed",)},
    "engine_ceiling": {"speed": ("elapsed",), "reduction": ("over",), "retard": ("over",)},
    "shaft_ceiling": {"speed": ("elapsed",), "reduction": ("over",), "retard": ("over",)},
}
_OFF = "off"  # how a section that is not there is shown


@dataclass(frozen=True)
class Point:
    """One value of a list that differs: its number from 0, where it stands (with unit) if the list goes along
    with another, and both values in the unit of the key."""

    index: int
    at: str
    a: float
    b: float


@dataclass(frozen=True)
class Change:
    """One key that differs. `a` and `b` are numbers, lists of them, words or truth values in the unit that
    `key` names, that of the first calibration where it has the key; None where one of them has no such key.
    `points` where single values of a list differ."""

    key: str
    unit: str
    a: Any
    b: Any
    a_default: bool
    b_default: bool
    points: tuple[Point, ...] = ()

    def text(self, value: Any) -> str:
        """A value as a person would write it; "-" for none."""
        if value is None:
            return "-"
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, list):
            return with_sign(", ".join(plain(one) for one in value), self.unit)
        return value if isinstance(value, str) else with_sign(plain(value), self.unit)


def changes(a: CalibrationFile, b: CalibrationFile) -> list[Change]:
    """What `b` changes of `a`, in the order of `a`. Cells of maps are not among it (see `maps_difference`).

    A word and a number that say the same thing (release = "step", release_percent_per_s) are one change.
    """
    mine, other = _by_meaning(a), _by_meaning(b)
    found: list[tuple[int, Change]] = []
    sections = list(dict.fromkeys(meaning[0] for meaning in (*mine, *other)))
    taken: set[Meaning] = set()
    for meaning, entry in mine.items():
        instead = meaning if meaning in other else _instead(meaning, mine, other)
        if instead is not None:
            taken.add(instead)
        change = _change(entry, other[instead] if instead else None, mine, other)
        if change is not None:
            found.append((sections.index(entry.section), change))
    for meaning, entry in other.items():
        if meaning not in taken:
            key = f"{entry.section}.{entry.key}"
            change = Change(key, _sign(entry), None, entry.value, False, not entry.given)
            found.append((sections.index(entry.section), change))
    return [change for _, change in sorted(found, key=lambda one: one[0])]


Meaning = tuple[str, str, str]


def _by_meaning(calibration: CalibrationFile) -> dict[Meaning, Shown]:
    """Every line by section (its name of today), key without its unit, and kind of unit."""
    lines = [replace(one, section=present_name(one.section)) for one in calibration.shown]
    return {
        (one.section, one.base, one.quantity.unit if one.quantity else ""): one
        for one in lines
        if one.quantity or one.value != _OFF
    }


def _instead(meaning: Meaning, mine: dict[Meaning, Shown], other: dict[Meaning, Shown]) -> Meaning | None:
    """What the other calibration says in the place of a key that only this one has, if it is one thing."""
    only = [one for one in other if one[:2] == meaning[:2] and one not in mine]
    rivals = [one for one in mine if one[:2] == meaning[:2] and one not in other]
    if len(only) != 1 or len(rivals) != 1:
        return None
    # One of them is a word: two kinds of units (counts, volts) cannot be told in one.
    one_word = (mine[meaning].quantity is None) != (other[only[0]].quantity is None)
    return only[0] if one_word else None


def _sign(entry: Shown) -> str:
    return entry.quantity.sign if entry.quantity else ""


def _change(
    a: Shown, b: Shown | None, mine: dict[Meaning, Shown], other: dict[Meaning, Shown]
) -> Change | None:
    key, unit = f"{a.section}.{a.key}", _sign(a)
    if b is None:
        return Change(key, unit, a.value, None, not a.given, False)
    if a.quantity is None or b.quantity is None:
        if a.value == b.value:
            return None
        named = a if a.quantity else b
        key, unit = f"{named.section}.{named.key}", _sign(named)
        return Change(key, unit, a.value, b.value, not a.given, not b.given)
    if a.quantity.values == b.quantity.values:
        return None
    size = a.quantity.size
    values = [_number(value / size) for value in b.quantity.values]
    whole = values if isinstance(a.value, list) else values[0]
    points = tuple(_points(a, b, mine, other)) if isinstance(whole, list) else ()
    return Change(key, unit, a.value, whole, not a.given, not b.given, points)


def _number(exact: Fraction) -> int | float:
    return exact.numerator if exact.denominator == 1 else float(exact)


def _points(a: Shown, b: Shown, mine: dict[Meaning, Shown], other: dict[Meaning, Shown]) -> Iterator[Point]:
    """Single values that differ, where both lists go along with the same one."""
    assert a.quantity is not None
    assert b.quantity is not None
    if len(a.quantity.values) != len(b.quantity.values):
        return
    axes = _ALONG.get(a.section, {}).get(a.base, ())
    axis = next((one for meaning, one in mine.items() if meaning[:2] in [(a.section, x) for x in axes]), None)
    if axis is None or axis.quantity is None:
        return
    theirs = other.get((axis.section, axis.base, axis.quantity.unit))
    if theirs is None or theirs.quantity is None or theirs.quantity.values != axis.quantity.values:
        return
    for i, (x, y) in enumerate(zip(a.quantity.values, b.quantity.values, strict=True)):
        if x != y:
            size = a.quantity.size
            yield Point(i, axis.quantity.written(axis.quantity.values[i]), float(x / size), float(y / size))


@dataclass(frozen=True)
class MapDifference:
    """Where the compiled maps of two calibrations are furthest apart: values in % or degrees, lift in mm,
    progress in km/h or ms."""

    a: float
    b: float
    lift_mm: float
    progress: float


def maps_difference(a: CalibrationFile, b: CalibrationFile) -> dict[str, MapDifference] | None:
    """The greatest difference of the reduction maps and of the retard maps, None where one calibration goes
    by speed and the other by time.

    Both maps are bilinear between the points of their axes, and so is their difference between the points of
    both taken together: it is greatest at one of those.
    """
    if a.progress_unit != b.progress_unit:
        return None
    lift, progress = points_of_both(a, b)
    scale = 1 if a.progress_unit == "ms" else 10
    found = {}
    for name in ("reduction_map", "retard_map"):
        mine, theirs = map_on(a, name, lift, progress), map_on(b, name, lift, progress)
        i, j = np.unravel_index(int(np.abs(mine - theirs).argmax()), mine.shape)
        found[name.removesuffix("_map")] = MapDifference(
            round(float(mine[i, j]) / 10, 4), round(float(theirs[i, j]) / 10, 4),
            float(lift[i]) / 16, float(progress[j]) / scale,
        )  # fmt: skip
    return found


Floats = npt.NDArray[np.float64]


def points_of_both(a: CalibrationFile, b: CalibrationFile) -> tuple[Floats, Floats]:
    """The points of two calibrations' axes taken together: lifts and progresses as in their images."""
    lift = np.union1d(a.row("lift_axis"), b.row("lift_axis")).astype(float)
    return lift, np.union1d(a.row("progress_axis"), b.row("progress_axis")).astype(float)


def map_on(calibration: CalibrationFile, name: str, lift: Floats, progress: Floats) -> Floats:
    """A map at other points: float64[lifts, progresses]; end values held outside."""
    cells = calibration.map_cells(name).astype(float)
    rows = np.array([np.interp(progress, calibration.row("progress_axis"), row) for row in cells])
    columns = [np.interp(lift, calibration.row("lift_axis"), column) for column in rows.T]
    return np.array(columns).T
