"""Units: spelling, kinds, exact conversion."""

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.units import (
    _KNOWN,
    SUFFIXES,
    _pint_name,
    convert,
    convert_suffix,
    factor,
    kind_of,
    parse_unit,
    split_suffix,
)

SPELLINGS = {
    "mm": "mm",
    "M": "m",
    "cm": "cm",
    "in": "in",
    "inch": "in",
    '"': "in",
    "ft": "ft",
    "V": "V",
    "mV": "mV",
    "Volt": "V",
    "count": "count",
    "counts": "count",
    "ADC": "count",
    "lsb": "count",
    "km/h": "km/h",
    "KMH": "km/h",
    "kph": "km/h",
    "mph": "mph",
    "m/s": "m/s",
    "ft/s": "ft/s",
    "rpm": "rpm",
    "1/min": "rpm",
    "s": "s",
    "sec": "s",
    "ms": "ms",
    "us": "us",
    "µs": "us",
    "%": "%",
    "permille": "permille",
    "‰": "permille",
    "1/1": "1/1",
    "deg": "deg",
    "°": "deg",
    "bool": "bool",
    "[mm]": "mm",
    " (km/h) ": "km/h",
}


@pytest.mark.parametrize(("text", "unit"), SPELLINGS.items())
def test_what_loggers_write_is_understood(text, unit):
    assert parse_unit(text) == unit


@pytest.mark.parametrize("text", ["", "furlong", "height", "t", "[]", "mm mm", "\x1b[31m"])
def test_anything_else_is_no_unit(text):
    assert parse_unit(text) is None


def test_kinds():
    kinds = {
        "mm": "height-length",
        "V": "voltage",
        "count": "counts",
        "mph": "speed",
        "rpm": "rotation",
        "ms": "time",
        "permille": "fraction",
        "deg": "angle",
        "bool": "switch",
        "mm/s": "speed",
        "%/s": "fraction rate",
    }
    assert {unit: kind_of(unit) for unit in kinds} == kinds
    with pytest.raises(ValueError, match="furlong"):
        kind_of("furlong")


# International yard and pound agreement of 1959: 1 yard = 0.9144 m exactly: 1 in = 25.4 mm, 1 ft = 304.8 mm
# and 1 mile = 1609.344 m. Hour and minute, percent and per mille: SI Brochure (9th edition) and ISO 80000-1.
EXACT = [
    ("in", "mm", "25.4"),
    ("ft", "mm", "304.8"),
    ("ft", "in", "12"),
    ("m", "mm", "1000"),
    ("cm", "mm", "10"),
    ("um", "mm", "0.001"),
    ("mph", "km/h", "1.609344"),
    ("m/s", "km/h", "3.6"),
    ("ft/s", "km/h", "1.09728"),
    ("ms", "s", "0.001"),
    ("us", "s", "0.000001"),
    ("ns", "s", "0.000000001"),
    ("min", "s", "60"),
    ("mV", "V", "0.001"),
    ("rps", "rpm", "60"),
    ("permille", "%", "0.1"),
    ("1/1", "%", "100"),
    ("mm", "mm", "1"),
]


@pytest.mark.parametrize(("given_unit", "wanted", "ratio"), EXACT)
def test_factors_are_exact(given_unit, wanted, ratio):
    assert factor(given_unit, wanted) == Fraction(ratio)
    assert factor(wanted, given_unit) == 1 / Fraction(ratio)


def test_what_is_known_without_the_library_is_what_it_says():
    convert_exactly = pint.UnitRegistry(non_int_type=Fraction).convert  # once: it takes a while to load
    for pair, known in _KNOWN.items():
        assert known == factor(*pair) == convert_exactly(Fraction(1), *map(_pint_name, pair)), pair


@pytest.mark.parametrize(("a", "b"), [("mm", "V"), ("rpm", "deg"), ("%", "bool"), ("s", "mm"), ("%/s", "%")])
def test_kinds_do_not_mix(a, b):
    with pytest.raises(ValueError, match=a):
        factor(a, b)


def test_arrays_keep_their_shape_and_milliseconds_are_exact():
    values = np.array([[0.0, 20.0], [140.0, np.nan]])
    seconds = convert(values, "ms", "s")
    assert seconds.shape == (2, 2)
    assert seconds.tolist()[0] == [0.0, 0.02]
    assert seconds[1, 0] == 0.14
    assert np.isnan(seconds[1, 1])
    assert convert([1, 2], "in", "mm").tolist() == [25.4, 50.8]


@settings(max_examples=60)
@given(
    st.floats(-1e9, 1e9),
    st.sampled_from([(a, b) for a, b, _ in EXACT] + [(b, a) for a, b, _ in EXACT]),
)
def test_conversion_is_the_exact_value_within_two_roundings(value, pair):
    exact = Fraction(value) * factor(*pair)
    got = float(convert(value, *pair))
    assert abs(Fraction(got) - exact) <= 2 * Fraction(np.spacing(abs(got)))


def test_suffixes_mean_what_they_say():
    # 1 in = 25.4 mm and 1 mile = 1609.344 m: see EXACT
    assert convert_suffix(3.5, "in", "mm") == Fraction("88.9")
    assert convert_suffix(60, "mph", "km/h") == Fraction("96.56064")
    assert convert_suffix(660, "ft", "m") == Fraction("201.168")
    assert convert_suffix(0.1, "ms", "us") == 100
    assert convert_suffix(Decimal("0.3"), "s", "ms") == 300
    assert convert_suffix(250, "percent_per_s", "permille/s") == 2500
    assert convert_suffix(2, "in_per_s", "mm/s") == Fraction("50.8")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN")])
def test_a_suffix_wants_a_number(value):
    with pytest.raises(ValueError, match="number"):
        convert_suffix(value, "mm", "mm")


def test_every_suffix_has_a_unit_of_known_kind():
    for suffix, unit in SUFFIXES.items():
        assert kind_of(unit)
        assert convert_suffix(1, suffix, unit) == 1
    with pytest.raises(ValueError, match="furlong"):
        convert_suffix(1, "furlong", "mm")


@pytest.mark.parametrize(
    ("key", "parts"),
    [
        ("hold_ms", ("hold", "ms")),
        ("lift_in", ("lift", "in")),
        ("spin_up_s", ("spin_up", "s")),
        ("release_percent_per_s", ("release", "percent_per_s")),
        ("cylinders", None),
        ("firing_order", None),
        ("mm", None),
    ],
)
def test_a_key_splits_at_its_unit(key, parts):
    assert split_suffix(key) == parts
