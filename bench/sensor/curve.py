"""The curve of a sensor from readings at known heights: a straight line, or a broken one where that is not
enough."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.sensor.recording import Floats

MOST_POINTS = 8
"""As many as a calibration image holds."""


@dataclass(frozen=True)
class Curve:
    """Points (readings float64[k], rising, and mm float64[k]) joined by straight lines; `left` and
    `straight_left` (mm, float64[n]) are measured minus curve and measured minus straight line at each known
    height."""

    readings: Floats
    heights: Floats
    left: Floats
    straight_left: Floats

    @property
    def shown(self) -> bool:
        """Whether more heights were measured than the curve has points, so that what is left means
        something."""
        return len(self.left) > len(self.readings)


def straight(x: Floats, y: Floats) -> tuple[float, float]:
    """(slope, height at 0) of the straight line of least squares."""
    middle, mean = x.mean(), y.mean()
    slope = float(((x - middle) * (y - mean)).sum() / ((x - middle) ** 2).sum())
    return slope, float(mean - slope * middle)


def broken(x: Floats, y: Floats, at: Floats) -> Floats:
    """The heights at the points `at` (rising; they span x) of the broken line of least squares."""
    shares = np.stack([np.interp(x, at, row) for row in np.eye(len(at))], axis=1)
    return np.asarray(np.linalg.lstsq(shares, y, rcond=None)[0])


def fit(x: Floats, y: Floats, within_mm: float) -> Curve:
    """The curve through readings x[n], all different, of heights y[n], n >= 2: with as few points as leave no
    height further off than `within_mm`; a point is put where most is left, eight at most."""
    order = np.argsort(x)
    back = np.argsort(order)
    x, y = x[order], y[order]
    slope, first = straight(x, y)
    straight_left = y - (slope * x + first)
    chosen = [0, len(x) - 1]
    while True:
        at = x[sorted(chosen)]
        heights = broken(x, y, at)
        left = y - np.interp(x, at, heights)
        most = np.abs(left)
        most[chosen] = -1  # none is chosen twice
        if np.abs(left).max() <= within_mm or len(chosen) == min(MOST_POINTS, len(x)):
            return Curve(at, heights, left[back], straight_left[back])
        chosen.append(int(most.argmax()))
