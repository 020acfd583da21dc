"""A trace laid on the controller's tick."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bench.trace.model import Bools, Channel, Floats, Trace

_CHUNK = 1 << 18
_ROUNDING_NS = 1


@dataclass(frozen=True)
class Grid:
    """`n` ticks of `tick_us` microseconds from `start_s` on; for each role float64[n] and bool[n]. What is
    not valid is NaN."""

    tick_us: int
    n: int
    start_s: float
    values: dict[str, Floats]
    valid: dict[str, Bools]


def on_grid(trace: Trace, tick_us: int, max_gap_s: float) -> Grid:
    """The trace at every tick from its first time to its last.

    Height and speeds go in straight lines from sample to sample and equal the sample on its own instant;
    where two samples of a channel are further apart than `max_gap_s` the ticks between them are not valid.
    Switches and requests keep their value until the next sample, through rows in which their own cell is
    empty too (many loggers write a switch only when it changes), but not across a gap of the recording.
    Nothing is continued beyond a channel's samples, but a held one to the end of the recording.

    Raises ValueError for a tick or a limit that is not positive.
    """
    values, valid = {}, {}
    n = ticks_of(trace, tick_us)
    for role in trace.channels:
        values[role], valid[role] = np.empty(n), np.empty(n, dtype=np.bool_)
        for start, known, good in pieces(trace, role, tick_us, max_gap_s):
            values[role][start : start + len(known)] = known
            valid[role][start : start + len(good)] = good
    return Grid(tick_us, n, float(trace.time_s[0]), values, valid)


def ticks_of(trace: Trace, tick_us: int) -> int:
    """How many ticks a trace takes. Raises ValueError for a tick that is not positive."""
    if tick_us <= 0:
        raise ValueError("the tick must be positive")
    return int(_in_ticks(trace.time_s[[0, -1]], tick_us)[-1]) + 1


def pieces(trace: Trace, role: str, tick_us: int, max_gap_s: float) -> Iterator[tuple[int, Floats, Bools]]:
    """One channel as `on_grid` lays it: (first tick, values, whether they are valid) of one stretch of ticks
    after the other. The arrays may be changed. Raises ValueError as `on_grid` does."""
    if tick_us <= 0 or not max_gap_s > 0:
        raise ValueError("tick and gap limit must be positive")
    channel = trace.channels[role]
    ticks = _in_ticks(trace.time_s, tick_us)
    n = int(ticks[-1]) + 1
    max_gap = max_gap_s * 1e6 / tick_us + 2 * _ROUNDING_NS / (1000 * tick_us)
    each_tick = len(ticks) == n and all(
        bool((ticks[start : start + _CHUNK] == np.arange(start, min(n, start + _CHUNK))).all())
        for start in range(0, n, _CHUNK)
    )
    if each_tick and channel.valid.all() and not channel.delay_s:
        # A fast logger has a row at each tick: nothing to look up, to hold or to draw lines between.
        del ticks
        for start in range(0, n, _CHUNK):
            part = channel.values[start : start + _CHUNK].copy()
            yield start, part, np.ones(len(part), dtype=np.bool_)
        return
    delay = round(channel.delay_s * 1e9) / (1000 * tick_us)
    if delay:
        ticks -= delay
    yield from (_held if channel.held else _lined)(ticks, channel, n, max_gap)


def without_delays(trace: Trace) -> Trace:
    """The trace with each channel that was written late moved back onto the times of the others."""
    if not any(channel.delay_s for channel in trace.channels.values()):
        return trace
    channels = {}
    for role, channel in trace.channels.items():
        at = trace.time_s + channel.delay_s
        known = trace.time_s[channel.valid]
        if not channel.delay_s or len(known) == 0:
            channels[role] = channel
            continue
        samples = channel.values[channel.valid]
        before = np.searchsorted(known, at, side="right") - 1
        held = samples[np.maximum(before, 0)]
        values = held if channel.held else np.interp(at, known, samples)
        # as many samples as before are known, but none beyond the ends
        valid = channel.valid & (before >= 0) & (channel.held | (at <= known[-1]))
        values = np.where(valid, values, np.nan)
        channels[role] = replace(channel, values=values, valid=valid, delay_s=0.0)
    return replace(trace, channels=channels)


def _in_ticks(time_s: Floats, tick_us: int) -> Floats:
    """Times in ticks since the first, worked out in whole nanoseconds, so that it does not matter where the
    count began. What rounding puts beside a tick is on it: a switch that closes there counts there."""
    ticks: Floats = time_s * 1e9
    np.rint(ticks, out=ticks)
    ticks -= ticks[0]
    ticks /= 1000 * tick_us
    for start in range(0, len(ticks), _CHUNK):
        part = ticks[start : start + _CHUNK]
        whole = np.rint(part)
        np.copyto(part, whole, where=np.abs(part - whole) < 1.5 * _ROUNDING_NS / (1000 * tick_us))
    return ticks


def _lined(ticks: Floats, channel: Channel, n: int, max_gap: float) -> Iterator[tuple[int, Floats, Bools]]:
    at, samples = ticks, channel.values
    if not channel.valid.all():
        at, samples = ticks[channel.valid], samples[channel.valid]
    for start in range(0, n, _CHUNK):
        tick = np.arange(start, min(n, start + _CHUNK), dtype=np.float64)
        if len(at) == 0:
            yield start, np.full(len(tick), np.nan), np.zeros(len(tick), dtype=np.bool_)
            continue
        left = np.searchsorted(at, tick, side="right") - 1
        right = np.minimum(left + 1, len(at) - 1)
        here = np.maximum(left, 0)
        near = (left >= 0) & (left < len(at) - 1) & (at[right] - at[here] <= max_gap)
        good = near | ((left >= 0) & (at[here] == tick))
        yield start, np.where(good, np.interp(tick, at, samples), np.nan), good


def _held(ticks: Floats, channel: Channel, n: int, max_gap: float) -> Iterator[tuple[int, Floats, Bools]]:
    # for each row the row whose sample it still holds, -1 before the first
    holder = np.maximum.accumulate(np.where(channel.valid, np.arange(len(ticks)), -1))
    # A value from before a gap of the recording is not held after it.
    island = np.concatenate(([0], np.cumsum(np.diff(ticks) > max_gap)))
    holder[(holder >= 0) & (island[np.maximum(holder, 0)] != island)] = -1
    for start in range(0, n, _CHUNK):
        tick = np.arange(start, min(n, start + _CHUNK), dtype=np.float64)
        row = np.searchsorted(ticks, tick, side="right") - 1
        after = np.minimum(row + 1, len(ticks) - 1)
        inside = (row >= 0) & (ticks[row] == tick) | (row >= 0) & (ticks[after] - ticks[row] <= max_gap)
        good = inside & (holder[row] >= 0)
        yield start, np.where(good, channel.values[holder[row]], np.nan), good
