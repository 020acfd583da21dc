"""Fuzzes the decoder of frames and all that reads payloads.

    python -m tests.fuzz_link_decoder -max_total_time=600

Needs atheris. A failure prints the bytes that brought it about.
"""

from __future__ import annotations

import sys
from contextlib import suppress

import atheris

with atheris.instrument_imports(include=["bench.link", "bench.device"]):
    from bench.device.model import Device
    from bench.link import protocol as p
    from bench.link.frames import Damage, Decoder, encode, stuffed_bytes
    from controller import Controller


READERS = (
    p.Greeting.unpack,
    p.Status.unpack,
    p.Stepped.unpack,
    p.Streamed.unpack,
    p.unpack_step,
    p.unpack_piece,
    p.unpack_commit,
    p.unpack_error,
)

DEVICE = Device(Controller)
DEVICE.receive(encode(p.message(p.Kind.HELLO, 7, 0, b"\x01")))


def read(data: bytes) -> None:
    """One input: any bytes as a stream cut in two, as a payload, and as a request in a conversation."""
    cut = data[0] if data else 0
    whole, halves = Decoder(100), Decoder(100)
    found = whole.feed(data)
    assert found == halves.feed(data[:cut]) + halves.feed(data[cut:])
    assert len(whole._kept) <= stuffed_bytes(102)
    for one in found:
        assert isinstance(one, Damage) or encode(one)
    assert whole.feed(b"\0" + encode(b"next"))[-1] == b"next"
    for unpack in READERS:
        with suppress(p.Malformed):
            unpack(data)
    DEVICE.receive(data + b"\0")
    if data:
        DEVICE.receive(encode(data))
        sequence = DEVICE._expected
        sent = DEVICE.receive(encode(p.message(data[0], 7, sequence, data[1:])))
        if data[0] != p.Kind.HELLO and len(data) < DEVICE.facts.largest - p.HEAD.size:
            assert sent.endswith(b"\0")
        assert len(sent) <= 2 * stuffed_bytes(DEVICE.facts.largest + 2)
        DEVICE.receive(encode(p.message(p.Kind.HELLO, 7, 0, b"\x01")))


if __name__ == "__main__":
    atheris.Setup(sys.argv, read)
    atheris.Fuzz()
