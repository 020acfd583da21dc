"""What host and box say to one another: the page, the code and the box's own C must agree."""

from __future__ import annotations

import re
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.blackbox.protocol import COIL, EDGE, RECORD, BoxKind, State, What, records_of, wires_of
from bench.blackbox.protocol import _trains as trains
from bench.link.protocol import Malformed
from firmware_model.core_sources import HERE
from tests.bench.link.test_link_protocol import CODES
from tests.blackbox_support import square

PAGE = (HERE / "probe" / "PROTOCOL.md").read_text(encoding="utf-8")


def layout(name: str) -> str:
    part = PAGE.split(f"\n### {name}\n")[1].split("\n###")[0].split("\n\n| what")[0]
    return "<" + "".join(CODES[kind] for kind in re.findall(r"^\| `\w+` \| (\w+) \|", part, re.MULTILINE))


def test_layouts_are_those_of_the_page() -> None:
    assert struct.calcsize(layout("QUEUE")) == RECORD.itemsize
    assert struct.calcsize(layout("Edge")) == EDGE.itemsize
    body = struct.pack(layout("EDGES answer"), 7, 5, 1, 2, 3, 1) + struct.pack(layout("Edge"), 9, COIL + 4)
    state = State.unpack(body)
    assert (state.now_us, state.running, state.over, state.empty) == (7, True, False, True)
    assert (state.late, state.lost, state.room, state.edges.tolist()) == (1, 2, 3, [(9, 20)])
    for wrong in (body[:-1], body[:5], b""):
        with pytest.raises(Malformed):
            State.unpack(wrong)


def test_kinds_are_those_of_the_page() -> None:
    kinds = dict(re.findall(r"^\| 0x(\w\w) \| (\w+) \|", PAGE, re.MULTILINE))
    assert {int(number, 16): name for number, name in kinds.items()} == {k.value: k.name for k in BoxKind}
    whats = re.findall(r"^\| (\d) \| (\w+) \|", PAGE, re.MULTILINE)
    assert {int(number): name for number, name in whats} == {w.value: w.name for w in What}


@given(st.lists(st.integers(0, 70_000), max_size=300))
def test_trains_hold_every_pulse(gaps: list[int]) -> None:
    times = np.cumsum(np.array(gaps, dtype=np.int64) + 1).tolist()
    again = [first + i * gap for first, n, gap in trains(times) for i in range(n)]
    assert again == times
    assert all(0 < n <= 255 and gap <= 0xFFFF for _, n, gap in trains(times))


def test_records_are_in_order_and_say_all() -> None:
    wires = square().wires
    records = records_of(wires, 8)
    assert (np.diff(records["at"].astype(np.int64)) >= 0).all()
    assert records["what"][-1] == What.END
    assert (records["what"] == What.CRANK).sum() == len(wires.crank)
    # pulse by pulse, as a box puts it out
    parts = [records[records["what"] >= What.CRANK], records[records["what"] == What.DAC]]
    for what, times in ((What.SPEED, wires.speed_pulses), (What.SHAFT, wires.shaft_pulses)):
        pulses = [first + i * gap for first, n, gap in trains(times.tolist()) for i in range(n)]
        parts.append(np.array([(at, what, 1, 0) for at in pulses], RECORD))
    log = np.concatenate(parts)
    again = wires_of(log[np.argsort(log["at"], kind="stable")], wires.end)
    assert (again.speed_pulses == wires.speed_pulses).all()
    assert (again.crank == wires.crank).all()
    rows = np.searchsorted(again.at, wires.at, side="right") - 1
    assert (again.dac[rows] == wires.dac).all()
    assert (again.switches[rows] == wires.switches).all()
