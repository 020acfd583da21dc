"""Frames: stuffing and CRC against published values, and a decoder that nothing throws off its feet."""

from __future__ import annotations

import binascii

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from bench.link.frames import Damage, Decoder, crc16, encode, frame_bytes, stuffed_bytes

# S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999 (not
# read; volume and issue from memory). The examples are second-hand: Wikipedia, "Consistent Overhead Byte
# Stuffing"; the last two are computed.
RISING = bytes(range(1, 255))
COBS_TABLE = [
    (b"", "01"),
    (b"\0", "01 01"),
    (b"\0\0", "01 01 01"),
    (b"\0\x11\0", "01 02 11 01"),
    (b"\x11\x22\0\x33", "03 11 22 02 33"),
    (b"\x11\x22\x33\x44", "05 11 22 33 44"),
    (b"\x11\0\0\0", "02 11 01 01 01"),
    (b"\0\x11\0\0\x22\x33", "01 02 11 01 03 22 33"),
    (RISING, "ff" + RISING.hex()),
    (RISING, "ff" + RISING.hex() + "01"),
    (b"\0" + RISING, "01 ff" + RISING.hex()),
    (RISING + b"\xff", "ff" + RISING.hex() + "02 ff"),
]


def by_hand(frame: bytes) -> bytes:
    """The payload of a frame, decoded without the bench: cobs and the standard library's CRC."""
    assert frame[-1] == 0
    assert frame.count(0) == 1
    plain: bytes = cobs.decode(frame[:-1])
    assert binascii.crc_hqx(plain[:-2], 0xFFFF) == int.from_bytes(plain[-2:], "little")
    return plain[:-2]


def frame_of(plain: bytes) -> bytes:
    return bytes(cobs.encode(plain)) + b"\0"


@pytest.mark.parametrize(("plain", "stuffed"), COBS_TABLE)
def test_stuffing_as_published(plain: bytes, stuffed: str) -> None:
    wire = bytes.fromhex(stuffed)
    assert cobs.decode(wire) == plain
    assert len(wire) <= stuffed_bytes(len(plain))
    crc = crc16(plain).to_bytes(2, "little")
    if len(plain) > 0:
        assert Decoder(300).feed(frame_of(plain + crc)) == [plain]


def test_the_crc_is_the_catalogues() -> None:
    """G. Cook, Catalogue of Parametrised CRC Algorithms: CRC-16/IBM-3740, check 0x29B1; and what it is
    not."""
    check = b"123456789"
    assert crc16(check) == 0x29B1
    assert crc16(b"") == 0xFFFF
    assert crc16(check) != 0x31C3  # XMODEM
    assert crc16(check) != 0x906E  # the FCS of RFC 1662
    assert crc16(check + crc16(check).to_bytes(2, "big")) == 0  # the residue


@given(st.binary(max_size=600))
def test_the_crc_equals_the_standard_librarys(data: bytes) -> None:
    assert crc16(data) == binascii.crc_hqx(data, 0xFFFF)


@given(st.binary(min_size=1, max_size=600))
def test_frames_are_read_without_the_bench(payload: bytes) -> None:
    frame = encode(payload)
    assert by_hand(frame) == payload
    assert len(frame) <= frame_bytes(len(payload))


@pytest.mark.parametrize("size", [1, 251, 252, 253, 254, 505, 506, 507, 760, 1024])
def test_the_longest_frame(size: int) -> None:
    """COBS adds one byte, and at most one more for each 254 (bound of the paper)."""
    longest = len(encode(b"\x01" * size))
    assert longest <= frame_bytes(size) <= size + 2 + (size + 2) // 254 + 2
    assert Decoder(size).feed(encode(b"\x01" * size)) == [b"\x01" * size]


@pytest.mark.rule("W1")
@given(st.lists(st.binary(min_size=1, max_size=80), max_size=8), st.data())
def test_any_cutting_up_gives_the_same_frames(payloads: list[bytes], data: st.DataObject) -> None:
    wire = b"".join(encode(payload) for payload in payloads)
    decoder = Decoder(80)
    found: list[bytes | Damage] = []
    while wire:
        size = data.draw(st.integers(1, len(wire)))
        found += decoder.feed(wire[:size])
        wire = wire[size:]
    assert found == payloads
    assert decoder.good == len(payloads)
    assert not decoder.damaged


@pytest.mark.rule("W1")
@given(st.binary(max_size=400), st.binary(min_size=1, max_size=40))
def test_after_any_garbage_one_zero_byte_is_enough(garbage: bytes, payload: bytes) -> None:
    decoder = Decoder(40)
    before = decoder.feed(garbage)
    after = decoder.feed(b"\0" + encode(payload))
    assert after[-1] == payload
    assert len(after) <= 2
    good = sum(isinstance(found, bytes) for found in before + after)
    assert (decoder.good, decoder.damaged.total()) == (good, len(before + after) - good)


@pytest.mark.rule("W1")
@given(st.binary(max_size=3000))
def test_memory_is_bounded(data: bytes) -> None:
    decoder = Decoder(64)
    for byte in data:
        for found in decoder.feed(bytes([byte])):
            assert isinstance(found, Damage) or len(found) <= 64 + 1
        assert len(decoder._kept) <= stuffed_bytes(64 + 2)


@pytest.mark.rule("W1")
@pytest.mark.parametrize(
    ("wire", "damage"),
    [
        (encode(b"x" * 65), Damage.LONG),
        (b"x" * 5000 + b"\0", Damage.LONG),
        (b"\x05\x11\x22\0", Damage.STUFFING),
        (b"\x01\0", Damage.SHORT),
        (frame_of(crc16(b"").to_bytes(2, "little")), Damage.SHORT),
        (frame_of(b"abcde"), Damage.CRC),
        (frame_of(b"abc" + crc16(b"abc").to_bytes(2, "big")), Damage.CRC),
    ],
)
def test_damage_is_named_and_counted(wire: bytes, damage: Damage) -> None:
    decoder = Decoder(62)
    assert decoder.feed(wire) == [damage]
    assert decoder.damaged == {damage: 1}
    assert decoder.feed(encode(b"next")) == [b"next"]


def test_zero_bytes_alone_are_no_frames() -> None:
    assert Decoder(10).feed(bytes(50)) == []


@pytest.mark.rule("W1")
@given(st.binary(min_size=1, max_size=200), st.data())
def test_up_to_three_bits_turned_over_in_the_plain_bytes_are_found(
    payload: bytes, data: st.DataObject
) -> None:
    """The polynomial 0x1021 has Hamming distance 4 up to 32751 bits (from memory; P. Koopman's tables)."""
    plain = bytearray(payload + crc16(payload).to_bytes(2, "little"))
    bits = data.draw(st.sets(st.integers(0, 8 * len(plain) - 1), min_size=1, max_size=3))
    for bit in bits:
        plain[bit // 8] ^= 1 << bit % 8
    assert Decoder(300).feed(frame_of(bytes(plain))) == [Damage.CRC]
