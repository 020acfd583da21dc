"""The part of a run that is worth seeing: one rule for every picture, page and desk."""

from __future__ import annotations

BEFORE_S = 0.3
AFTER_S = 0.7
LEAST_S = 2.0


def worth_seeing(start: int, stop: int, last: int | None, tick_s: float) -> tuple[int, int]:
    """The ticks [first, end) worth seeing of a run of the ticks [start, stop): from shortly before it begins
    to shortly after `last`, the last tick in which anything happens, and LEAST_S at least. What would leave
    out less than that goes to the end."""
    least = round(LEAST_S / tick_s)
    until = max((start if last is None else last) + round(AFTER_S / tick_s), start + least)
    if stop - until < least:
        until = stop
    return max(0, start - round(BEFORE_S / tick_s)), min(stop, until)
