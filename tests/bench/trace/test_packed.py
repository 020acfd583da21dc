"""Packed columns against numpy's own arrays."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.trace import packed
from bench.trace.packed import Packed, distinct, each, each_packed

KINDS = [np.uint8, np.int16, np.uint16, np.uint32, np.int32, np.float32, np.bool_]
Array = npt.NDArray[Any]


def made(values: Array, cut: int = 7) -> Packed:
    column = Packed(values.dtype)
    for start in range(0, len(values), cut):
        column.add(values[start : start + cut])
    return column


@pytest.fixture(autouse=True, scope="module")
def small() -> Any:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(packed, "_BLOCK", 16)
        patched.setattr(packed, "MOST_PLAIN", 40)
        yield


@st.composite
def arrays(draw: st.DrawFn) -> Array:
    kind = draw(st.sampled_from(KINDS))
    runs = draw(st.lists(st.tuples(st.integers(0, 200), st.integers(1, 40)), max_size=8))
    values = np.concatenate([np.full(count, value) for value, count in runs] or [np.empty(0, int)])
    if draw(st.booleans()) and len(values):
        values[:: draw(st.integers(1, 5))] ^= 1
    return values.astype(kind)


@given(arrays(), st.data())
def test_it_reads_like_an_array(values: Array, data: st.DataObject) -> None:
    column = made(values, data.draw(st.integers(1, 50)))
    n = len(values)
    place = st.integers(-n - 3, n + 3) | st.none()
    part = slice(data.draw(place), data.draw(place), data.draw(st.sampled_from([None, 1, -1, 3])))
    assert len(column) == n
    assert np.array_equal(np.asarray(column), values)
    assert np.array_equal(np.asarray(column[part]), values[part])
    mask = np.arange(n) % data.draw(st.integers(1, 4)) == 0
    assert np.array_equal(column[mask], values[mask])
    if n:
        places = np.array(data.draw(st.lists(st.integers(-n, n - 1), max_size=5)), int)
        assert np.array_equal(column[places], values[places])
        assert column[n - 1] == column[-1] == values[-1]
        inside = column[part]
        if isinstance(inside, Packed) and len(inside):
            assert np.array_equal(inside[1:-1], values[part][1:-1])
    assert distinct(column) == sorted({int(v) for v in values})


OPERATIONS: list[Callable[[Any], Any]] = [
    lambda a: a > 3,
    lambda a: a != 0,
    lambda a: a[1:] != a[:-1],
    lambda a: a / 10,
    lambda a: (a == a.max()) & (a >= a.min()),
    lambda a: int(a.argmax()),
    np.argmax,
    lambda a: a.any() and a.all(),
    lambda a: a.sum(dtype=np.int64),
    lambda a: np.fmax.reduce(a) - np.fmin.reduce(a),
    lambda a: np.maximum.reduceat(a, [0, len(a) // 2]),
    lambda a: a.astype(np.float64),
]


@pytest.mark.parametrize("operation", OPERATIONS)
@given(arrays().filter(lambda values: len(values) and values.dtype != np.bool_))
def test_it_reckons_like_an_array(operation: Callable[[Any], Any], values: Array) -> None:
    found, right = operation(made(values)), operation(values)
    assert np.array_equal(found, right)
    assert np.asarray(found).dtype == np.asarray(right).dtype


def test_nan_is_kept() -> None:
    values = np.array([np.nan, 1.5] * 30, np.float32)
    column = made(values)
    assert np.array_equal(np.asarray(column), values, equal_nan=True)
    assert np.fmax.reduce(column) == 1.5
    assert np.array_equal(np.isfinite(column), np.isfinite(values))


def test_functions_of_several_columns() -> None:
    a, b = np.arange(100, dtype=np.int16), np.arange(100, dtype=np.uint16) % 7

    def both(one: Any, other: Any, more: int) -> Any:
        return np.where(other > 2, one, more)

    right = both(a, b, 5)
    assert np.array_equal(each(both, made(a), b, 5), right)
    kept = each_packed(both, a, made(b), 5)
    assert isinstance(kept, Packed)
    assert np.array_equal(np.asarray(kept), right)
    assert isinstance(each_packed(both, a, b, 5), np.ndarray)


def test_what_repeats_takes_little() -> None:
    column = made(np.repeat(np.arange(20, dtype=np.uint16), 16), 320)
    assert all(isinstance(block, np.generic) for block in column._blocks)
    with pytest.raises(IndexError):
        column[320]
