"""Frames and payloads in Python, and the C side beside it (where `prepare` was called).

Checked: a decoder finds the same however the bytes are cut up, keeps no more than it says and is ready
again after one zero byte; what reads a payload refuses it with Malformed or reads it; the model of a device
and the C side answer any bytes with the same bytes.
"""

from __future__ import annotations

import os
import random
import subprocess
from collections.abc import Callable
from contextlib import suppress

from bench.link import protocol as p
from bench.link.frames import Damage, Decoder, encode, stuffed_bytes
from controller import Controller
from firmware_model.core_sources import HERE as FIRMWARE
from firmware_model.core_sources import core_files
from tests import ROOT
from tests.fuzz.targets import BUILD
from tests.link_support import InC, Untimed

READERS = (
    p.Greeting.unpack,
    p.Status.unpack,
    p.StepAnswer.unpack,
    p.Streamed.unpack,
    p.unpack_step,
    p.unpack_piece,
    p.unpack_commit,
    p.unpack_error,
    p.unpack_digest,
    p.unpack_stream,
    p.unpack_verdict,
)
SESSION = 7
HELLO = encode(p.message(p.Kind.HELLO, 12345, 0, b"\x01"))

_MODEL = Untimed(Controller)
_beside: InC | None = None


def prepare() -> None:
    """Compile and start the C side."""
    global _beside  # noqa: PLW0603
    BUILD.mkdir(parents=True, exist_ok=True)
    program = BUILD / f"link_device-{os.getpid()}"
    device = ROOT / "tests" / "firmware_model" / "link_device.c"
    sources = [*core_files(), *sorted((FIRMWARE / "link").glob("*.c")), device]
    flags = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", f"-I{FIRMWARE}"]
    subprocess.run(["clang", *flags, *map(str, sources), "-o", str(program)], check=True)
    _beside = InC(program)
    program.unlink()


def _decoder(data: bytes, cut: int) -> None:
    whole, halves = Decoder(100), Decoder(100)
    found = whole.feed(data)
    assert found == halves.feed(data[:cut]) + halves.feed(data[cut:])
    assert len(whole._kept) <= stuffed_bytes(102)
    for one in found:
        assert isinstance(one, Damage) or encode(one)
    assert whole.feed(b"\0" + encode(b"next"))[-1] == b"next"


def _conversation(data: bytes, cut: int) -> None:
    for device in (_MODEL, _beside) if _beside else (_MODEL,):
        device.power_up()
        device.receive(HELLO)
        device.tell_time(5)
    for piece in (data[:cut], data[cut:], b"\0"):
        sent = _MODEL.receive(piece)
        assert _beside is None or _beside.receive(piece) == sent
        for frame in sent.split(b"\0")[:-1]:
            assert 0 < len(frame) <= stuffed_bytes(_MODEL.facts.largest + 2)
        assert not sent or sent.endswith(b"\0")


def one_input(data: bytes) -> None:
    cut = data[0] if data else 0
    _decoder(data, cut)
    for unpack in READERS:
        with suppress(p.Malformed):
            unpack(data)
    _conversation(data, cut)


def _numbered(payloads: list[bytes]) -> list[bytes]:
    """In one conversation, each request the next one."""
    made, sequence = [], 0
    for payload in payloads:
        if len(payload) < p.HEAD.size:
            made.append(payload)
            continue
        kind = payload[0]
        made.append(p.message(kind, SESSION, 0 if kind == p.Kind.HELLO else sequence, payload[p.HEAD.size :]))
        sequence += kind != p.Kind.HELLO
    return made


def mutate(data: bytes, most: int, rng: random.Random, plain: Callable[[bytes, int], bytes]) -> bytes:
    """Frames are taken apart, changed, numbered and framed again, so that their CRC stays right."""
    payloads = [one for one in Decoder(2000).feed(data) if isinstance(one, bytes)]
    if not payloads or rng.random() < 0.25:
        return plain(data, most)
    at = rng.randrange(len(payloads))
    head, body = payloads[at][: p.HEAD.size], payloads[at][p.HEAD.size :]
    match rng.randrange(7):
        case 0:
            payloads.insert(rng.randrange(len(payloads) + 1), payloads[at])
        case 1:
            del payloads[at]
        case 2:
            other = rng.randrange(len(payloads))
            payloads[at], payloads[other] = payloads[other], payloads[at]
        case 3:
            payloads[at] = bytes([rng.randrange(10)]) + payloads[at][1:]
        case _:
            payloads[at] = head + plain(body, 1030)
    if rng.random() < 0.85:
        payloads = _numbered(payloads)
    made = b""
    for payload in payloads:
        frame = encode(payload) if payload else b""
        if len(made) + len(frame) > most:
            break
        made += frame
    return made
