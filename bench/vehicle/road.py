"""Road roughness by ISO 8608, as heights along the track."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Geometric means of the standard's classes: Gd(n0) in m^3 at n0 = 0.1 cycle/m. (Some programs take the upper
# limits, twice these, for the class.)
CLASSES = {"A": 16e-6, "B": 64e-6, "C": 256e-6, "D": 1024e-6}
REFERENCE = 0.1  # cycle/m
# From 10 m of wavelength down: longer waves carry the whole car, and sensor and wheels rise together.
LOWEST, HIGHEST = 0.1, 2.83  # cycle/m
STEP = 0.05  # m between two heights
_WAVES = 160


@dataclass(frozen=True)
class Road:
    """Heights in m every `step` m."""

    step: float
    heights: Floats


def profile(
    roughness: str, length: float, seed: int, lowest: float = LOWEST, highest: float = HIGHEST
) -> Road:
    """A road of one class over a length in m: waves whose amplitudes follow Gd(n) = Gd(n0) (n / n0)^-2, with
    phases by chance. `lowest` and `highest` bound the wave numbers, cycle/m.

    Source: ISO 8608:1995, the geometric means of its classes; second-hand (the standard itself was not read),
    the mean of class D from memory.
    """
    edges = np.geomspace(lowest, highest, _WAVES + 1)
    n = np.sqrt(edges[:-1] * edges[1:])
    # n = sqrt(low * high) and this width make the power of each band exact for the slope -2.
    amplitude = np.sqrt(2 * CLASSES[roughness] * (n / REFERENCE) ** -2.0 * np.diff(edges))
    phase = np.random.Generator(np.random.PCG64(seed)).uniform(0, 2 * np.pi, _WAVES)
    x = np.arange(0.0, length + STEP, STEP)
    heights = np.zeros(len(x))
    for a, number, shift in zip(amplitude, n, phase, strict=True):
        heights += a * np.cos(2 * np.pi * number * x + shift)
    return Road(STEP, heights)
