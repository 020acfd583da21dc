"""Units as loggers and people write them, and exact conversion between them.

The conversion factors are pint's, asked for as exact fractions (1 in = 25.4 mm and 1 mile = 1609.344 m by
definition); pint is loaded only when two different units meet, because loading it takes a third of a second.
"""

from __future__ import annotations

import functools
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

LENGTH = "height-length"
VOLTAGE = "voltage"
COUNTS = "counts"
SPEED = "speed"
ROTATION = "rotation"
TIME = "time"
FRACTION = "fraction"
ANGLE = "angle"
SWITCH = "switch"
CYLINDERS = "cylinders"
MASS = "mass"
INERTIA = "moment of inertia"
STIFFNESS = "stiffness"
DAMPING = "damping"
TORQUE = "torque"
AREA = "area"
DENSITY = "density"

# canonical name -> (kind, pint's name)
_UNITS: dict[str, tuple[str, str]] = {
    "mm": (LENGTH, "millimeter"),
    "cm": (LENGTH, "centimeter"),
    "m": (LENGTH, "meter"),
    "um": (LENGTH, "micrometer"),
    "in": (LENGTH, "inch"),
    "ft": (LENGTH, "foot"),
    "V": (VOLTAGE, "volt"),
    "mV": (VOLTAGE, "millivolt"),
    "count": (COUNTS, "count"),
    "km/h": (SPEED, "kilometer / hour"),
    "mph": (SPEED, "mile / hour"),
    "m/s": (SPEED, "meter / second"),
    "ft/s": (SPEED, "foot / second"),
    "kt": (SPEED, "knot"),
    "rpm": (ROTATION, "revolution / minute"),
    "krpm": (ROTATION, "kilorevolution / minute"),
    "rps": (ROTATION, "revolution / second"),
    "s": (TIME, "second"),
    "ms": (TIME, "millisecond"),
    "us": (TIME, "microsecond"),
    "ns": (TIME, "nanosecond"),
    "min": (TIME, "minute"),
    "%": (FRACTION, "percent"),
    "permille": (FRACTION, "permille"),
    "1/1": (FRACTION, "dimensionless"),
    "deg": (ANGLE, "degree"),
    "bool": (SWITCH, "dimensionless"),
    "cylinders": (CYLINDERS, "dimensionless"),
}

# what is written in files -> canonical name; looked up as written first, then without regard to case
_SPELLINGS: dict[str, str] = {name: name for name in _UNITS} | {
    text: name
    for name, texts in {
        "mm": "millimeter millimeters millimetre millimetres",
        "cm": "centimeter centimeters centimetre centimetres",
        "m": "meter meters metre metres",
        "um": "µm μm micron microns",
        "in": "inch inches \" in. ″ ''",
        "ft": "foot feet ft. ′ '",
        "V": "volt volts vdc",
        "mV": "millivolt millivolts",
        "count": "counts adc lsb raw digit digits cnt cts",
        "km/h": "kmh kph kmph km/hr kmh-1",
        "mph": "mi/h mile/h miles/h mi/hr",
        "m/s": "mps m/sec ms-1 m·s-1",
        "ft/s": "fps ft/sec",
        "kt": "knot knots kts",
        "rpm": "1/min r/min rev/min u/min min-1 /min revs",
        "krpm": "rpm*1000 rpm/1000 rpmx1000 x1000rpm 1000rpm 1000/min k-rpm",
        "rps": "rev/s r/s",
        "s": "sec secs second seconds",
        "ms": "msec millisecond milliseconds",
        "us": "µs μs usec microsecond microseconds",
        "ns": "nsec nanosecond nanoseconds",
        "min": "minute minutes mins",
        "%": "percent pct",
        "permille": "‰ promille per-mille",
        "1/1": "ratio share fraction",
        "deg": "° degree degrees °ca °crk degca",
        "bool": "boolean on/off 0/1 flag switch logic",
        "cylinders": "cyl cyls cylinder",
    }.items()
    for text in texts.split()
}
_FOLDED = {text.casefold(): name for text, name in reversed(_SPELLINGS.items())}

# units of a car's parameters; no column of a trace has one
_UNITS |= {
    "kg": (MASS, "kilogram"),
    "lb": (MASS, "pound"),
    "kg m2": (INERTIA, "kilogram * meter ** 2"),
    "N/mm": (STIFFNESS, "newton / millimeter"),
    "lb/in": (STIFFNESS, "force_pound / inch"),
    "N s/m": (DAMPING, "newton * second / meter"),
    "N m": (TORQUE, "newton * meter"),
    "lb ft": (TORQUE, "force_pound * foot"),
    "m2": (AREA, "meter ** 2"),
    "kg/m3": (DENSITY, "kilogram / meter ** 3"),
}

# suffix of a key in a calibration or vehicle file -> unit
SUFFIXES: dict[str, str] = {
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "in": "in",
    "ft": "ft",
    "v": "V",
    "mv": "mV",
    "counts": "count",
    "kmh": "km/h",
    "mph": "mph",
    "mps": "m/s",
    "fps": "ft/s",
    "rpm": "rpm",
    "s": "s",
    "ms": "ms",
    "us": "us",
    "percent": "%",
    "permille": "permille",
    "deg": "deg",
}
SUFFIXES |= {f"{suffix}_per_s": f"{unit}/s" for suffix, unit in SUFFIXES.items() if unit != "s"}
SUFFIXES |= {
    "kg": "kg",
    "lb": "lb",
    "kgm2": "kg m2",
    "n_per_mm": "N/mm",
    "lb_per_in": "lb/in",
    "ns_per_m": "N s/m",
    "nm": "N m",
    "lbft": "lb ft",
    "m2": "m2",
    "kg_per_m3": "kg/m3",
}


def parse_unit(text: str) -> str | None:
    """The canonical name of a unit as written in a file, or None where it is not one this project knows.

    Surrounding blanks and one pair of brackets are ignored: "[mm]", "(KM/H)" and " ° " are all understood.
    """
    text = text.strip()
    if len(text) > 2 and (text[0] + text[-1]) in ("[]", "()", "{}", "<>"):
        text = text[1:-1].strip()
    return _SPELLINGS.get(text) or _FOLDED.get(text.casefold())


def kind_of(unit: str) -> str:
    """The kind of a canonical unit ("mm" -> "height-length"). A unit per second of no own kind is "... rate".

    Raises ValueError for a unit that is not canonical.
    """
    if unit in _UNITS:
        return _UNITS[unit][0]
    if unit.endswith("/s") and unit[:-2] in _UNITS:
        kind = _UNITS[unit[:-2]][0]
        return SPEED if kind == LENGTH else f"{kind} rate"
    raise ValueError(f"unknown unit {unit!r}")


@functools.cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


def _pint_name(unit: str) -> str:
    return _UNITS[unit][1] if unit in _UNITS else f"({_UNITS[unit[:-2]][1]}) / second"


# Exact too, and without the library of units, which takes half a second to load.
_KNOWN = {
    ("mm", "m"): Fraction(1, 1000),
    ("in", "m"): Fraction(254, 10_000),
    ("ft", "m"): Fraction(3048, 10_000),
    ("ft/s", "m/s"): Fraction(3048, 10_000),
}


@functools.cache
def factor(from_unit: str, to_unit: str) -> Fraction:
    """How many `to_unit` one `from_unit` is, exactly. Raises ValueError where they are of different kinds."""
    kinds = kind_of(from_unit), kind_of(to_unit)
    if kinds[0] != kinds[1]:
        raise ValueError(f"{from_unit} is a {kinds[0]} and {to_unit} a {kinds[1]}")
    if from_unit == to_unit:
        return Fraction(1)
    if (from_unit, to_unit) in _KNOWN:
        return _KNOWN[from_unit, to_unit]
    return Fraction(_registry().convert(Fraction(1), _pint_name(from_unit), _pint_name(to_unit)))


def convert(values: npt.ArrayLike, from_unit: str, to_unit: str) -> npt.NDArray[np.float64]:
    """`values` (any shape, float64) in `to_unit`.

    The factor is an exact fraction, applied as one multiplication and one division by whole numbers, so a
    result is within one rounding of each of the exact one (20 ms is 0.02 s to the last bit). Units are
    canonical names; ValueError where they are of different kinds.
    """
    import numpy as np

    ratio = factor(from_unit, to_unit)
    result = np.asarray(values, dtype=np.float64)
    if ratio.numerator != 1:
        result = result * float(ratio.numerator)
    if ratio.denominator != 1:
        result = result / float(ratio.denominator)
    return result


def convert_suffix(value: int | float | Decimal | Fraction, suffix: str, to_unit: str) -> Fraction:
    """The value of a key that ends in `suffix` (see SUFFIXES), in `to_unit`, exactly.

    A float stands for the decimal it is written as: 0.1 is one tenth. Raises ValueError for an unknown
    suffix, for units of different kinds and for a value that is not finite."""
    if suffix not in SUFFIXES:
        raise ValueError(f"unknown unit suffix {suffix!r}")
    exact = Decimal(repr(value)) if isinstance(value, float) else value
    if isinstance(exact, Decimal) and not exact.is_finite():
        raise ValueError(f"{value} is not a number")
    return Fraction(exact) * factor(SUFFIXES[suffix], to_unit)


def split_suffix(key: str) -> tuple[str, str] | None:
    """("hold", "ms") for "hold_ms", the longest suffix first; None where the key names no unit."""
    parts = key.split("_")
    for start in range(1, len(parts)):
        suffix = "_".join(parts[start:])
        if suffix in SUFFIXES:
            return "_".join(parts[:start]), suffix
    return None
