"""Frames on the wire: payload + CRC-16 (little-endian), stuffed by COBS, ended by a zero byte.

Nothing here does I/O. COBS: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions
on Networking 7(2), 1999. CRC-16/IBM-3740: G. Cook, "Catalogue of Parametrised CRC Algorithms".
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum

from cobs import cobs
from crcmod import mkCrcFun

END = b"\0"
CRC_BYTES = 2

crc16 = mkCrcFun(0x11021, initCrc=0xFFFF, rev=False, xorOut=0)
"""CRC-16/IBM-3740 of bytes."""


class Damage(StrEnum):
    """Why bytes between two zero bytes are not a frame."""

    LONG = "too long"
    STUFFING = "stuffing"
    SHORT = "too short"
    CRC = "CRC"


def stuffed_bytes(plain: int) -> int:
    """The greatest number of bytes that `plain` bytes become by stuffing.

    One more than the bound of the paper where `plain` is a multiple of 254: some encoders end such a block
    with one more code byte.
    """
    return plain + plain // 254 + 1


def frame_bytes(payload: int) -> int:
    """The greatest number of bytes on the wire of a frame with `payload` bytes, its end included."""
    return stuffed_bytes(payload + CRC_BYTES) + len(END)


def encode(payload: bytes) -> bytes:
    """The frame of a payload of at least one byte."""
    return bytes(cobs.encode(payload + crc16(payload).to_bytes(CRC_BYTES, "little"))) + END


class Decoder:
    """Finds the frames in a stream of bytes cut up in any way.

    Assumptions: payloads have 1 to `largest` bytes; whatever is longer is not for us.

    Invariants: no more than stuffed_bytes(largest + CRC_BYTES) bytes are kept between two calls; after any
    bytes at all one zero byte is enough to be ready for the next frame; `good` and `damaged` count what was
    found.
    """

    def __init__(self, largest: int) -> None:
        self.good = 0
        self.damaged: Counter[Damage] = Counter()
        self._limit = stuffed_bytes(largest + CRC_BYTES)
        self._kept = bytearray()
        self._too_long = False

    def feed(self, data: bytes) -> list[bytes | Damage]:
        """What ended within these bytes, in order: payloads, and why something was none.

        Zero bytes that follow one another end nothing; a sender may put one before a frame.
        """
        found: list[bytes | Damage] = []
        start = 0
        while (end := data.find(END, start)) >= 0:
            self._keep(data[start:end])
            start = end + 1
            if self._kept or self._too_long:
                found.append(self._end())
        self._keep(data[start:])
        return found

    def _keep(self, piece: bytes) -> None:
        if self._too_long or len(self._kept) + len(piece) > self._limit:
            self._too_long = True
            self._kept.clear()
        else:
            self._kept += piece

    def _end(self) -> bytes | Damage:
        what = Damage.LONG if self._too_long else _payload(bytes(self._kept))
        self._too_long = False
        self._kept.clear()
        if isinstance(what, Damage):
            self.damaged[what] += 1
        else:
            self.good += 1
        return what


def _payload(stuffed: bytes) -> bytes | Damage:
    try:
        plain: bytes = cobs.decode(stuffed)
    except cobs.DecodeError:
        return Damage.STUFFING
    if len(plain) <= CRC_BYTES:
        return Damage.SHORT
    payload = plain[:-CRC_BYTES]
    return payload if crc16(payload).to_bytes(CRC_BYTES, "little") == plain[-CRC_BYTES:] else Damage.CRC
