"""How much of a line the bench uses; what the benchmark of the link promises."""

from __future__ import annotations

import pytest

from bench.benchmarks.bench_link import throttled
from bench.calibration import load
from bench.link.frames import frame_bytes
from bench.link.protocol import stepped_payload
from tests import ROOT

IMAGE = load(ROOT / "traces" / "demo.toml").image


@pytest.mark.parametrize("baud", [115200, 921600])
@pytest.mark.parametrize("largest", [512, 1024])
def test_a_window_uses_95_percent_of_the_line(baud: int, largest: int) -> None:
    """The limit: ten bit times a byte of the answers' frames (8N1), which are longer than the steps'."""
    measured = throttled(IMAGE, baud, 4, largest, 3000)
    assert measured.rate >= 0.95 * measured.allowed
    ticks = round(measured.ticks_a_frame)
    assert measured.frame_bytes <= frame_bytes(stepped_payload(ticks, ticks))
    assert measured.allowed == pytest.approx(
        baud / 10 / measured.frame_bytes * measured.ticks_a_frame, rel=1e-6
    )


def test_lock_step_does_not() -> None:
    measured = throttled(IMAGE, 115200, 1, 1024, 1000)
    assert measured.rate < 0.8 * measured.allowed
