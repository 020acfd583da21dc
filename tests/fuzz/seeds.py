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
    yield (
        "small",
        pack(values(confirm_samples=3, heal_samples=3, hold_ticks=5, fault_hold_ticks=9, stuck_samples=4)),
    )
    for name in ("demo", "demo_front_wheel"):
        yield name, load(ROOT / "traces" / f"{name}.toml").image


def record(repeat: int, flags: int, counts: int, slope: int = 0, speed: int = 0) -> bytes:
    return struct.pack("<BBHbBHHHHH", repeat, flags, counts, slope, 20, speed, 6000, 2000, 0, 0)


def rides() -> Iterator[tuple[str, bytes]]:
    rest, armed = record(60, 3, 1065), 1 | 2
    up, stay, down = (
        record(120, STEPPING, 1065, 20, 300),
        record(90, STEPPING, 3465),
        record(120, STEPPING, 3465, -20),
    )
    for name, image in images():
        yield name, image + rest + up + stay + down + record(200, 0, 1065)
    small = dict(images())["small"]
    yield "lost", small + rest + up + stay + record(40, STEPPING, 0) + down
    yield "out_of_sight", small + rest + up + record(40, STEPPING, 4000) + record(40, STEPPING, 4095) + down
    yield "steady", small + rest + record(200, STEPPING, 1065, 0, 2000) + record(30, armed | 32, 1065)
    yield (
        "wild",
        small + rest + record(30, STEPPING | 8, 40000, 3, 9) + record(30, STEPPING | 64 | 128, 1500, 9),
    )


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
    yield (
        "repeats",
        hello + encode(p.message(p.Kind.STATUS, 7, 0)) * 3 + encode(p.message(p.Kind.STATUS, 7, 9)),
    )
    yield "noise", b"\x05\x01\x00\x00" + hello[1:] + b"\xff" * 200 + b"\0" + hello


TRACES = {
    "plain": "time (s),height (mm),speed (km/h),launch\n0.00,130,0,0\n0.01,131.5,0,1\n0.02,140,3.5,1\n",
    "units": "t;ride height;engine speed\ns;mm;rpm\n0,00;130,5;6000\n0,01;131,5;6100\n0,02;;6200\n",
    "bare": "0 130 0\n10 131 1\n20 132 1\n30 133 1\n",
    "quoted": '"time [ms]","height [in]","launch"\r\n"0","5.1","off"\r\n"10","5.2","on"\r\n"20","5","on"\r\n',
    "comments": "# a logger\n# of 2024\n\ntime,height\n0,1\n0.1,2\n# in between\n0.1,3\n0.05,4\n0.2,5\n",
    "clock": "time,height mm\n23:59:59.5,130\n23:59:59.9,131\n00:00:00.3,132\n00:00:00.7,-\n",
    "tabs": "time s\theight V\tarmed\n0\t1.5\ttrue\n0.01\t1.6\ttrue\n0.02\tNaN\tfalse\n0.03\t1e400\t\n",
    "uneven": "time (s),height (mm)\n0,1,\n0.1\n0.2,3\n0.3,4\n5,6\n",
    "one": "height (counts)\n1\n2\n\n3\n",
}


def traces() -> Iterator[tuple[str, bytes]]:
    for name, text in TRACES.items():
        yield name, (b"\x02" if name in ("bare", "one") else b"\x00") + text.encode()
    yield "utf16", b"\x00" + TRACES["plain"].encode("utf-16")
    yield "marked", b"\x00\xef\xbb\xbf" + TRACES["units"].encode()
    yield "latin", b"\x04" + "Zeit;Höhe\n0;1,5\n1;2,5\n".encode("latin-1")


def settings() -> Iterator[tuple[str, bytes]]:
    for name, first in (("demo", b"\0"), ("demo_front_wheel", b"\0"), ("demo_car", b"\xff")):
        lines = (ROOT / "traces" / f"{name}.toml").read_text().splitlines()
        yield name, first + "\n".join(line.split("#")[0].rstrip() for line in lines if line.strip()).encode()
    yield (
        "nested",
        b"\0[latch]\nhold_ms = [[1, 2], {a = 'x'}]\n[sensor.a]\n\"b c\".d = 2024-01-01T00:00:00Z\n",
    )


def first_seeds() -> Iterator[tuple[str, str, bytes]]:
    """(target, name, bytes)"""
    for target, made in (
        ("image", images()),
        ("step", rides()),
        ("frame", talk()),
        ("link", talk()),
        ("trace", traces()),
        ("toml", settings()),
    ):
        for name, data in made:
            yield target, name, data


def main() -> None:
    for target, name, data in first_seeds():
        path = SEEDS / target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


if __name__ == "__main__":
    main()
