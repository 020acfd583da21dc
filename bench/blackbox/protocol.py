"""What host and box say to one another, as firmware_model/probe/PROTOCOL.md states it byte by byte.

Nothing here does I/O. Frames, heads, sequence numbers and errors are those of bench.link.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from bench.blackbox.played import Ints, Wires
from bench.link.protocol import HEAD, INPUT, Malformed, Records

RECORD = np.dtype([("at", "<u4"), ("what", "u1"), ("extra", "u1"), ("value", "<u2")])
EDGE = np.dtype([("at", "<u4"), ("line", "u1")])
INJECTOR, COIL = 0, 16
"""The line of a cylinder's injector and of its coil, to which the cylinder's number is added."""
MOST_US = 30 * 60 * 1_000_000
"""No run is longer: times are compared as differences of 32 bits."""
_MOST_PULSES = 255
_ROOM = struct.Struct("<H")
_STATE = struct.Struct("<IBHHHH")  # now, state, late, lost, room, edges


class BoxKind(IntEnum):
    """Requests to a box; HELLO is that of bench.link."""

    BEGIN = 0x21
    QUEUE = 0x22
    RUN = 0x23
    EDGES = 0x24


class What(IntEnum):
    """What a record puts out."""

    END = 0
    DAC = 1
    SPEED = 2
    SHAFT = 3
    CRANK = 4
    SWITCHES = 5
    REDUCTION = 6
    RETARD = 7


# Of records of one moment, which comes first.
_TURN = (What.DAC, What.SWITCHES, What.RETARD, What.REDUCTION, What.SPEED, What.SHAFT, What.CRANK, What.END)


@dataclass(frozen=True)
class State:
    """The answer to EDGES. `late`: things put out late; `lost`: edges without room; `room`: of the queue."""

    now_us: int
    running: bool
    over: bool
    empty: bool
    late: int
    lost: int
    room: int
    edges: Records

    @classmethod
    def unpack(cls, body: bytes) -> State:
        """Raises Malformed where it is none."""
        if len(body) < _STATE.size:
            raise Malformed("too short")
        now, state, late, lost, room, count = _STATE.unpack_from(body)
        if len(body) != _STATE.size + count * EDGE.itemsize:
            raise Malformed("another number of edges than it says")
        edges = np.frombuffer(body, EDGE, offset=_STATE.size)
        return cls(now, bool(state & 1), bool(state & 2), bool(state & 4), late, lost, room, edges)


def unpack_room(body: bytes) -> int:
    """How many records fit. Raises Malformed."""
    if len(body) != _ROOM.size:
        raise Malformed("no room")
    return int(_ROOM.unpack(body)[0])


def most_records(largest: int) -> int:
    """How many records a frame carries."""
    return (largest - HEAD.size) // RECORD.itemsize


def _trains(times: list[int]) -> Iterator[tuple[int, int, int]]:
    """Pulses as (first, how many, microseconds from one to the next)."""
    i = 0
    while i < len(times):
        gap, n = 0, 1
        if i + 1 < len(times) and times[i + 1] - times[i] <= 0xFFFF:
            gap = times[i + 1] - times[i]
            while n < _MOST_PULSES and i + n < len(times) and times[i + n] - times[i + n - 1] == gap:
                n += 1
        yield times[i], n, gap
        i += n


def records_of(wires: Wires, cylinders: int) -> Records:
    """All records of a run, in order."""
    turn = {what: i for i, what in enumerate(_TURN)}
    rows: list[tuple[int, int, int, int, int]] = []

    def add(at: int, what: What, extra: int, value: int) -> None:
        rows.append((at, turn[what], what, extra, value))

    switches, request = wires.switches, wires.request
    for i in _changes(wires.dac):
        add(int(wires.at[i]), What.DAC, 0, int(wires.dac[i]))
    for i in _changes(switches):
        add(int(wires.at[i]), What.SWITCHES, 0, int(switches[i]))
    asked = request["request_reduction"].astype(np.int64) << 32
    asked |= request["request_retard"].astype(np.int64) << 16
    for i in _changes(asked | request["request_reason"]):
        at, row = int(wires.at[i]), request[i]
        add(at, What.RETARD, 0, int(row["request_retard"]))
        add(at, What.REDUCTION, int(row["request_reason"]), int(row["request_reduction"]))
    for what, times in ((What.SPEED, wires.speed_pulses), (What.SHAFT, wires.shaft_pulses)):
        for at, n, gap in _trains(times.tolist()):
            add(at, what, n, gap)
    for i, at in enumerate(wires.crank.tolist()):
        add(at, What.CRANK, 1 if i % cylinders == 0 else 0, 0)
    add(wires.end, What.END, 0, 0)
    rows.sort()
    made = np.zeros(len(rows), RECORD)
    for name, column in zip(("at", "what", "extra", "value"), (0, 2, 3, 4), strict=True):
        made[name] = [row[column] for row in rows]
    return made


def _changes(values: Ints) -> list[int]:
    """Where a value is another than before, the first one included."""
    return [0, *(np.flatnonzero(np.diff(values)) + 1).tolist()]


def wires_of(log: Records, end: int) -> Wires:
    """What was on the wires, from what a box put out: RECORD[n], pulse by pulse."""

    def times(what: What) -> Ints:
        return np.asarray(log["at"][log["what"] == what].astype(np.int64))

    at = np.unique(np.concatenate([times(what) for what in (What.DAC, What.SWITCHES, What.REDUCTION)]))

    def levels(what: What, field: str) -> Ints:
        rows = log[log["what"] == what]
        if not len(rows):
            return np.zeros(len(at), dtype=np.int64)
        last = np.searchsorted(rows["at"], at, side="right") - 1
        return np.where(last >= 0, rows[field][np.maximum(last, 0)], 0).astype(np.int64)

    request = np.zeros(len(at), INPUT)
    request["request_reduction"] = levels(What.REDUCTION, "value")
    request["request_reason"] = levels(What.REDUCTION, "extra")
    request["request_retard"] = levels(What.RETARD, "value")
    return Wires(
        at, levels(What.DAC, "value"), levels(What.SWITCHES, "value"), request, times(What.SPEED),
        times(What.SHAFT), times(What.CRANK), end,
    )  # fmt: skip
