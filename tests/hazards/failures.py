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
    noise = np.clip(rng.standard_normal(len(true)), -3, 3) * c.noise_at(true)
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
    """One height further below the last good one than the allowance ever grows, and not near the end.

    Where the sensor has no such height the reading leaves the window.
    """
    r = _start(h, first, end)
    height = _last_height(c, h, first)
    limit = height - c.grown_mm - 3 * c.noise_mm - 2
    if height >= c.near_mm:  # agreeing samples in a slow sensor's wide near end are believed (H5)
        limit = min(limit, c.near_mm - 2)
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


def _noisy(rng: RandomState, c: Calibrated, heights: NDArray[np.float64]) -> Counts:
    """What a sensor with its usual noise reads of heights, inside its window."""
    noise = np.clip(rng.standard_normal(len(heights)), -3, 3) * c.noise_at(heights)
    return c.counts_of(heights + noise)


# Shapes of real recordings, within their figures (recordings.py)


def agreeing_bursts(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """3 to 20 wrong readings in a row that agree with one another, as of an echo from elsewhere."""
    r = _start(h, first, end)
    r.true[first:end] = True
    s = first
    while s < end:
        length = min(int(rng.choice([3, 3, 4, 5, 7, 10, 20])), end - s)
        at = rng.uniform(float(c.sensor_mm.min()) + 10, c.far_mm - 5)
        r.counts[s : s + length] = _noisy(rng, c, np.full(length, at))
        r.true[s : s + length] = False
        s += length + int(rng.randint(5, 200))
    return r


def low_plume(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Some 40 plausible readings that are too low, as in a cloud of water or smoke."""
    end = min(first + int(rng.randint(32, 54)), end)
    r = _start(h, first, end)
    below = rng.uniform(0.2, 0.8) * h.height_mm[first:end] + rng.uniform(-5, 5, end - first)
    r.counts[first:end] = _noisy(rng, c, np.maximum(below, float(c.sensor_mm.min()) + 5))
    return r


def _no_echo(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int, reads: int) -> Readings:
    """A seventh of the readings without an echo, most silences short, some of 24 readings and more."""
    r = _start(h, first, end)
    r.true[first:end] = True
    s = first + int(rng.randint(0, 30))
    while s < end:
        length = min(int(rng.choice([1, 1, 2, 2, 3, 5, 10, 24, 40])), end - s)
        r.counts[s : s + length] = reads
        r.true[s : s + length] = False
        s += length + int(rng.randint(10, 100))
    r.lag = 3 * c.lag_ticks()
    return r


def no_echo_far(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    return _no_echo(rng, c, h, first, end, int(c.counts_of(np.array([c.far_mm]))[0]))


def no_echo_lost(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    return _no_echo(rng, c, h, first, end, rail(c, rng.random_sample() < 0.5))


def sparse_losses(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """1 to 3 % of the samples lost, each by rng: nothing that a race should notice."""
    r = _start(h, first, end)
    r.true[first:end] = rng.random_sample(end - first) >= rng.uniform(0.01, 0.03)
    r.counts[~r.true] = rail(c, rng.random_sample() < 0.5)
    return r


# Beyond the range


def _beyond(c: Calibrated, h: Healthy) -> tuple[Readings, NDArray[np.intp]]:
    """Every sample of a nose beyond the range, to be overwritten."""
    beyond = np.flatnonzero(h.height_mm > c.far_mm - 3)
    r = _start(h, int(beyond[0]), int(beyond[-1]) + 1) if len(beyond) else _start(h, 0, 0)
    r.true[:] = True
    r.true[beyond] = False
    return r, beyond


def beyond_random(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Beyond the range: any height of 50 to 250 mm."""
    r, beyond = _beyond(c, h)
    r.counts[beyond] = c.counts_of(rng.uniform(50, 250, len(beyond)))
    return r


def beyond_constant(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Beyond the range: one low height, with the sensor's noise."""
    r, beyond = _beyond(c, h)
    r.counts[beyond] = _noisy(rng, c, np.full(len(beyond), rng.uniform(50, 250)))
    return r


def beyond_rest(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Lost for a while beyond the range, then readings as of a nose at rest: two failures at once."""
    r, beyond = _beyond(c, h)
    r.counts[beyond] = rail(c, rng.random_sample() < 0.5)
    seen = beyond[round(rng.uniform(100, 400) / (c.tick_ms * c.period)) :]
    r.counts[seen] = _noisy(rng, c, np.full(len(seen), c.rest_mm))
    return r


def beyond_plume(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Beyond the range: a cloud under the nose, heights that wander slowly."""
    r, beyond = _beyond(c, h)
    pace = 0.3 * c.tick_ms * c.period
    path = rng.uniform(50, 250) + np.cumsum(rng.uniform(-1, 1, len(beyond)) * pace)
    r.counts[beyond] = _noisy(rng, c, path)
    return r


# Two failures, or one that no rule can tell from a nose


def lost_then_rest(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Lost for 0.3 to 0.6 s, then readings as of a nose at rest."""
    r = _start(h, first, len(h.counts))
    back = min(first + round(rng.uniform(300, 600) / (c.tick_ms * c.period)), len(h.counts))
    r.counts[first:back] = rail(c, rng.random_sample() < 0.5)
    r.counts[back:] = _noisy(rng, c, np.full(len(h.counts) - back, c.rest_mm + rng.uniform(-20, 40)))
    return r


def lost_then_frozen(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Lost for 0.3 to 0.6 s, then one reading at the height of a nose at rest, without noise, and not near
    a slow sensor's end (H5)."""
    r = _start(h, first, len(h.counts))
    back = min(first + round(rng.uniform(300, 600) / (c.tick_ms * c.period)), len(h.counts))
    r.counts[first:back] = rail(c, rng.random_sample() < 0.5)
    r.counts[back:] = counts_at(c, min(c.rest_mm + rng.uniform(-20, 40), c.near_mm - 2))
    return r


def lost_then_wander(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Lost for 0.3 to 0.6 s, then a slow walk not far above rest."""
    r = _start(h, first, len(h.counts))
    back = min(first + round(rng.uniform(300, 600) / (c.tick_ms * c.period)), len(h.counts))
    r.counts[first:back] = rail(c, rng.random_sample() < 0.5)
    n = len(h.counts) - back
    path = c.rest_mm + rng.uniform(0, 60) + np.cumsum(rng.uniform(-0.5, 0.5, n) * c.tick_ms * c.period)
    r.counts[back:] = _noisy(rng, c, path)
    return r


def slides(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """The reading decays to the rest height as a nose falls, and stays there."""
    r = _start(h, first, len(h.counts))
    n = len(h.counts) - first
    start = _last_height(c, h, first)
    samples = rng.uniform(250, 600) / (c.tick_ms * c.period)
    part = np.minimum(np.arange(1, n + 1) / samples, 1.0)
    r.counts[first:] = _noisy(rng, c, start + (c.rest_mm - start) * part**2)
    return r


def random_in_range(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Any height of the range, for 0.3 s."""
    end = min(first + round(300 / (c.tick_ms * c.period)), len(h.counts))
    r = _start(h, first, end)
    r.counts[first:end] = c.counts_of(rng.uniform(float(c.sensor_mm.min()) + 5, c.far_mm - 2, end - first))
    return r


def dropout_then_spike(rng: RandomState, c: Calibrated, h: Healthy, first: int, end: int) -> Readings:
    """Lost for 20 to 200 ms, then 1 to 3 readings at one wrong height."""
    back = min(first + max(1, round(rng.uniform(20, 200) / (c.tick_ms * c.period))), len(h.counts))
    end = min(back + int(rng.randint(1, 4)), len(h.counts))
    r = _start(h, first, end)
    r.counts[first:back] = rail(c, rng.random_sample() < 0.5)
    at = rng.uniform(float(c.sensor_mm.min()) + 10, c.far_mm - 5)
    r.counts[back:end] = _noisy(rng, c, np.full(end - back, at))
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
    "agreeing_bursts": agreeing_bursts,
    "low_plume": low_plume,
    "no_echo_far": no_echo_far,
    "no_echo_lost": no_echo_lost,
    "sparse_losses": sparse_losses,
    "beyond_random": beyond_random,
    "beyond_constant": beyond_constant,
    "beyond_plume": beyond_plume,
    "beyond_rest": beyond_rest,
    "lost_then_rest": lost_then_rest,
    "lost_then_wander": lost_then_wander,
    "lost_then_frozen": lost_then_frozen,
    "slides": slides,
    "random_in_range": random_in_range,
    "dropout_then_spike": dropout_then_spike,
}
