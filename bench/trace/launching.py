"""Where the runs of a trace begin and end: from its switches, or found from speed or height.

What is found is kept simple, so that a person can foresee it, and is always said:

- with a speed: a run begins where the car leaves its last standstill before it passes MOVING_KMH, within
  WITHIN_S; it ends where the car has stood again for STOOD_S.
- with no speed: it begins where the lift leaves RISE_FROM_MM before it stays above RISE_TO_MM for RISE_S, or
  with the trace (or its arming) where it never does.
- a trace without an arming switch is armed all the time, but for a moment between two runs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.trace.spans import spans

Ints = npt.NDArray[Any]

STILL_KMH = 1.0
MOVING_KMH = 15.0
WITHIN_S = 5.0
STOOD_S = 1.0
RISE_FROM_MM = 5.0
RISE_TO_MM = 20.0
RISE_S = 0.1
_ARM_BEFORE_S = 2.0
_STEP = 1 << 16


@dataclass(frozen=True)
class Signals:
    """What a trace shows, an entry for each of n ticks. `lift` gives the lift in mm, NaN where it is not
    known; `speed` in km/h, NaN where it is not known, or None where the trace has none; switches as read, or
    None."""

    tick_us: int
    disarm_ticks: int
    n: int
    lift: Callable[[], npt.NDArray[np.float32]]
    speed: npt.NDArray[np.float32] | None = None
    armed: Ints | None = None
    launch: Ints | None = None
    launch_at: int | None = None

    def ticks(self, seconds: float) -> int:
        """A time in whole ticks, at least one."""
        return max(1, round(seconds * 1e6 / self.tick_us))


@dataclass
class Switches:
    """The arming and launch inputs, uint8[n] each, and how they were come by."""

    armed: Ints
    launch: Ints
    notes: list[str] = field(default_factory=list)

    def first_launch(self) -> int | None:
        """The first tick of the trace that begins a run."""
        both = (self.armed != 0) & (self.launch != 0)
        return int(np.argmax(both)) if both.any() else None


def find(signals: Signals) -> Switches:
    """The switches for the controller."""
    n = signals.n
    given = signals.armed
    made = Switches(np.ones(n, np.uint8) if given is None else given.astype(np.uint8), np.zeros(n, np.uint8))
    made.notes.append("armed: from the start (no arming column)" if given is None else "armed: as recorded")
    if signals.launch_at is not None:
        made.launch[signals.launch_at :] = 1
        made.notes.append("launch: at the time given")
    elif signals.launch is not None:
        made.launch[:] = signals.launch
        made.notes.append("launch: as recorded")
        if given is None:
            _part_runs(signals, [start for start, _ in spans(signals.launch)], made)
    elif signals.speed is not None:
        _launch_by_speed(signals, made)
    else:
        _launch_by_height(signals, made)
    return made


def _launch_by_speed(signals: Signals, made: Switches) -> None:
    starts = departures(signals)
    made.notes.append(
        f"launch: found where the car leaves its last standstill (up to {STILL_KMH:g} km/h) before"
        f" {MOVING_KMH:g} km/h ({len(starts)} found)"
    )
    if signals.armed is None:
        _part_runs(signals, starts, made)
    for start in starts:
        if not made.armed[start]:
            at = start * signals.tick_us / 1e6
            made.notes.append(f"the car drives off {at:.3f} s into the trace while not armed: no launch")
            continue
        made.launch[start : _armed_until(made.armed, start, signals.disarm_ticks)] = 1


def _launch_by_height(signals: Signals, made: Switches) -> None:
    lift = signals.lift()
    rises = spans(lift > RISE_TO_MM)
    long_rises = [start for start, stop in rises if stop - start >= signals.ticks(RISE_S)]
    low = lift <= RISE_FROM_MM
    stop = 0
    for armed_from, _ in spans(made.armed):
        if armed_from < stop:
            continue  # a short opening of the arming input
        stop = _armed_until(made.armed, armed_from, signals.disarm_ticks)
        inside = [start for start in long_rises if armed_from <= start < stop]
        if inside:
            below = _last_before(low, inside[0], armed_from)
            start = armed_from if below is None else below + 1
            how = f"found where the nose leaves {RISE_FROM_MM:g} mm for more than {RISE_TO_MM:g} mm of lift"
        else:
            start = armed_from
            how = f"taken with the arming, since no lift above {RISE_TO_MM:g} mm was found"
        made.launch[start:stop] = 1
        made.notes.append(f"launch: {how}; the time since launch counts from there")


def departures(signals: Signals) -> list[int]:
    """The ticks at which the car drives off."""
    assert signals.speed is not None
    still = signals.speed <= STILL_KMH
    starts: list[int] = []
    for moving, _ in spans(signals.speed >= MOVING_KMH):
        before = _last_before(still, moving)
        start = 0 if before is None else before + 1
        if moving - start <= signals.ticks(WITHIN_S) and start not in starts:
            starts.append(start)
    return starts


def _last_before(mask: npt.NDArray[Any], stop: int, first: int = 0) -> int | None:
    """The last place in [first, stop) at which a mask holds."""
    for end in range(stop, first, -_STEP):
        begin = max(first, end - _STEP)
        found = np.flatnonzero(mask[begin:end])
        if len(found):
            return begin + int(found[-1])
    return None


def _part_runs(signals: Signals, starts: list[int], made: Switches) -> None:
    """Disarm for a moment after each run: where the car stands again, else some time before the next one."""
    n = len(made.armed)
    for i, start in enumerate(starts):
        next_start = starts[i + 1] if i + 1 < len(starts) else n
        off = standing_again(signals, start, next_start)
        if off is None and next_start < n:
            off = max((start + next_start) // 2, next_start - signals.ticks(_ARM_BEFORE_S))
        # A launch that comes again before a disarm could count is the same launch.
        if off is not None and off + signals.disarm_ticks < next_start:
            made.armed[off : off + signals.disarm_ticks + 1] = 0
            made.launch[off:next_start] = 0
    if (made.armed == 0).any():
        made.notes.append(
            "armed: off for a moment between runs, where the car stands again or before the next run"
        )


def standing_again(signals: Signals, start: int, stop: int) -> int | None:
    """The tick in [start, stop) at which the car, once it moved, stands for STOOD_S; None where it does
    not."""
    if signals.speed is None:
        return None
    speed = signals.speed[start:stop]
    moving = speed >= MOVING_KMH
    if not moving.any():
        return None
    moved = int(np.argmax(moving))
    stood = signals.ticks(STOOD_S)
    for first, last in spans(speed[moved:] <= STILL_KMH):
        if last - first >= stood:
            return start + moved + first
    return None


def _armed_until(armed: npt.NDArray[Any], start: int, disarm_ticks: int) -> int:
    """The first tick from `start` on that begins a steady disarm, or the end."""
    for first, last in spans(armed[start:] == 0):
        if last - first >= disarm_ticks:
            return start + first
    return len(armed)
