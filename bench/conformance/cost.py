"""What cases cost on a serial line."""

from __future__ import annotations

from collections.abc import Sequence

from bench.conformance.cases import Case, pieces
from bench.conformance.images import pieces_between
from bench.link.protocol import HEAD, piece_room, step_payload, stepped_payload
from bench.link.target import fitting

BITS_A_BYTE = 10  # 8N1: a start bit, eight of data, a stop bit
_SMALL = 32
"""Bytes of a short request and its answer, frames included: COMMIT, START, HELLO."""


def framed(payload: int) -> int:
    """Most bytes on the wire of a payload of so many."""
    return payload + 2 + (payload + 2) // 254 + 2


def image_bytes(image: bytes, largest: int, held: bytes = b"") -> int:
    """Bytes both ways to load an image: its pieces, their answers, COMMIT and the greeting. Of an image that
    is `held` only what differs is sent."""
    room = min(piece_room(largest), 512)
    sizes = [min(room, len(image) - at) for at in range(0, len(image), room)]
    if held:
        sizes = [len(data) for _, data in pieces_between(held, image)]
    return sum(framed(HEAD.size + 2 + size) + framed(HEAD.size) for size in sizes) + 2 * _SMALL + framed(46)


def case_bytes(case: Case, largest: int) -> int:
    """Bytes both ways of a case: its image, START, its steps and their answers."""
    numbers, records = case.whole
    total = image_bytes(case.image, largest) + _SMALL
    for first, end in pieces(numbers):
        at = first
        while at < end:
            ticks = fitting(records[at:end], largest)
            events = int(records["events"][at : at + ticks].sum())
            total += framed(step_payload(ticks)) + framed(stepped_payload(ticks, events))
            at += ticks
    return total


def seconds(cases: Sequence[Case], images: Sequence[bytes], baud: int, largest: int) -> float:
    """What they take in lock step, where request and answer take turns and nobody waits for anything else."""
    total = sum(case_bytes(case, largest) for case in cases)
    held = b""
    for image in images:
        total += image_bytes(image, largest, held)
        held = image + held[len(image) :]
    return total * BITS_A_BYTE / baud
