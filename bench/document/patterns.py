"""The patterns of reasons, states and faults, the same on every page."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import cycle

from bench.document.blocks import Bar
from controller import constants as c

REASON_BARS: dict[int, Bar] = {
    c.REASON_OUT_OF_SIGHT: "solid",
    c.REASON_KEPT: "cross",
    c.REASON_BLIND: "back",
    c.REASON_LIFT: "slash",
    c.REASON_ENGINE: "dot",
    c.REASON_SHAFT: "pipe",
}
STATE_BARS: dict[int, Bar] = {
    c.KEPT: "cross",
    c.FAULT_RELEASE: "back",
    c.PEAK: "solid",
    c.HOLD: "slash",
    c.RELEASE: "plain",
}

_FAULT_BARS: tuple[Bar, ...] = ("cross", "vee", "plus", "dot", "pipe", "back")


def fault_bars(codes: Iterable[int]) -> dict[int, Bar]:
    """A pattern for each set of faults that occurs."""
    return dict(zip(codes, cycle(_FAULT_BARS), strict=False))
