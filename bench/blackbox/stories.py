"""Runs made for a calibration, in which each thing that the controller does shows at the crank.

A nose that rises until the command is at its greatest, stays, and comes down at once tells hold and release
to a tick, whatever the noise; the others tell what a failing sensor does.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from bench.blackbox.played import Floats
from bench.calibration.image import read_image
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records
from controller import Calibration

ENGINE_RPM = 6000
SPEED = 600
"""Of the car all along, 0.1 km/h: 60 km/h."""
_MOVE_MS = 120
_LOST = -1.0


@dataclass
class _Nose:
    """Heights in 1/16 mm over the ticks; _LOST where the sensor gives 0 V."""

    c: Calibration
    parts: list[Floats] = field(default_factory=list)
    now: float = 0.0

    def ticks(self, ms: float) -> int:
        return max(1, round(ms * 1000 / self.c.tick_us))

    def stay(self, ms: float) -> None:
        self.parts.append(np.full(self.ticks(ms), self.now))

    def to(self, height: float, ms: float = 0.0) -> None:
        """There, in this time; in _MOVE_MS unless given, but no faster than the calibration believes."""
        if not ms:
            ticks = 1.3 * abs(height - self.now) / max(1, self.c.allowance_rate)
            ms = max(_MOVE_MS, ticks * self.c.tick_us / 1000)
        n = self.ticks(ms)
        self.parts.append(self.now + (height - self.now) * np.arange(1, n + 1) / n)
        self.now = height

    def lost(self, ms: float) -> None:
        self.parts.append(np.full(self.ticks(ms), _LOST))

    def lift(self, share: float) -> float:
        """The height at a share of the lift from which on the maps give their greatest, inside the range."""
        c = self.c
        full = c.lift_axis[c.lift_points - 1] * 4096 / c.gain_q12 * share
        far = max(c.sensor_height[: c.sensor_points])
        return min(c.rest + full, far - 1.5 * c.near_end)


def _square(nose: _Nose) -> None:
    rest = nose.now
    for up_ms, down_ms in ((300, 900), (150, 1300), (40, 900)):
        nose.to(nose.lift(1.1))
        nose.stay(up_ms)
        nose.to(rest)
        nose.stay(down_ms)


def _stairs(nose: _Nose) -> None:
    rest = nose.now
    for shares in ((1.1, 0.85, 0.7), (1.1, 0.9), (0.9, 1.1, 0.8, 1.0)):
        for share in shares:
            nose.to(nose.lift(share))
            nose.stay(500)
        nose.to(rest)
        nose.stay(800)


def _out_of_sight(nose: _Nose) -> None:
    rest = nose.now
    far = float(max(nose.c.sensor_height[: nose.c.sensor_points]))
    nose.to(far - 4)
    nose.lost(900)
    nose.to(far - 4, 1)
    nose.to(rest)
    nose.stay(1500)


def _mostly_dead(nose: _Nose) -> None:
    rest = nose.now
    c = nose.c
    nose.to(nose.lift(1.1))
    nose.stay(100)
    sample_ms = c.sample_ticks * c.tick_us / 1000
    for _ in range(max(4, 2 * c.confirm_samples // 5)):
        nose.lost(sample_ms * max(2, c.confirm_samples // 3))
        nose.stay(sample_ms)
    nose.to(rest, 1)
    nose.stay(1500)


def _lost_high(nose: _Nose) -> None:
    rest = nose.now
    nose.to(nose.lift(1.1))
    nose.stay(100)
    nose.lost(700)
    nose.to(nose.lift(0.9), 1)
    nose.stay(300)
    nose.to(rest)
    nose.stay(1200)


def _lost_rising(nose: _Nose) -> None:
    rest = nose.now
    nose.to(nose.lift(0.3))
    nose.lost(600)
    nose.to(rest, 1)
    nose.stay(1200)


def _false_fall(nose: _Nose) -> None:
    rest = nose.now
    low = float(min(nose.c.sensor_height[: nose.c.sensor_points])) + 60 * 16
    nose.to(nose.lift(1.1))
    nose.stay(200)
    nose.to(min(low, rest), 1)
    nose.stay(1800)
    nose.to(rest, 1)
    nose.stay(1200)


def _lost_samples_rising(nose: _Nose) -> None:
    rest = nose.now
    c = nose.c
    sample_ms = c.sample_ticks * c.tick_us / 1000
    top = nose.lift(0.95)
    for _ in range(3):
        steps = max(4, int(600 / sample_ms) // 4)
        for step in range(1, steps + 1):
            nose.lost(3 * sample_ms)
            nose.to(rest + (top - rest) * step / steps, sample_ms)
        nose.to(rest)
        nose.stay(900)


STORIES = {
    "square": _square,
    "stairs": _stairs,
    "out-of-sight": _out_of_sight,
    "mostly-dead": _mostly_dead,
    "lost-high": _lost_high,
    "lost-rising": _lost_rising,
    "false-fall": _false_fall,
    "lost-samples": _lost_samples_rising,
}


def story(name: str, image: bytes) -> Records:
    """The INPUT records of a story of STORIES for a calibration's image."""
    c = read_image(image)
    nose = _Nose(c, now=float(c.rest))
    nose.stay(300)
    STORIES[name](nose)
    heights = np.concatenate(nose.parts)
    pairs = sorted(zip(c.sensor_height[: c.sensor_points], c.sensor_counts[: c.sensor_points], strict=True))
    counts = np.interp(heights, [pair[0] for pair in pairs], [pair[1] for pair in pairs])
    made = np.zeros(len(heights), INPUT)
    made["counts"] = np.where(heights == _LOST, 0, np.floor(counts + 0.5))
    made["engine"] = ENGINE_RPM
    made["speed"] = SPEED
    made["switches"] = SPEED_VALID | ARMED
    made["switches"][nose.ticks(200) :] |= LAUNCH
    return made
