"""Stretches of ticks in which something holds."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def spans(mask: npt.NDArray[Any]) -> list[tuple[int, int]]:
    """The stretches [start, stop) in which `mask` (any[n], true or not) holds, in order."""
    if len(mask) == 0:
        return []
    holds = np.asarray(mask) if mask.dtype == np.bool_ else np.asarray(mask != 0)
    edges = np.flatnonzero(holds[1:] != holds[:-1]) + 1
    bounds = np.concatenate(([0], edges, [len(mask)]))
    first = 0 if holds[0] else 1
    return [(int(a), int(b)) for a, b in zip(bounds[first:-1:2], bounds[first + 1 :: 2], strict=True)]
