"""Packing and unpacking of calibration images; the format is stated in controller/image.py."""

from __future__ import annotations

import binascii
import struct
from typing import Any

from controller.constants import (
    IMAGE_CRC,
    IMAGE_LENGTH,
    IMAGE_MAGIC,
    IMAGE_ORDER,
    IMAGE_RANGE,
    IMAGE_VERSION,
    IMAGE_VERSION_OTHER,
)
from controller.image import FIELDS, HEADER_BYTES, LENGTH, MAGIC, Calibration, read

Values = dict[str, "int | list[int]"]

_BODY = "<" + "".join(f"{count}{code}" for _, code, count, _, _ in FIELDS)


def number_of(values: Values, name: str) -> int:
    """The compiled value of a field that is one number."""
    value = values[name]
    assert isinstance(value, int)
    return value


def row_of(values: Values, name: str) -> list[int]:
    """The compiled values of a field that is a list."""
    value = values[name]
    assert isinstance(value, list)
    return value


_REFUSED = {
    IMAGE_MAGIC: "it does not begin with LLCI",
    IMAGE_VERSION_OTHER: f"its format is not {IMAGE_VERSION}; compile its calibration file anew",
    IMAGE_LENGTH: f"it is not {LENGTH} bytes long",
    IMAGE_CRC: "its check sum is wrong",
    IMAGE_RANGE: "a value is out of its range",
    IMAGE_ORDER: "its values do not fit one another",
}


REFUSALS = {
    IMAGE_MAGIC: "it is no calibration",
    IMAGE_VERSION_OTHER: "it is of another version",
    IMAGE_LENGTH: "its length is wrong",
    IMAGE_CRC: "its checksum is wrong",
    IMAGE_RANGE: "a value is outside its range",
    IMAGE_ORDER: "two values do not fit each other (the fault's hold must not be shorter than the hold)",
}
"""Why a controller refuses an image, for a page on which settings are moved."""


def field_places() -> dict[str, list[Any]]:
    """Where each field of an image stands: name -> [offset in bytes, code as in FIELDS, count]."""
    places: dict[str, list[Any]] = {}
    at = HEADER_BYTES
    for name, code, count, _, _ in FIELDS:
        places[name] = [at, code, count]
        at += count * (4 if code == "I" else 2)
    return places


def pack(values: Values) -> bytes:
    """The image of compiled values, one entry for each field of controller.image.FIELDS.

    Shorter lists are filled up with zeros. Raises KeyError for a missing field and struct.error for a
    value that does not fit its code; it does not judge the values, the controller does.
    """
    numbers: list[int] = []
    for name, _, count, _, _ in FIELDS:
        value = values[name]
        row = [value] if isinstance(value, int) else list(value)
        numbers += row + [0] * (count - len(row))
    body = struct.pack(_BODY, *numbers)
    head = MAGIC + struct.pack("<HHI", IMAGE_VERSION, LENGTH, binascii.crc32(body))
    return head + body


def judge(image: bytes) -> None:
    """ValueError with the reason where the controller refuses an image.

    Its C port is asked where it is built: it says the same and is quicker.
    """
    from firmware_model import binding

    if binding.available():
        read_image(image)
    elif verdict := binding.Core().load(image):
        raise ValueError(f"image refused: {_REFUSED[verdict]}")


def read_image(image: bytes) -> Calibration:
    """The calibration of an image that the controller accepts; ValueError with its reason otherwise."""
    calibration = Calibration()
    verdict = read(image, calibration)
    if verdict:
        raise ValueError(f"image refused: {_REFUSED[verdict]}")
    return calibration


def unpack(image: bytes) -> Values:
    """The values of an image, as `read_image` takes it."""
    calibration = read_image(image)
    return {name: getattr(calibration, name) for name, *_ in FIELDS}
