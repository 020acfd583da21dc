"""How a height sensor or its wiring fails: each failure turns healthy readings into broken ones.

A failure acts on sensor samples `first` to `end` (not included). It says which samples still read as a
healthy sensor would, and by how many ticks it delays what it lets through.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import RandomState
from numpy.typing import NDArray

from .calibrations import Calibrated

Counts = NDArray[np.int64]


@dataclass
class Readings:
    """What the controller is given, one entry for each sensor sample."""

    counts: Counts
    true: NDArray[np.bool_]  # reads as a healthy sensor would
    first: int
    end: int
    lag: int = 0  # ticks by which the failure delays what it lets through


@dataclass(frozen=True)
class Healthy:
    """What a healthy sensor reads, and how it reads a nose beyond its range."""

    counts: Counts
    height_mm: NDArray[np.float64]
    saturates: bool


def healthy(rng: RandomState, c: Calibrated, lift_mm: NDArray[np.float64], alone: bool) -> Healthy:
    """The readings of a healthy sensor at its samples.

    Beyond its range it reads its end for ever, or leaves the window. Where nothing else fails (`alone`) it
    may also read one low height there; after a failure that is a second one, `constant_below` or `_near`.
    """
    true = c.rest_mm + lift_mm[:: c.period] / c.gain
    noise = np.clip(rng.standard_normal(len(true)), -3, 3) * c.noise_mm
    counts = c.counts_of(true + noise)
    beyond = true + noise > c.far_mm
    kind = rng.randint(0, 3 if alone else 2)
    if kind == 1:
        counts[beyond] = rail(c, rng.random_sample() < 0.5)
    elif kind == 2:
        counts[beyond] = lowest(c)
    return Healthy(counts, true, kind == 0)


def rail(c: Calibrated, high: bool) -> int:
    """What an open wire reads."""
    return c.adc_max if high else 0


def lowest(c: Calibrated) -> int:
    """The count of a height just above the sensor's least."""
    return int(c.counts_of(np.array([c.sensor_mm.min() + 3.0]))[0])


def counts_at(c: Calibrated, height_mm: float) -> int:
    """The count of a height; outside the sensor's heights it leaves the window."""
    rising = c.sensor_mm[-1] > c.sensor_mm[0]
    if height_mm < c.sensor_mm.min():
        return 0 if rising else c.adc_max
    if height_mm > c.sensor_mm.max():
        return c.adc_max if rising else 0
    return int(c.counts_of(np.array([height_mm]))[0])


def _start(h: Healthy, first: int, end: int) -> Readings:
    true = np.ones(len(h.counts), dtype=bool)
    true[first:end] = False
    return Readings(h.counts.copy(), true, first, end)


def _last_height(c: Calibrated, h: Healthy, first: int) -> float:
    """What a healthy sensor read last."""
    return float(c.height_of(h.counts[max(first - 1, 0) : max(first, 1)])[0])


def none(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    return Readings(h.counts.copy(), np.ones(len(h.counts), dtype=bool), first, first)


def lost_high(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Open wire, pulled up."""
    r = _start(h, first, end)
    r.counts[first:end] = rail(c, True)
    return r


def zero_volt(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Short to ground, or open and pulled down."""
    r = _start(h, first, end)
    r.counts[first:end] = rail(c, False)
    return r


def far_end(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """The count of the far end, or the last one inside the window."""
    r = _start(h, first, end)
    last = int(c.counts_of(np.array([c.far_mm]))[0])
    r.counts[first:end] = c.far_counts if rng.random_sample() < 0.5 else last
    return r


def constant_below(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """One height further below the last good one than the allowance ever grows.

    Where the sensor has no such height the reading leaves the window.
    """
    r = _start(h, first, end)
    height = _last_height(c, h, first)
    limit = height - c.grown_mm - 3 * c.noise_mm - 2
    least = float(c.sensor_mm.min())
    r.counts[first:end] = counts_at(c, rng.uniform(least, limit) if limit > least else least - 1)
    return r


def constant_near(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """One height within the grown allowance of the last good one, most often below it."""
    r = _start(h, first, end)
    height = _last_height(c, h, first)
    at = height + rng.uniform(-c.grown_mm, 0.3 * c.grown_mm)
    r.counts[first:end] = c.counts_of(np.array([at]))[0]
    return r


def wander_within(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """A walk from the last good height, no faster than a nose may move."""
    r = _start(h, first, end)
    n = end - first
    pace = rng.uniform(0.2, 2.5) * c.tick_ms * c.period
    drift = rng.uniform(-1, 1)
    turns = rng.random_sample(n) < 0.02
    walk = np.where(np.cumsum(turns) % 2 == 0, drift, -drift) + rng.uniform(-0.5, 0.5, n)
    path = _last_height(c, h, first) + np.cumsum(walk * pace)
    r.counts[first:end] = c.counts_of(path)
    return r


def wander_beyond(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Jumps, each further than the allowance of a sample."""
    r = _start(h, first, end)
    at = _last_height(c, h, first)
    least, far = float(c.sensor_mm.min()), c.far_mm
    step = c.step_mm + 2
    for s in range(first, end):
        low, high = max(at - step - least, 0.0), max(far - at - step, 0.0)
        place = rng.uniform(0, low + high)
        at = least + place if place < low else at + step + place - low
        r.counts[s] = counts_at(c, at)
    return r


def stuck(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Frozen at the last reading."""
    r = _start(h, first, end)
    r.counts[first:end] = h.counts[max(first - 1, 0)]
    return r


def _spikes(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int, signs: list[int]) -> Readings:
    """Spikes of one or two samples, further off than the allowance of the samples they cover."""
    r = _start(h, first, end)
    r.true[:] = True
    beyond = c.allowance_mm + 4 * c.rate_mm * c.period + 3 * c.noise_mm
    longest = int(rng.randint(1, 30))
    s = first
    turn = 0
    while s < end:
        length = min(int(rng.randint(1, 3)), end - s)
        height = float(c.height_of(h.counts[s : s + 1])[0])
        sign = signs[turn % len(signs)]
        r.counts[s : s + length] = counts_at(c, height + sign * (beyond + rng.uniform(0, 150)))
        r.true[s : s + length] = False
        s += length + int(rng.randint(1, longest + 1))
        turn += 1
    return r


def spikes_up(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    return _spikes(rng, c, h, first, end, [1])


def spikes_down(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    return _spikes(rng, c, h, first, end, [-1])


def spikes_alternating(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    return _spikes(rng, c, h, first, end, [1, -1])


def spikes_within(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Downward spikes no larger than a falling nose might move in one sample."""
    r = _start(h, first, end)
    r.true[:] = True
    r.true[first:end] = rng.random_sample(end - first) > rng.uniform(0.05, 0.5)
    bad = np.flatnonzero(~r.true)
    heights = c.height_of(h.counts[bad]) - rng.uniform(0.5, 1.0, len(bad)) * c.step_mm
    r.counts[bad] = c.counts_of(heights)
    return r


def mostly_dead(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """60 to 90 % of the samples lost, each by rng."""
    r = _start(h, first, end)
    share = rng.uniform(0.6, 0.9)
    r.true[first:end] = rng.random_sample(end - first) >= share
    r.counts[~r.true] = rail(c, rng.random_sample() < 0.5)
    r.lag = int(np.ceil(c.lag_ticks() * share / (1 - share)))
    return r


def intermittent(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """A loose contact: lost for a while, there for a while."""
    r = _start(h, first, end)
    s = first
    while s < end:
        s = min(s + int(rng.randint(1, 3 * c.confirm)), end)
        back = min(s + int(rng.randint(1, 3 * c.heal)), end)
        r.true[s:back] = True
        s = back
    r.counts[~r.true] = rail(c, rng.random_sample() < 0.5)
    return r


def slow(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """The reading changes only every few samples."""
    r = _start(h, first, end)
    period_ms = c.period * c.tick_ms
    samples = max(2, round(rng.uniform(4, 60) / period_ms))
    s = np.arange(first, end)
    r.counts[first:end] = h.counts[first + (s - first) // samples * samples]
    r.lag = (samples + c.agree) * c.period
    return r


FAILURES: dict[str, Callable[[RandomState, Calibrated, Healthy, int, int], Readings]] = {
    "none": none,
    "lost_high": lost_high,
    "zero_volt": zero_volt,
    "far_end": far_end,
    "constant_below": constant_below,
    "constant_near": constant_near,
    "wander_within": wander_within,
    "wander_beyond": wander_beyond,
    "stuck": stuck,
    "spikes_up": spikes_up,
    "spikes_down": spikes_down,
    "spikes_alternating": spikes_alternating,
    "spikes_within": spikes_within,
    "mostly_dead": mostly_dead,
    "intermittent": intermittent,
    "slow": slow,
}
