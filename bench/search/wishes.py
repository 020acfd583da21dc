"""Where a search may seek: what `--fix`, `--range` and `--near` ask for."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from bench.errors import UserError
from bench.trace.text import quoted

KEYS = (
    "start_at_rest_mm",
    "fall_mm",
    "width_mm",
    "greatest_reduction_percent",
    "hold_ms",
    "release_percent_per_s",
    "look_rising_ms",
    "look_falling_ms",
    "look_time_ms",
)
"""The numbers that a search moves, in the order of bench.search.settings."""
LOOKS = ("look_rising_ms", "look_falling_ms")

_WHOLE = re.compile(r"\d+")
_RIGHT = f"one of {', '.join(KEYS)}"


@dataclass(frozen=True)
class Wishes:
    """`fixed`: keys that stay as the file has them; `ranges`: key, least, greatest; `near`: every other one
    stays within so many percent of its usual range from where the file has it."""

    fixed: tuple[str, ...] = ()
    ranges: tuple[tuple[str, int, int], ...] = ()
    near: float | None = None

    def bounds(self, key: str, low: int, high: int, own: int) -> tuple[int, int]:
        """The range of a key whose usual one is `low` to `high`, and whose value in the file is `own`.
        UserError where what is asked for reaches beyond it."""
        if key in self.fixed:
            return own, own
        for name, least, greatest in self.ranges:
            if name != key:
                continue
            if not low <= least <= greatest <= high:
                what = f"{key}={least}:{greatest} reaches beyond what makes sense for this calibration"
                raise UserError(what, "--range", f"within {low}:{high}")
            return least, greatest
        if self.near is None:
            return low, high
        by = self.near / 100 * (high - low)
        return max(low, math.floor(own - by)), min(high, math.ceil(own + by))

    def without_look_ahead(self) -> Wishes:
        """The same with no look-ahead."""
        fixed = tuple(key for key in self.fixed if key not in LOOKS)
        ranges = tuple(one for one in self.ranges if one[0] not in LOOKS)
        return Wishes(fixed, (*ranges, *((key, 0, 0) for key in LOOKS)), self.near)

    def as_asked(self) -> dict[str, str]:
        """Plain words of it, for what a search remembers of its command."""
        ranges = [f"{key}={least}:{greatest}" for key, least, greatest in self.ranges]
        near = "" if self.near is None else f"{self.near:g}"
        return {"fix": " ".join(self.fixed), "range": " ".join(ranges), "near": near}


def read_wishes(fixed: Sequence[str], ranges: Sequence[str], near: float | None) -> Wishes:
    """What the options say, in the order of KEYS. UserError for what none of them can be."""
    found: dict[str, tuple[int, int] | None] = {}
    for text in fixed:
        _once(text, "--fix", found)
        found[text] = None
    for text in ranges:
        key, equals, ends = text.partition("=")
        low, colon, high = ends.partition(":")
        if not (equals and colon and _WHOLE.fullmatch(low) and _WHOLE.fullmatch(high)):
            raise UserError(f"{quoted(text)} is not a range", "--range", "for example hold_ms=20:100")
        _once(key, "--range", found)
        if int(low) > int(high):
            raise UserError(f"{quoted(text)} ends below its start", "--range", f"{key}={high}:{low}")
        found[key] = (int(low), int(high))
    if all(key in found and found[key] is None for key in KEYS):
        raise UserError("nothing is left to seek", "--fix", "leave at least one key free")
    spans = [(key, *span) for key in KEYS if (span := found.get(key)) is not None]
    return Wishes(tuple(key for key in KEYS if key in found and found[key] is None), tuple(spans), near)


def _once(key: str, option: str, found: dict[str, tuple[int, int] | None]) -> None:
    if key not in KEYS:
        raise UserError(f"{quoted(key)} is nothing that is sought", option, _RIGHT)
    if key in found:
        raise UserError(f"{key} is there twice", option, "--fix or --range, each key once")
