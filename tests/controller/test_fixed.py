"""Integer arithmetic of the controller: rounding, saturation, interpolation, CRC."""

import binascii
import struct
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import crcmod.predefined
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from controller import fixed
from controller.constants import LIFT_LIMIT
from tests.hostile import LIMIT, Bounded


def half_away(value: Fraction) -> int:
    """Rounded half away from zero by the decimal module (ROUND_HALF_UP ties away from zero).

    Outside source: General Decimal Arithmetic, "round-half-up", as in Python's decimal. The quotient
    is exact in decimal where it decides: a tie has a finite expansion, and 60 digits tell all others.
    """
    quotient = Decimal(value.numerator) / Decimal(value.denominator)
    return int(quotient.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def test_the_bounded_integer_notices() -> None:
    assert Bounded(1 << 15) * (1 << 14) == 1 << 29
    for too_large in (
        lambda: Bounded(1 << 15) * (1 << 15),
        lambda: (1 << 15) * Bounded(1 << 15),
        lambda: Bounded(LIMIT - 1) + 1,
        lambda: 1 - Bounded(1 - LIMIT) + 1,
        lambda: Bounded(1) << 30,
        lambda: 1 << Bounded(30),
        lambda: (Bounded(LIMIT - 1) // 1 % LIMIT & -1) + 1,
        lambda: abs(-Bounded(LIMIT - 1)) + 1,
        lambda: max(Bounded(LIMIT - 1), 0) + 1,
    ):
        with pytest.raises(AssertionError):
            too_large()


@given(st.integers(-(2**40), 2**40), st.integers(-1000, 1000), st.integers(0, 2000))
def test_clamp_is_numpy_clip(value: int, least: int, width: int) -> None:
    assert fixed.clamp(value, least, least + width) == np.clip(value, least, least + width)


def test_saturation_clips_to_the_nearest_end() -> None:
    # Saturation in Q15 as draft N1169 of ISO/IEC TR 18037 has it for _Sat: clip to the nearest end; the
    # examples were computed from that. Ours is symmetrical: the least value is -32767, not -32768.
    assert fixed.saturate(0x7000 + 0x2000) == 0x7FFF
    assert fixed.saturate(0 - -0x8000) == 0x7FFF
    assert fixed.saturate(fixed.mul_div(0x8000, 0x8000, 0x8000)) == 0x7FFF
    assert fixed.saturate(-0x8000) == -0x7FFF
    assert fixed.saturate(LIFT_LIMIT) == LIFT_LIMIT == 0x7FFF
    assert fixed.saturate(-123) == -123


def test_fractions_of_known_value() -> None:
    # Q15: 0x4000 * 0x4000 -> 0x2000 (computed), and +24576 is 0.75 (a chip vendor's math manual).
    assert fixed.mul_div(0x4000, 0x4000, 0x8000) == 0x2000
    assert fixed.mul_div(1000, 24576, 0x8000) == 750
    # Arm DUI 0066G 4.7.9: signed Q4.12 counts the sign, so 1.0 is 4096 and the least is -8.
    assert fixed.mul_q12(12345, 4096) == 12345
    assert fixed.mul_q12(-8, 4096 // 2) == -4
    # The same manual: Q2.13 of 3.14159 is 25735.9, so 0x6488.
    assert fixed.mul_div(65535, 25736, 65535) == 0x6488
    assert fixed.mul_q12(round(3.14159 * 4096), 8192) == 0x6488


@pytest.mark.parametrize(("value", "expected"), [(1, 1), (-1, -1), (3, 2), (-3, -2), (2, 1), (0, 0)])
def test_halves_go_away_from_zero(value: int, expected: int) -> None:
    assert fixed.mul_q12(value, 2048) == expected
    assert fixed.mul_div(value, 1, 2) == expected


@given(st.integers(-(2**22) + 1, 2**22 - 1), st.integers(0, 512000))
def test_mul_q12_is_exact_and_rounds_half_away(value: int, factor: int) -> None:
    factor = min(factor, (LIMIT // max(abs(value), 1)) * 256 - 256)
    got = fixed.mul_q12(Bounded(value), Bounded(max(factor, 0)))
    assert got == half_away(Fraction(value * max(factor, 0), 4096))


@given(st.integers(-65535, 65535), st.integers(1, 65535), st.data())
def test_mul_div_is_exact_and_rounds_half_away(value: int, denominator: int, data: st.DataObject) -> None:
    numerator = data.draw(st.integers(0, denominator))
    got = fixed.mul_div(Bounded(value), Bounded(numerator), Bounded(denominator))
    assert got == half_away(Fraction(value * numerator, denominator))


def test_products_stay_below_2_to_the_30_at_their_limits() -> None:
    for value in (2**22 - 1, 1 - 2**22):
        assert fixed.mul_q12(Bounded(value), Bounded(65535)) == half_away(Fraction(value * 65535, 4096))
    assert fixed.mul_div(Bounded(-65535), Bounded(65535), Bounded(65535)) == -65535
    assert fixed.mul_div(Bounded(65535), Bounded(65534), Bounded(65535)) == 65534


lines = st.lists(
    st.tuples(st.integers(0, 65535), st.integers(-32767, 32767)),
    min_size=2,
    max_size=16,
    unique_by=lambda point: point[0],
).map(sorted)


@pytest.mark.rule("H1")
@given(lines, st.lists(st.integers(-70000, 140000), min_size=1, max_size=20))
def test_interpolation_is_the_broken_line(line: list[tuple[int, int]], places: list[int]) -> None:
    axis = [x for x, _ in line]
    heights = [y for _, y in line]
    # Outside source: numpy.interp (ends held) and scipy's RegularGridInterpolator inside the axis.
    exact = np.interp(places, axis, heights)
    clipped = np.clip(places, axis[0], axis[-1])
    again = RegularGridInterpolator((axis,), heights)(clipped[:, None])
    padding = [0] * (16 - len(line))
    bounded_axis = [Bounded(x) for x in axis + padding]
    bounded_heights = [Bounded(y) for y in heights + padding]
    for place, first, second in zip(places, exact, again, strict=True):
        got = int(fixed.interpolate(bounded_axis, bounded_heights, len(line), place))
        assert abs(got - first) <= 0.5 + 1e-6
        assert abs(got - second) <= 0.5 + 1e-6
    for x, y in line:
        assert fixed.interpolate(axis + padding, heights + padding, len(line), x) == y


def test_one_point_is_a_constant() -> None:
    for place in (-5, 7, 70000):
        assert fixed.interpolate([7, 0], [42, 0], 1, place) == 42


def _crc(data: bytes) -> int:
    register = 0xFFFFFFFF
    for byte in data:
        register = fixed.crc32(register, byte)
    return register


def test_crc_has_the_catalogued_check_value_and_residue() -> None:
    # G. Cook, Catalogue of Parametrised CRC Algorithms, CRC-32/ISO-HDLC: check 0xCBF43926.
    assert _crc(b"123456789") ^ 0xFFFFFFFF == 0xCBF43926
    # A message followed by its own CRC leaves the residue (same catalogue; from memory, and computed).
    assert _crc(b"123456789" + struct.pack("<I", 0xCBF43926)) == 0xDEBB20E3
    assert _crc(b"") ^ 0xFFFFFFFF == 0


@given(st.binary(max_size=80))
def test_crc_is_that_of_binascii_and_crcmod(data: bytes) -> None:
    ours = _crc(data) ^ 0xFFFFFFFF
    assert ours == binascii.crc32(data)
    assert ours == crcmod.predefined.mkPredefinedCrcFun("crc-32")(data)


@given(st.integers(-(2**31), 2**31 - 1))
def test_a_word_goes_into_the_crc_as_four_little_endian_bytes(word: int) -> None:
    assert fixed.crc32_word(0xFFFFFFFF, word) == _crc(struct.pack("<i", word))


def test_just_below_and_at_a_half() -> None:
    assert [fixed.mul_q12(value, 1) for value in (2047, 2048, -2047, -2048)] == [0, 1, 0, -1]
