"""The numbers of a calibration: values in a canonical unit, and how a person wrote and reads them."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from bench import units
from bench.calibration.lines import Path

# What is suggested where a key names no unit or one of another kind.
USUAL = {
    "mm": "mm",
    "km/h": "kmh",
    "ms": "ms",
    "%": "percent",
    "deg": "deg",
    "rpm": "rpm",
    "count": "counts",
    "V": "v",
    "mm/s": "mm_per_s",
    "km/h/s": "kmh_per_s",
    "%/s": "percent_per_s",
    "deg/s": "deg_per_s",
    "kg": "kg",
    "kg m2": "kgm2",
    "N/mm": "n_per_mm",
    "N s/m": "ns_per_m",
    "N m": "nm",
    "m2": "m2",
    "kg/m3": "kg_per_m3",
}


SIGNS = {"%": "%", "count": "counts"}


@dataclass
class Quantity:
    """One or several numbers of one key (or of one row of a table), in a canonical unit.

    `size` is one written unit in `unit`; `sign` names the written unit in messages. `good` turns False when a
    mistake was found, so that one mistake is not reported again by what depends on it.
    """

    path: Path
    values: tuple[Fraction, ...]
    unit: str
    size: Fraction
    sign: str
    given: bool = True
    good: bool = True

    @property
    def value(self) -> Fraction:
        """The only number."""
        return self.values[0]

    def written(self, value: Fraction | float) -> str:
        """A value of the canonical unit as a person would write it in the unit of this key."""
        return with_sign(plain(value / self.size), self.sign)


@dataclass(frozen=True)
class Shown:
    """One line of a calibration as `show` prints it: a quantity, of `several` numbers or of one, or a `word`
    (true or false, too). `base` is the key without its unit."""

    section: str
    key: str
    given: bool
    quantity: Quantity | None = None
    several: bool = False
    word: str | bool = ""
    base: str = ""

    @property
    def text(self) -> str:
        """As a person reads it."""
        q = self.quantity
        if q is None:
            return str(self.word).lower() if isinstance(self.word, bool) else self.word
        return with_sign(", ".join(plain(value / q.size) for value in q.values), q.sign)

    @property
    def value(self) -> Any:
        """What a file would say: numbers in the unit of the key, true or false, or a word."""
        q = self.quantity
        if q is None:
            return self.word
        numbers = [_number(number / q.size) for number in q.values]
        return numbers if self.several else numbers[0]


def _number(exact: Fraction) -> int | float:
    return exact.numerator if exact.denominator == 1 else float(exact)


@dataclass
class Table:
    """Rows of numbers of one key."""

    path: Path
    rows: list[Quantity]
    good: bool = True


def plain(value: Fraction | float) -> str:
    """A number without superfluous digits."""
    return f"{float(value):.6g}"


def with_sign(number: str, sign: str) -> str:
    """A number with its unit."""
    return f"{number} {sign}" if sign else number


def nearest(exact: Fraction) -> int:
    """The whole number next to a fraction, half away from zero."""
    size = (2 * abs(exact) + 1) // 2
    return int(size if exact >= 0 else -size)


def limit_text(q: Quantity, scale: Fraction, limit: int) -> str:
    """A limit in the unit of a key, with no more digits than it needs to compile to just that limit."""
    exact = limit / scale / q.size
    for digits in range(1, 15):
        short = f"{float(exact):.{digits}g}"
        if nearest(Fraction(short) * q.size * scale) == limit:
            return with_sign(plain(Fraction(short)), q.sign)
    return q.written(limit / scale)


def in_unit(q: Quantity, unit: str, factor: Fraction) -> Quantity:
    """A quantity in another canonical unit of the same meaning (volts as counts)."""
    values = tuple(value * factor for value in q.values)
    return replace(q, values=values, unit=unit, size=q.size * factor)


def named(base: str, unit: str) -> str:
    """A key as it is usually written: with its unit, if it has one."""
    return f"{base}_{USUAL[unit]}" if unit else base


def kind_name(unit: str) -> str:
    """What a unit measures, in one word."""
    return units.kind_of(unit).replace("height-", "")


@functools.cache
def unit_after(key: str, base: str) -> tuple[str, Fraction, str] | None:
    """The canonical unit that a key names after its base, how many of it, and its sign; None if no unit."""
    if not key.startswith(base + "_"):
        return None
    suffix = key[len(base) + 1 :]
    if suffix in units.SUFFIXES:
        unit = units.SUFFIXES[suffix]
        return unit, Fraction(1), SIGNS.get(unit, unit)
    if suffix.endswith("_per_ms") and suffix[:-2] + "s" in units.SUFFIXES:
        unit = units.SUFFIXES[suffix[:-2] + "s"]
        return unit, Fraction(1000), f"{unit[:-2]}/ms"
    return None
