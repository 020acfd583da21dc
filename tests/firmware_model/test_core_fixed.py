"""The arithmetic of the C core against exact fractions, and its CRC against that of G. Cook's catalogue."""

from __future__ import annotations

import binascii
import ctypes
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import fixed
from firmware_model.core_sources import CORE
from tests.tools import need, run


@pytest.fixture(scope="module")
def core(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """fixed.c as a library of its own."""
    library = tmp_path_factory.mktemp("fixed") / "fixed.so"
    run(*need("gcc"), "-std=c99", "-O2", "-shared", "-fPIC", CORE / "fixed.c", "-o", library)
    loaded = ctypes.CDLL(str(Path(library)))
    for name in ("mul_q12", "mul_div", "round_div", "clamp", "saturate", "abs", "min"):
        getattr(loaded, f"lift_{name}").restype = ctypes.c_int32
    loaded.lift_crc32.restype = loaded.lift_crc32_word.restype = ctypes.c_uint32
    loaded.lift_crc32.argtypes = [ctypes.c_uint32, ctypes.c_uint8]
    loaded.lift_crc32_word.argtypes = [ctypes.c_uint32, ctypes.c_int32]
    return loaded


def half_away(exact: Fraction) -> int:
    """Rounded half away from zero, from the definition."""
    size = abs(exact)
    whole = size.numerator // size.denominator
    if size - whole >= Fraction(1, 2):
        whole += 1
    return -whole if exact < 0 else whole


VALUE = st.integers(-65535, 65535) | st.sampled_from([-65535, -1, 0, 1, 255, 256, 65535])


@given(VALUE, st.integers(0, 65535), st.integers(1, 65535))
def test_mul_div(core: ctypes.CDLL, value: int, one: int, other: int) -> None:
    numerator, denominator = min(one, other), other
    found = core.lift_mul_div(value, numerator, denominator)
    assert found == half_away(Fraction(value * numerator, denominator))
    assert found == fixed.mul_div(value, numerator, denominator)


@given(st.integers(-65534, 65534), st.integers(0, 512000))
def test_mul_q12(core: ctypes.CDLL, value: int, factor: int) -> None:
    found = core.lift_mul_q12(value, factor)
    assert found == half_away(Fraction(value * factor, 4096))
    assert found == fixed.mul_q12(value, factor)


@given(st.integers(-(2**29), 2**29), st.integers(1, 65536))
def test_round_div(core: ctypes.CDLL, value: int, divisor: int) -> None:
    found = core.lift_round_div(value, divisor)
    assert found == half_away(Fraction(value, divisor))
    assert found == fixed.round_div(value, divisor)


def test_saturation(core: ctypes.CDLL) -> None:
    # Clipping to the nearest end of the range, as fixed-point saturation is described for TR 18037.
    for value in range(-70000, 70000, 7):
        assert core.lift_saturate(value) == min(max(value, -32767), 32767) == fixed.saturate(value)
        assert core.lift_clamp(value, -5, 5) == min(max(value, -5), 5)
        assert core.lift_abs(value) == abs(value)
        assert core.lift_min(value, 9) == min(value, 9)


def test_interpolation_against_numpy(core: ctypes.CDLL) -> None:
    # numpy.interp holds the end values outside, as the core does; within half a unit of it.
    axis, values, signed = [3, 10, 400, 60000], [500, 20, 21, 65535], [-32767, -5, 9000, 32767]
    c_axis = (ctypes.c_uint16 * 4)(*axis)
    at = np.arange(-10, 61000, 37)
    lines: list[tuple[Callable[..., int], Any, list[int]]] = [
        (core.lift_interpolate, (ctypes.c_uint16 * 4)(*values), values),
        (core.lift_interpolate_signed, (ctypes.c_int16 * 4)(*signed), signed),
    ]
    for function, c_values, plain in lines:
        found = np.array([function(c_axis, c_values, 4, int(place)) for place in at])
        exact = np.interp(at, axis, plain)
        assert np.abs(found - exact).max() <= 0.5 + 1e-9
        assert [fixed.interpolate(axis, plain, 4, int(place)) for place in at] == found.tolist()


def test_crc(core: ctypes.CDLL) -> None:
    # G. Cook, Catalogue of parametrised CRC algorithms: CRC-32/ISO-HDLC, check of "123456789".
    register = 0xFFFFFFFF
    for byte in b"123456789":
        register = core.lift_crc32(register, byte)
    assert register ^ 0xFFFFFFFF == 0xCBF43926


@given(st.lists(st.integers(-(2**31), 2**31 - 1), max_size=8))
def test_crc_of_words(core: ctypes.CDLL, words: list[int]) -> None:
    register = 0xFFFFFFFF
    for word in words:
        register = core.lift_crc32_word(register, word)
    # binascii.crc32 is zlib's, an independent implementation of the same CRC.
    assert register ^ 0xFFFFFFFF == binascii.crc32(
        b"".join(word.to_bytes(4, "little", signed=True) for word in words)
    )
