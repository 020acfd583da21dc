"""Columns of whole numbers as a page carries them: exact, and small enough for millions of ticks.

A column is stored as its first differences, folded to non-negative numbers, their bytes plane by plane,
deflated (RFC 1950) and in base64 (RFC 4648). The page unpacks it in the browser, draws the least and the
greatest of each pixel, and shows the number itself at the cursor.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

NONE = -(2**30)
"""Stands for a tick with no value."""

_WIDTHS = ((np.uint8, 1), (np.uint16, 2), (np.uint32, 4))


@dataclass(frozen=True)
class Column:
    """Whole numbers, int[n], each `per` of a unit: a height of 16 with `per` 16 is 1 mm.

    NONE is a gap. `decimals` are those shown; `words` say what a number is called instead. Numbers lie within
    2^30 either way.
    """

    values: npt.NDArray[Any]
    per: float = 1
    unit: str = ""
    decimals: int = 0
    words: dict[int, str] = field(default_factory=dict)

    @classmethod
    def of(cls, values: npt.ArrayLike, decimals: int, unit: str = "", more: int = 2) -> Column:
        """Of real numbers, kept with `more` decimals than are shown; what is not finite is a gap."""
        real = np.asarray(values, dtype=np.float64)
        per = 10 ** (decimals + more)
        whole = np.full(real.shape, NONE, dtype=np.int64)
        known = np.isfinite(real)
        whole[known] = np.clip(np.round(real[known] * per), NONE + 1, -NONE)
        return cls(whole, per, unit, decimals)


def packed(values: npt.NDArray[Any]) -> dict[str, Any]:
    """A column as the page reads it: base64 of the deflated planes, how many numbers, and their range."""
    whole = np.asarray(values)
    if whole.dtype.kind not in "iub" or (len(whole) and (whole.min() < NONE or whole.max() > -NONE)):
        raise ValueError("not whole numbers within 2^30")
    whole = whole.astype(np.int32)
    steps = np.diff(whole, prepend=np.int32(0))
    folded = ((steps << 1) ^ (steps >> 31)).astype(np.uint32)
    most = int(folded.max(initial=0))
    kind, width = next((kind, width) for kind, width in _WIDTHS if most < 256**width)
    planes = folded.astype(kind).view(np.uint8).reshape(-1, width).T
    known = whole[whole != NONE]
    return {
        "n": len(whole),
        "width": width,
        "gaps": len(known) < len(whole),
        "least": int(known.min(initial=-NONE)),
        "most": int(known.max(initial=NONE)),
        # Level 4: a whole hour takes a few seconds, and 9 saves some percent of it only.
        "data": base64.b64encode(zlib.compress(planes.tobytes(), 4)).decode("ascii"),
    }
