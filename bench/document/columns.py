"""Columns of whole numbers as a page carries them: exact, and small enough for millions of ticks.

A column is stored as its first differences, folded to non-negative numbers, their bytes plane by plane,
deflated (RFC 1950) and in base64 (RFC 4648). The page unpacks it in the browser, draws the least and the
greatest of each pixel, and shows the number itself at the cursor.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

NONE = -(2**30)
"""Stands for a tick with no value."""

_WIDTHS = ((np.uint8, 1), (np.uint16, 2), (np.uint32, 4))
_PART = 1 << 18  # numbers at a time, so that a long column needs few copies of itself

Numbers = npt.NDArray[Any]


@dataclass(frozen=True)
class Column:
    """Whole numbers, int[n] or what gives them when they are needed, each `per` of a unit: a height of 16
    with `per` 16 is 1 mm.

    NONE is a gap. `decimals` are those shown; `words` say what a number is called instead. Numbers lie within
    2^30 either way.
    """

    values: Numbers | Callable[[], Numbers]
    per: float = 1
    unit: str = ""
    decimals: int = 0
    words: dict[int, str] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        values: npt.ArrayLike | Callable[[], npt.ArrayLike],
        decimals: int,
        unit: str = "",
        more: int = 2,
    ) -> Column:
        """Of real numbers, kept with `more` decimals than are shown; what is not finite is a gap."""
        per = 10 ** (decimals + more)

        def whole() -> Numbers:
            given = values() if callable(values) else values
            real = np.array(given, dtype=np.float64)
            gaps = ~np.isfinite(real)
            real[gaps] = 0
            real *= per
            np.clip(np.round(real, out=real), NONE + 1, -NONE, out=real)
            numbers = real.astype(np.int32)
            numbers[gaps] = NONE
            return numbers

        return cls(whole, per, unit, decimals)

    @property
    def numbers(self) -> Numbers:
        """The numbers themselves."""
        return self.values() if callable(self.values) else self.values


def packed(values: Numbers) -> dict[str, Any]:
    """A column as the page reads it: base64 of the deflated planes, how many numbers, and their range."""
    whole = np.asarray(values)
    n = len(whole)
    if whole.dtype.kind not in "iub" or (n and (whole.min() < NONE or whole.max() > -NONE)):
        raise ValueError("not whole numbers within 2^30")
    parts = range(0, n, _PART)
    most = max((int(_folded(whole, start).max()) for start in parts), default=0)
    width = next(width for _, width in _WIDTHS if most < 256**width)
    kind = next(kind for kind, width in _WIDTHS if most < 256**width)
    planes = np.empty((width, n), np.uint8)
    known, least, greatest = 0, -NONE, NONE
    for start in parts:
        folded = _folded(whole, start).astype(kind)
        planes[:, start : start + len(folded)] = folded.view(np.uint8).reshape(-1, width).T
        part = whole[start : start + _PART]
        there = part[part != NONE]
        known += len(there)
        if len(there):
            least, greatest = min(least, int(there.min())), max(greatest, int(there.max()))
    return {
        "n": n,
        "width": width,
        "gaps": known < n,
        "least": least,
        "most": greatest,
        "data": deflated(planes.tobytes()),
    }


def deflated(data: bytes) -> str:
    """Bytes as the page inflates them."""
    # Level 4: a whole hour takes a few seconds, and 9 saves some percent of it only.
    return base64.b64encode(zlib.compress(data, 4)).decode("ascii")


def _folded(whole: Numbers, start: int) -> npt.NDArray[np.uint32]:
    """The differences of a part, each from the number before it, folded: 0, -1, 1, -2 ... are 0, 1, 2, 3."""
    part = whole[start : start + _PART].astype(np.int32)
    steps = np.diff(part, prepend=np.int32(whole[start - 1] if start else 0))
    return np.asarray((steps << 1) ^ (steps >> 31)).astype(np.uint32)
