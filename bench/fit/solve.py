"""Least squares with a prior and a robust loss, by the method of Levenberg and Marquardt.

Unknowns are in units of their prior's standard deviation, so that the prior is the unit matrix. The loss of a
residual r is 2 (sqrt(1 + r^2) - 1): r^2 near 0, 2 |r| far out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_STEPS = 25
_TRIES = 8


@dataclass(frozen=True)
class Solution:
    """`x` float64[k]; `residual` float64[n] there; `cost` the loss and the prior's share; `steps` taken."""

    x: Floats
    residual: Floats
    cost: float
    steps: int


def cost_of(residual: Floats, x: Floats) -> float:
    """Robust loss of the residuals and the prior; infinite where a residual is no number."""
    if not np.isfinite(residual).all():
        return np.inf
    return float(2 * (np.sqrt(1 + residual**2) - 1).sum() + (x**2).sum())


def weights(residual: Floats) -> Floats:
    """What each residual counts for in the normal equations, float64[n], at most 1."""
    return np.asarray(1 / np.sqrt(1 + residual**2))


def solve(
    residual: Callable[[Floats], Floats],
    jacobian: Callable[[Floats, Floats], Floats],
    x: Floats,
    low: Floats,
    high: Floats,
    settled: float,
    progress: Callable[[int, float], None],
) -> Solution:
    """The least cost from x on.

    `residual(x)` gives float64[n], `jacobian(x, residual)` float64[n, k]; x stays between `low` and `high`
    (float64[k]). Ends when a step gains less than the share `settled` of the cost. `progress` is called with
    step and cost."""
    r = residual(x)
    cost = cost_of(r, x)
    damping = 1e-3
    for step in range(1, _STEPS + 1):
        progress(step, cost)
        j = jacobian(x, r)
        weighted = j * weights(r)[:, None]
        normal = weighted.T @ j + np.eye(len(x))
        slope = weighted.T @ r + x
        for _ in range(_TRIES):
            move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope)
            tried = np.clip(x + move, low, high)
            tried_r = residual(tried)
            tried_cost = cost_of(tried_r, tried)
            if tried_cost < cost:
                break
            damping *= 4
        else:
            return Solution(x, r, cost, step)
        gain = cost - tried_cost
        x, r, cost = tried, tried_r, tried_cost
        damping = max(damping / 5, 1e-9)
        if gain < settled * cost:
            break
    return Solution(x, r, cost, step)
