"""What the readings of a sensor show of it: noise, drift, spikes, period, movement, delay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.sensor.recording import Bools, Floats, Recording, spread
from bench.trace.spans import spans

_PART_S = 1.0  # within so long a drift is a straight line
_PART_ROWS = 10
_LONG_ROWS = 50  # a spread of fewer readings is not known well enough to be the greatest
_SPIKE_MM = 1.0  # what lies nearer is no spike, however quiet the sensor is
_SLOPE_S = 0.02
_LAG_S = 0.5


@dataclass(frozen=True)
class Noise:
    """Of a standing height: standard deviation around its drift (mm), without spikes; how far one-second
    medians wander; how long it stood; spikes as a share of the readings, as runs, and the longest and mean
    length of a run in readings; the step between neighbouring readings that is the sensor's own (mm)."""

    sigma_mm: float
    drift_mm: float
    stood_s: float
    spikes: float
    bursts: int
    longest_burst: int
    mean_burst: float
    step_mm: float


def noise(recordings: Sequence[Recording]) -> Noise | None:
    """Over all plateaus; None where nothing stood. The standard deviation is that of the noisiest plateau of
    50 readings or more, of shorter ones alone the root of their mean square."""
    short: list[float] = []
    long: list[float] = []
    drifts, bursts, stood, rows, steps = [], [], 0.0, 0, []
    for recording in recordings:
        for one in recording.plateaus:
            part = slice(one.start, one.stop)
            good = recording.good[part]
            height, time = recording.height_mm[part][good], recording.time_s[part][good]
            if len(height) < _PART_ROWS:
                continue
            sigma, spikes, drift = _around_drift(time, height, recording.row_s)
            (long if len(height) >= _LONG_ROWS else short).append(sigma)
            drifts.append(drift)
            bursts += [stop - start for start, stop in spans(spikes)]
            stood += float(time[-1] - time[0])
            rows += len(height)
            apart = np.diff(np.unique(height))
            steps += [float(apart.min())] if len(apart) else []
    if not (long or short):
        return None
    sigma = max(long) if long else float(np.sqrt(np.mean(np.square(short))))
    return Noise(
        sigma, max(drifts), stood, sum(bursts) / rows, len(bursts), max(bursts, default=0),
        float(np.mean(bursts)) if bursts else 0.0, min(steps, default=0.0),
    )  # fmt: skip


def _around_drift(time: Floats, height: Floats, row_s: float) -> tuple[float, Bools, float]:
    """(standard deviation, which readings are spikes, how far the drift goes) of a standing height: in each
    second it is a straight line and noise."""
    size = max(_PART_ROWS, round(_PART_S / row_s))
    parts = max(1, len(height) // size)
    bounds = np.linspace(0, len(height), parts + 1).round().astype(int)
    left = np.empty(len(height))
    spikes = np.zeros(len(height), np.bool_)
    squares, freedom, medians = 0.0, 0, []
    for start, stop in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        t, h = time[start:stop] - time[start], height[start:stop]
        _, kept = spread(h, _SPIKE_MM)
        for _ in range(2):  # once more with what the first line showed to be a spike left out
            slope, at = np.polyfit(t[kept], h[kept], 1) if np.ptp(t[kept]) > 0 else (0.0, h[kept].mean())
            left[start:stop] = h - (slope * t + at)
            _, kept = spread(left[start:stop], _SPIKE_MM)
        spikes[start:stop] = ~kept
        squares += float(np.sum(left[start:stop][kept] ** 2))
        freedom += max(int(np.count_nonzero(kept)) - 2, 1)
        medians.append(float(np.median(h[kept])))
    return float(np.sqrt(squares / freedom)), spikes, float(np.ptp(medians))


def repeats(recording: Recording) -> float:
    """Share of the rows whose reading is the very same as the one before."""
    good = recording.good[1:] & recording.good[:-1]
    return float(np.mean(np.diff(recording.reading)[good] == 0)) if good.any() else 0.0


def longest_repeat_s(recording: Recording) -> float:
    """The longest time for which a good reading stayed the very same, s."""
    same = (np.diff(recording.reading) == 0) & recording.good[1:] & recording.good[:-1]
    time = recording.time_s
    return max((float(time[stop] - time[start]) for start, stop in spans(same)), default=0.0)


def period_s(recording: Recording) -> float | None:
    """The sensor's own period where the rows come faster: the lengths of runs of one reading are multiples of
    it. None where that is not seen."""
    moved = np.flatnonzero(np.diff(recording.reading) != 0)
    lengths = np.diff(moved)
    if len(lengths) < 20:
        return None
    unit = int(np.percentile(lengths, 15))
    if unit < 2:
        return None
    slack = 1 if unit >= 4 else 0  # a row may fall just before or after the new reading
    whole = np.maximum(np.round(lengths / unit), 1)
    fits = np.abs(lengths - whole * unit) <= slack
    if fits.mean() < 0.8:
        return None
    return float(lengths[fits].sum() / whole[fits].sum() * recording.row_s)


def fastest_mm_per_s(recording: Recording, sigma_mm: float, period: float | None) -> float:
    """How fast the height moved at most where it did not stand, spikes left out: the greatest median of three
    slopes over 20 ms or two readings, less what the noise alone makes of one. `period` is the sensor's, s:
    readings repeated by the logger count once."""
    size = max(1, round(period / recording.row_s)) if period else 1
    moving = recording.good.copy()
    for one in recording.plateaus:
        moving[one.start : one.stop] = False
    return max(
        (_fastest(recording, range(start, stop, size), sigma_mm) for start, stop in spans(moving)),
        default=0.0,
    )


def _fastest(recording: Recording, rows: range, sigma_mm: float) -> float:
    """In one stretch."""
    height, time = recording.height_mm[rows], recording.time_s[rows]
    row_s = recording.row_s * rows.step
    step = max(2, round(_SLOPE_S / row_s))
    if len(height) < step + 5:
        return 0.0
    middle = _median_of_3(height)
    lasted = time[step:] - time[:-step]
    near = lasted <= 2 * step * row_s
    slopes = (middle[step:] - middle[:-step])[near] / lasted[near]
    if len(slopes) < 3:
        return 0.0
    noise_makes = 4 * sigma_mm * np.sqrt(2) / (step * row_s)
    return max(float(np.abs(_median_of_3(slopes)).max()) - float(noise_makes), 0.0)


def _median_of_3(values: Floats) -> Floats:
    around = np.stack((values[:-2], values[1:-1], values[2:]))
    return np.concatenate((values[:1], np.median(around, axis=0), values[-1:]))


@dataclass(frozen=True)
class Delay:
    """How long after the other channel the height comes (s), and how well the two go together then, -1 to
    1."""

    seconds: float
    correlation: float


def delay(recording: Recording, other: Recording) -> Delay | None:
    """By the greatest correlation of both over the time that they share, within half a second; between rows
    by the parabola through three of them. None where one of them does not move."""
    step = recording.row_s
    start, stop = (f(a, b) for f, a, b in (
        (max, recording.time_s[0], other.time_s[0]), (min, recording.time_s[-1], other.time_s[-1])
    ))  # fmt: skip
    grid = np.arange(start, stop, step)
    most = round(_LAG_S / step)
    if len(grid) < 4 * most:
        return None
    mine, its = (np.interp(grid, one.time_s[one.good], one.height_mm[one.good]) for one in (recording, other))
    if not (np.ptp(mine) > 0 and np.ptp(its) > 0):
        return None
    lags = np.arange(-most, most + 1)
    inner = its[most : len(its) - most]
    found = np.array([np.corrcoef(inner, mine[most + lag : len(mine) - most + lag])[0, 1] for lag in lags])
    best = int(np.argmax(np.abs(found)))
    at = float(lags[best])
    if 0 < best < len(lags) - 1:
        before, here, after = np.abs(found[best - 1 : best + 2])
        bend = before - 2 * here + after
        at += 0.5 * float(before - after) / float(bend) if bend else 0.0
    return Delay(at * step, float(found[best]))
