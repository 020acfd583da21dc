"""The calibration image: layout, what is refused and why."""

import binascii
import random
import struct
from typing import get_type_hints

import crcmod.predefined
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.image import Values, pack, unpack
from controller import Calibration, read
from controller.constants import (
    CYLINDERS,
    IMAGE_CRC,
    IMAGE_LENGTH,
    IMAGE_MAGIC,
    IMAGE_OK,
    IMAGE_ORDER,
    IMAGE_RANGE,
    IMAGE_VERSION,
    IMAGE_VERSION_OTHER,
)
from controller.image import FIELDS, HEADER_BYTES, LENGTH, MAGIC, image_crc
from tests.hostile import any_calibration, calibrations
from tests.support import values

PLAIN = pack(values())
LIMITS = {"I": (0, 2**32 - 1), "H": (0, 65535), "h": (-32768, 32767)}


def verdict(image: bytes) -> int:
    return read(image, Calibration())


def sealed(body: bytes, version: int = IMAGE_VERSION, length: int = LENGTH) -> bytes:
    """A body under a header that fits it."""
    return MAGIC + struct.pack("<HHI", version, length, binascii.crc32(body)) + body


def test_attributes_are_the_fields_in_their_order() -> None:
    hints = get_type_hints(Calibration)
    assert list(hints) == [name for name, *_ in FIELDS]
    for name, _, count, _, _ in FIELDS:
        assert hints[name] == (int if count == 1 else list[int]), name


def test_layout() -> None:
    assert struct.calcsize("<" + "".join(f"{count}{code}" for _, code, count, _, _ in FIELDS)) == (
        LENGTH - HEADER_BYTES
    )
    offset = HEADER_BYTES
    for name, code, count, least, greatest in FIELDS:
        size = struct.calcsize("<" + code)
        assert offset % size == 0, f"{name} is not on its natural boundary"
        assert LIMITS[code][0] <= least <= greatest <= LIMITS[code][1], name
        offset += size * count
    assert PLAIN[:4] == b"LLCI"
    assert struct.unpack_from("<HH", PLAIN, 4) == (IMAGE_VERSION, len(PLAIN))


def test_crc_is_crc_32_iso_hdlc_over_the_fields() -> None:
    # Outside source: binascii and crcmod, both CRC-32/ISO-HDLC (check value 0xCBF43926 in test_fixed.py).
    stored = struct.unpack_from("<I", PLAIN, 8)[0]
    assert stored == binascii.crc32(PLAIN[HEADER_BYTES:])
    assert stored == crcmod.predefined.mkPredefinedCrcFun("crc-32")(PLAIN[HEADER_BYTES:])
    assert stored == image_crc(PLAIN)


@settings(max_examples=25)
@given(calibrations)
def test_legal_values_come_back(made: Values) -> None:
    image = pack(made)
    back = unpack(image)
    assert pack(back) == image
    for name, _, count, _, _ in FIELDS:
        value = made[name]
        if isinstance(value, int):
            assert back[name] == value
        else:
            assert back[name] == value + [0] * (count - len(value))


@pytest.mark.rule("I1")
@settings(max_examples=40)
@given(st.integers(0, LENGTH * 8 - 1))
def test_a_flipped_bit_is_refused(bit: int) -> None:
    image = bytearray(PLAIN)
    image[bit // 8] ^= 1 << bit % 8
    expected = IMAGE_CRC
    if bit < 8 * 4:
        expected = IMAGE_MAGIC
    elif bit < 8 * 6:
        expected = IMAGE_VERSION_OTHER
    elif bit < 8 * 8:
        expected = IMAGE_LENGTH
    assert verdict(bytes(image)) == expected


@pytest.mark.rule("I1")
def test_wrong_length_is_refused() -> None:
    assert verdict(b"") == IMAGE_MAGIC
    assert verdict(PLAIN[: HEADER_BYTES - 1]) == IMAGE_MAGIC
    for image in (PLAIN[:HEADER_BYTES], PLAIN[:-1], PLAIN + b"\0"):
        assert verdict(image) == IMAGE_LENGTH
    short = PLAIN[HEADER_BYTES:-2]
    assert verdict(sealed(short, length=HEADER_BYTES + len(short))) == IMAGE_LENGTH
    assert verdict(sealed(short)) == IMAGE_LENGTH
    assert verdict(sealed(PLAIN[HEADER_BYTES:], length=LENGTH - 2)) == IMAGE_LENGTH


@pytest.mark.rule("I1")
def test_another_version_is_refused() -> None:
    for version in (0, IMAGE_VERSION + 1, 0xFFFF):
        assert verdict(sealed(PLAIN[HEADER_BYTES:], version=version)) == IMAGE_VERSION_OTHER
    assert verdict(sealed(PLAIN[HEADER_BYTES:])) == IMAGE_OK


@pytest.mark.rule("I1")
def test_the_first_reason_is_told() -> None:
    wrong = bytearray(pack(values(gain_q12=0, lift_axis=[5, 4, 3, 2])))
    assert verdict(bytes(wrong)) == IMAGE_RANGE
    wrong[8] ^= 1
    assert verdict(bytes(wrong)) == IMAGE_CRC
    wrong[6] ^= 1
    assert verdict(bytes(wrong)) == IMAGE_LENGTH
    wrong[4] ^= 1
    assert verdict(bytes(wrong)) == IMAGE_VERSION_OTHER
    wrong[0] ^= 1
    assert verdict(bytes(wrong)) == IMAGE_MAGIC


@pytest.mark.rule("I1")
@pytest.mark.parametrize(("name", "code", "count", "least", "greatest"), FIELDS)
def test_each_field_keeps_its_range(name: str, code: str, count: int, least: int, greatest: int) -> None:
    plain = values()

    def with_value(value: int) -> int:
        if count == 1:
            return verdict(pack({**plain, name: value}))
        row = plain[name]
        assert isinstance(row, list)
        # The last cell, so that no axis in use is disturbed.
        full = row + [0] * (count - len(row))
        return verdict(pack({**plain, name: [*full[:-1], value]}))

    for outside in (least - 1, greatest + 1):
        if LIMITS[code][0] <= outside <= LIMITS[code][1]:
            assert with_value(outside) == IMAGE_RANGE
    for inside in (least, greatest):
        assert with_value(inside) in (IMAGE_OK, IMAGE_ORDER)


@pytest.mark.rule("H1", "M1", "H6", "R1", "C1", "I1")
@pytest.mark.parametrize(
    "changes",
    [
        {"window_low": 500, "window_high": 500},
        {"window_high": 4096},
        {"sensor_counts": [100, 100]},
        {"sensor_counts": [0, 4096]},
        {"sensor_points": 3, "sensor_counts": [0, 10, 20], "sensor_height": [0, 50, 50]},
        {"sensor_points": 3, "sensor_counts": [0, 10, 20], "sensor_height": [0, 5000, 2500]},
        {"sensor_height": [-20000, 20000]},
        {"rest": -1},
        {"rest": 8001},
        {"near_end": 8000},
        {"median_samples": 2},
        {"median_samples": 4},
        {"run_ms": [0, 0]},
        {"lift_axis": [960, 1600, 1600, 4800]},
        {"lift_axis": [960, 1600, 4800, 3200]},
        {"progress_axis": [2000, 0]},
        {"fault_hold_ticks": 299},
        {"engine_points": 2, "engine_ms": [10, 10], "engine_rpm": [1, 2]},
        {"engine_over_rpm": [5, 5]},
        {"shaft_points": 2, "shaft_ms": [10, 9], "shaft_rpm": [1, 2]},
        {"shaft_over_rpm": [5, 5]},
        {"firing_order": [1, 8, 4, 3, 6, 5, 7, 7]},
        {"firing_order": [1, 8, 4, 3, 6, 5, 7, 9]},
        {"firing_order": [1, 2, 3, 4, 5, 6, 7, 0]},
        {"cylinders": 7},
    ],
)
def test_parts_that_do_not_fit_each_other_are_refused(changes: Values) -> None:
    assert verdict(pack({**values(), **changes})) == IMAGE_ORDER


@pytest.mark.rule("H1")
def test_a_sensor_may_read_less_the_higher_it_is() -> None:
    assert verdict(pack(values(sensor_height=[8000, 0]))) == IMAGE_OK


@pytest.mark.rule("C1")
@pytest.mark.parametrize(
    "order",
    [
        # Printed in Auto Engine Repair (Goodheart-Willcox 2021, p. 126) and on fordfe.info.
        [1, 8, 4, 3, 6, 5, 7, 2],
        [1, 5, 4, 2, 6, 3, 7, 8],
        [1, 3, 7, 2, 6, 5, 4, 8],
        [1, 5, 3, 6, 2, 4],
        [1, 6, 5, 4, 3, 2],
        [1, 3, 4, 2],
    ],
)
def test_published_firing_orders_are_permutations_and_accepted(order: list[int]) -> None:
    assert sorted(order) == list(range(1, len(order) + 1))
    assert len(order) <= CYLINDERS
    assert verdict(pack(values(cylinders=len(order), firing_order=order))) == IMAGE_OK
    assert verdict(pack(values(cylinders=len(order), firing_order=[order[1], *order[1:]]))) == IMAGE_ORDER


@pytest.mark.rule("I1")
@settings(max_examples=30)
@given(st.binary(max_size=LENGTH + 4))
def test_noise_is_refused(noise: bytes) -> None:
    assert verdict(noise) != IMAGE_OK
    assert verdict(MAGIC + noise) != IMAGE_OK


@pytest.mark.rule("I1")
@settings(max_examples=40)
@given(st.integers(0, 2**32), st.integers(0, 2**32))
def test_random_fields_under_a_right_crc_never_load_out_of_range(number: int, other: int) -> None:
    """Any body is either refused or has every field within its range and its order."""
    rng = random.Random(number)
    made = any_calibration(random.Random(other))
    for name, code, count, _, _ in rng.sample(FIELDS, 2):
        row = [rng.randint(*LIMITS[code]) for _ in range(count)]
        made[name] = row[0] if count == 1 else row
    into = Calibration()
    if read(pack(made), into) == IMAGE_OK:
        for name, _, count, least, greatest in FIELDS:
            value = getattr(into, name)
            row = [value] if count == 1 else value
            assert len(row) == count
            assert least <= min(row) <= max(row) <= greatest
