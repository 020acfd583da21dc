"""The patterns of the reasons for a reduction, the same on every page."""

from __future__ import annotations

from bench.report.blocks import Bar
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
