"""Writes the first seeds, anew, from what the project makes: python -m tests.fuzz.seeds"""

from __future__ import annotations

import binascii
import struct
from collections.abc import Iterator

from bench.calibration import load
from bench.calibration.image import pack
from bench.link import protocol as p
from bench.link.frames import encode
from tests import ROOT
from tests.fuzz import SEEDS
from tests.link_support import run_inputs
from tests.support import values

STEPPING = 1 | 2 | 4 | 16  # speed valid, armed, launch, events: as in core/step.c


def images() -> Iterator[tuple[str, bytes]]:
    yield "plain", pack(values())
    yield "small", pack(values(confirm_samples=3, heal_samples=3, hold_ticks=5, fault_hold_ticks=9, stuck_samples=4))
    for name in ("demo", "demo_front_wheel"):
        yield name, load(ROOT / "traces" / f"{name}.toml").image


def record(repeat: int, flags: int, counts: int, slope: int = 0, speed: int = 0) -> bytes:
    return struct.pack("<BBHbBHHHHH", repeat, flags, counts, slope, 20, speed, 6000, 2000, 0, 0)


def rides() -> Iterator[tuple[str, bytes]]:
    rest, armed = record(60, 3, 1065), 1 | 2
    up, stay, down = record(120, STEPPING, 1065, 20, 300), record(90, STEPPING, 3465), record(120, STEPPING, 3465, -20)
    for name, image in images():
        yield name, image + rest + up + stay + down + record(200, 0, 1065)
    small = dict(images())["small"]
    yield "lost", small + rest + up + stay + record(40, STEPPING, 0) + down
    yield "out_of_sight", small + rest + up + record(40, STEPPING, 4000) + record(40, STEPPING, 4095) + down
    yield "steady", small + rest + record(200, STEPPING, 1065, 0, 2000) + record(30, armed | 32, 1065)
    yield "wild", small + rest + record(30, STEPPING | 8, 40000, 3, 9) + record(30, STEPPING | 64 | 128, 1500, 9)


def talk() -> Iterator[tuple[str, bytes]]:
    image = pack(values(stall_ms=100))
    hello = encode(p.message(p.Kind.HELLO, 7, 0, b"\x01"))
    for name, largest in (("small", 128), ("large", 1024)):
        room = p.piece_room(largest)
        asked = [(p.Kind.PIECE, p.pack_piece(at, image[at : at + room])) for at in range(0, len(image), room)]
        asked += [(p.Kind.COMMIT, p.pack_commit(len(image), binascii.crc32(image))), (p.Kind.START, b"")]
        for first in range(0, 12, 2):
            ticks = run_inputs(400)[300 + first : 302 + first].copy()
            asked.append((p.Kind.STEP, p.pack_step(first, ticks, True)))
        asked += [(p.Kind.STATUS, b""), (p.Kind.STREAM, p.pack_stream(3)), (p.Kind.RESET, b"")]
        frames = [encode(p.message(kind, 7, number, body)) for number, (kind, body) in enumerate(asked)]
        yield name, hello + b"".join(frames)
    yield "repeats", hello + encode(p.message(p.Kind.STATUS, 7, 0)) * 3 + encode(p.message(p.Kind.STATUS, 7, 9))
    yield "noise", b"\x05\x01\x00\x00" + hello[1:] + b"\xff" * 200 + b"\0" + hello


def first_seeds() -> Iterator[tuple[str, str, bytes]]:
    """(target, name, bytes)"""
    for target, made in (("image", images()), ("step", rides()), ("frame", talk())):
        for name, data in made:
            yield target, name, data


def main() -> None:
    for target, name, data in first_seeds():
        path = SEEDS / target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


if __name__ == "__main__":
    main()
