"""Calibration and vehicle files: the first byte says which, the rest is the file.

Checked: nothing but UserError for a bad file; what is accepted has an image that the controller accepts and
that reads back to the same values, and, written back with nothing changed, the same text; a vehicle's numbers
are finite, and so are those of the cars scattered around it.
"""

from __future__ import annotations

import atexit
import math
import random
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import numpy as np

from bench.calibration import load, save
from bench.calibration.image import pack, unpack
from bench.errors import UserError
from bench.vehicle import car, vehicle_file
from controller import Controller
from tests.fuzz import MEMORY

_STREAM = NamedTemporaryFile(suffix=".toml", dir=MEMORY)  # noqa: SIM115
_FILE = Path(_STREAM.name)
atexit.register(_STREAM.close)


def _finite(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, tuple | list):
        return all(map(_finite, value))
    return not isinstance(value, float) or math.isfinite(value)


def _calibration() -> None:
    cal = load(_FILE)
    assert Controller().load(cal.image) == 0
    assert pack(unpack(cal.image)) == cal.image
    assert all("\n" not in line for line in (*cal.warnings, *cal.notes))
    assert np.isfinite(cal.height_to_counts([-1e6, 0.0, 1e6])).all()
    assert np.isfinite(cal.counts_to_height([0, 65535])).all()
    assert len(cal.ceilings.progress) >= 1
    written = save(cal, {})
    assert written == cal.text
    again = save(cal, {"latch.hold_ms": 250})
    assert "hold_ms" in again


def _vehicle() -> None:
    vehicle = vehicle_file.load(_FILE)
    assert _finite(asdict(vehicle.car))
    for number in (1, 2):
        assert _finite(asdict(car.scattered(vehicle, number)))


def one_input(data: bytes) -> None:
    _FILE.write_bytes(data[1:])
    with suppress(UserError):
        if data[:1] < b"\x80":
            _calibration()
        else:
            _vehicle()


_VALUES = (
    *(
        "0",
        "1",
        "-1",
        "0.5",
        "1e9",
        "1e-9",
        "-0.0",
        "nan",
        "inf",
        "1e400",
        "65535",
        "65536",
        "2147483648",
        "0x10",
    ),
    *("[]", "[1]", "[1, 2, 3]", "[[1, 2], [3, 4]]", "[[]]", "{}", "{a = 1}", '""', '"speed"', "true", "'x'"),
    *('"""a\nb"""', "2024-01-01", "1_000", "99999999999999999999", "[" * 60 + "]" * 60),
)
_LINES = (
    "[latch]",
    "[sensor]",
    "[scatter.body]",
    "[[latch]]",
    "[latch.x]",
    "a.b.c = 1",
    "# x",
    '"" = 1',
    "x",
    "=",
)


def mutate(data: bytes, most: int, rng: random.Random, plain: Callable[[bytes, int], bytes]) -> bytes:
    """Change values, keys and lines; now and then any bytes."""
    if len(data) < 2 or rng.random() < 0.15:
        return plain(data, most)
    head, text = data[:1], data[1:].decode("utf-8", "replace")
    lines = text.split("\n")
    at = rng.randrange(len(lines))
    match rng.randrange(8):
        case 0 | 1:
            lines[at] = re.sub(r"=.*", lambda _: f"= {rng.choice(_VALUES)}", lines[at])
        case 2 | 3:
            numbers = list(re.finditer(r"[-+]?\d+(\.\d+)?", text))
            if numbers:
                it = rng.choice(numbers)
                factor = rng.choice((0, -1, 0.5, 0.9, 1.1, 2, 10, 1000))
                new = rng.choice((*_VALUES[:14], f"{float(it[0]) * factor:g}"))
                return head + f"{text[: it.start()]}{new}{text[it.end() :]}".encode()
        case 4:
            del lines[at]
        case 5:
            lines.insert(at, rng.choice((lines[rng.randrange(len(lines))], *_LINES)))
        case 6:  # a key of another unit, or none
            lines[at] = re.sub(
                r"_\w+ *=", lambda _: rng.choice(("_mm =", "_inch =", "_ms =", "_x =", " =")), lines[at]
            )
        case _:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
    return head + "\n".join(lines).encode()
