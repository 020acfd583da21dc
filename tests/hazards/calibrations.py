"""Random calibrations for the hazard runs: drawn in physical units, compiled for the controller.

All values are invented. They are what a tuner may really give: the bench's own advice (M3) has nothing to
say against any of them, and what it refuses is not drawn. The noise grows with the distance and reaches 0.5
to 10 mm at the far end; the sensor has a reading every 1, 5, 10 or 20 ms, the converter 10 or 12 bits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.random import RandomState
from numpy.typing import NDArray

from bench.calibration import CalibrationFile
from bench.calibration.advice import advise
from bench.calibration.build import Built
from bench.calibration.image import Values, pack
from tests.support import table, values

Floats = NDArray[np.float64]

UP_MM_MS = 1.7  # how fast a nose moves at the sensor (common practice, no source)
DOWN_MM_MS = 2.9
NOISE_MM = (0.5, 10.0)  # one standard deviation at the far end
NEAR_NOISE = 0.3  # of that, at the near end
MOST_SPEED_NOISE_MM = 8.0  # what the look-ahead may make of the noise: a tuner gives noisy sensors less of it
RETURN_MS, RETURN_SAMPLES = 500.0, 16  # H10
REST_BELOW_MM, REST_ABOVE_MM = 45.0, 90.0


@dataclass(frozen=True)
class Calibrated:
    """One calibration: physical values as floats, and the image compiled from them."""

    tick_ms: float
    period: int  # ticks from one sensor sample to the next
    rest_mm: float  # as the car stands; the calibrated one may differ a little where it is learned
    gain: float
    sensor_counts: Floats
    sensor_mm: Floats
    adc_max: int
    window: tuple[int, int]
    noise_mm: float  # one standard deviation at the far end
    allowance_mm: float
    rate_mm: float  # a tick
    confirm: int  # samples
    heal: int
    agree: int
    returns: int
    near_end_mm: float
    stuck: int  # samples, 0 = off
    stuck_speed: int
    median: int
    lowpass_ms: float
    rising_s: float
    falling_s: float
    look_ms: float
    lift_axis: Floats
    progress_axis: Floats
    reduction: Floats  # permille, by lift, then progress
    retard: Floats  # 0.1 degree
    trigger: int
    retard_trigger: int
    hold: int  # ticks
    fault_hold: int
    fault_rate: float  # permille a tick
    fault_retard_rate: float  # 0.1 degree a tick
    blind: int
    blind_growth: float
    blind_until_ms: int
    disarm: int
    image: bytes = field(repr=False)

    @property
    def far_mm(self) -> float:
        return float(self.sensor_mm.max())

    @property
    def near_mm(self) -> float:
        """The height from which on the nose is near the end of the range."""
        return self.far_mm - self.near_end_mm

    def noise_at(self, height_mm: Floats) -> Floats:
        """One standard deviation of the noise at heights; what is drawn is cut at three of them."""
        share = np.clip(height_mm / self.far_mm, 0.0, 1.0)
        return np.asarray(self.noise_mm * (NEAR_NOISE + (1 - NEAR_NOISE) * share))

    @property
    def error_mm(self) -> float:
        """By how much noise may lower the lift with which the maps are entered: it is cut at three standard
        deviations, which no median and low-pass enlarges; the look-ahead's share is as good as never above
        four of its own."""
        return (3 * self.noise_mm + 4 * self.falling_s * self.speed_noise(self.look_ms)) * self.gain

    def speed_noise(self, look_ms: float) -> float:
        return speed_noise(self.noise_mm, self.period * self.tick_ms, look_ms)

    @property
    def return_ticks(self) -> int:
        """How long readings at rest must be healthy to be believed again (H10)."""
        return self.returns * self.period

    @property
    def step_mm(self) -> float:
        """The allowance of a sample that follows a used one."""
        return self.allowance_mm + self.rate_mm * self.period

    @property
    def grown_mm(self) -> float:
        """The greatest allowance downwards: it grows for `confirm` samples only (H3)."""
        return self.allowance_mm + self.rate_mm * self.period * self.confirm

    def counts_of(self, height_mm: Floats) -> NDArray[np.int64]:
        """What the sensor reads at heights, ends held, quantised to the nearest count."""
        order = np.argsort(self.sensor_mm)
        counts = np.interp(height_mm, self.sensor_mm[order], self.sensor_counts[order])
        return np.rint(counts).astype(np.int64)

    def height_of(self, counts: NDArray[np.int64]) -> Floats:
        """The height that counts mean, ends held."""
        return np.interp(counts, self.sensor_counts, self.sensor_mm)

    def seen(self, counts: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether counts lie inside the electrical window."""
        return (self.window[0] <= counts) & (counts <= self.window[1])

    @property
    def far_counts(self) -> int:
        """The count at which the window ends on the far side."""
        rising = self.sensor_mm[-1] > self.sensor_mm[0]
        return self.window[1] if rising else self.window[0]

    def lag_ticks(self) -> int:
        """How late a healthy chain may be: sample period, median, low-passes to 95 %."""
        lag = self.period * (1 + self.median) + 3 * self.lowpass_ms / self.tick_ms
        if self.falling_s > 0:
            lag += 3 * self.look_ms / self.tick_ms
        return int(np.ceil(lag)) + 1


def q12(part: float) -> int:
    return max(1, min(4096, round(part * 4096)))


def speed_noise(noise_mm: float, period_ms: float, look_ms: float) -> float:
    """One standard deviation, mm/s, of the speed of white noise through a one-pole low-pass: for the
    factor a, noise / period * sqrt(2 a^2 / (2 - a)), from the sum of the squares of its impulse response."""
    a = 1 - np.exp(-period_ms / look_ms)
    return float(1000 * noise_mm / period_ms * np.sqrt(2 * a * a / (2 - a)))


def draw(rng: RandomState, look_ahead: bool) -> Calibrated:
    """One random calibration that M3 accepts; with look-ahead rising, falling or both times are above 0."""
    while True:
        c, compiled = _draw(rng, look_ahead)
        drawn = CalibrationFile(Path("drawn"), "", "", c.image, 0, compiled, [], [], [], Built())
        if not advise(drawn)[0]:
            return c


def _draw(rng: RandomState, look_ahead: bool) -> tuple[Calibrated, Values]:
    period_ms = float(rng.choice([1.0, 5.0, 10.0, 20.0]))
    tick_ms = float(rng.choice([t for t in (1.0, 2.0, 5.0) if period_ms % t == 0]))
    period = round(period_ms / tick_ms)
    noise = float(np.exp(rng.uniform(*np.log(NOISE_MM))))

    # Sensor: a slightly bent curve, rising or falling in counts, 0.5 to 4.5 V of 5 V or full scale.
    adc_max = int(rng.choice([1023, 4095]))
    far = rng.uniform(420, 600)
    points = int(rng.randint(2, 6))
    share = np.linspace(0.0, 1.0, points)
    low, high = (0.1, 0.9) if rng.random_sample() < 0.6 else (0.02, 0.985)
    counts = np.rint((low + (high - low) * share) * adc_max)
    heights = np.rint(far * (share + 0.06 * np.sin(np.pi * share) * rng.uniform(-1, 1)) * 16) / 16
    if rng.random_sample() < 0.3:
        heights = heights[::-1].copy()
    beyond = 0.01 * adc_max
    window = (int(counts[0] - beyond), int(counts[-1] + beyond))

    # Rest height: calibrated, or learned from what stands a little beside it.
    calibrated_rest = rng.uniform(110, 150)
    learns = noise < 3 and rng.random_sample() < 0.4
    rest = calibrated_rest + (rng.uniform(-5, 5) if learns else 0.0)
    gain_q12 = round(rng.uniform(0.75, 1.05) * 4096)

    allowance = 6 * noise + float(heights.max()) / adc_max + rng.uniform(0.5, 3)
    rate = rng.uniform(3.2, 5.6 if period_ms < 20 else 3.8) * tick_ms
    confirm = max(1, round(rng.uniform(10, 30) / period_ms))
    heal = max(3, round(rng.uniform(30, 70) / period_ms))
    returns = max(RETURN_SAMPLES, round(RETURN_MS / period_ms))
    near_end = 4 * rate * period + allowance + rng.uniform(0, 15)  # the bench's own default, or a little more
    count_mm = float(heights.max() - heights.min()) / float(counts[-1] - counts[0])
    # The very same reading for so long; only where noise keeps a healthy one from it (H8).
    watches_stuck = NEAR_NOISE * noise >= count_mm
    stuck = max(RETURN_SAMPLES, round(rng.uniform(100, 400) / period_ms)) if watches_stuck else 0
    stuck_speed = int(rng.randint(100, 250))

    rising = falling = 0.0
    look_ms = 20.0
    if look_ahead:
        which = rng.randint(0, 3)
        rising = rng.uniform(0.05, 0.25) if which != 1 else 0.0
        falling = rng.uniform(0.05, 0.25) if which != 0 else 0.0
        look_ms = max(20.0, 2 * period_ms) if noise < 3 else max(30.0, 2 * period_ms)
        most = MOST_SPEED_NOISE_MM / speed_noise(noise, period_ms, look_ms)
        rising, falling = min(rising, 2 * most), min(falling, most)
    lowpass_ms = float(rng.choice([0.0, rng.uniform(2, 12)]))

    # Maps: monotone in lift; the lift where reduction is full falls with progress.
    by_time = rng.random_sample() < 0.25
    columns = int(rng.randint(2, 5))
    farthest = rng.uniform(2500, 4000) if by_time else rng.uniform(1500, 3000)
    progress = np.rint(np.linspace(0, farthest, columns))
    full = float(rng.choice([rng.uniform(300, 1000), 1000.0], p=[0.8, 0.2]))
    start = rng.uniform(90, 140)
    top = start + max(full / 6, rng.uniform(90, 220))
    lifts = np.rint(np.array([start - 50, start, (start + top) / 2, top, top + 60]) * 16) / 16
    rows = np.array([0.0, 0.0, rng.uniform(0.35, 0.6), 0.9, 1.0])[:, None]
    reduction = np.rint(np.clip(rows * full * np.linspace(1.0, rng.uniform(0.8, 1.2), columns), 0, 1000))
    most_retard = float(rng.choice([0.0, rng.uniform(60, 250)], p=[0.2, 0.8]))
    rows = np.array([0.0, rng.uniform(0.1, 0.25), 0.5, 0.8, 1.0])[:, None]
    retard = np.rint(np.repeat(rows * most_retard, columns, axis=1))

    hold = round(float(rng.choice([0.0, rng.uniform(20, 600)], p=[0.2, 0.8])) / tick_ms)
    ramps = rng.random_sample() < 0.6
    release = rng.uniform(0.5, 4.0) * tick_ms if ramps else 0.0  # permille a tick
    fault_rate = rng.uniform(0.2, 2.0) * tick_ms
    blind = int(rng.randint(100, 400)) if rng.random_sample() < 0.9 else 0
    growth = rng.uniform(0.5, 5.0) * tick_ms
    blind_until = int(rng.randint(2000, 6000))
    fault_hold = max(hold, round(rng.uniform(2800, 5000) / tick_ms))  # longer than any time in the air
    trigger, retard_trigger = int(rng.randint(5, 40)), int(rng.randint(1, 15))
    disarm = int(np.ceil(100 / tick_ms))

    compiled: Values = values(
        gain_q12=gain_q12,
        learn_window=max(8, round(60 / period_ms)) if learns else 0,
        learn_spread=round(16 * 8 * max(noise, 1.0)),
        learn_tolerance=16 * 8,
        look_speed_q12=round(256000 / period_ms),
        progress_up_q12=round(2 * tick_ms) << 12,
        progress_down_q12=round(tick_ms) << 12,
        hold_ticks=hold,
        release_q16=round(release * 65536),
        retard_release_q16=round(release * 65536 / 4),
        fault_hold_ticks=fault_hold,
        fault_release_q16=round(fault_rate * 65536),
        fault_retard_release_q16=round(fault_rate * 65536 / 4),
        blind_growth_q16=round(growth * 65536),
        tick_us=round(tick_ms * 1000),
        adc_max=adc_max,
        window_low=window[0],
        window_high=window[1],
        sensor_points=points,
        sensor_counts=[int(c) for c in counts],
        sensor_height=[round(16 * h) for h in heights],
        sample_ticks=period,
        allowance=round(16 * allowance),
        allowance_rate=round(16 * rate),
        confirm_samples=confirm,
        heal_samples=heal,
        agree_samples=3,
        return_samples=returns,
        near_end=round(16 * near_end),
        stuck_band=0,
        stuck_samples=stuck,
        stuck_speed=stuck_speed,
        rest=round(16 * calibrated_rest),
        median_samples=int(rng.choice([1, 3, 5])),
        lowpass_q12=q12(1 - np.exp(-period_ms / lowpass_ms)) if lowpass_ms else 4096,
        look_rising_q12=round(65536 * rising),
        look_falling_q12=round(65536 * falling),
        look_lowpass_q12=q12(1 - np.exp(-period_ms / look_ms)),
        progress_axis_kind=int(by_time),
        lift_points=len(lifts),
        lift_axis=[round(16 * x) for x in lifts],
        progress_points=columns,
        progress_axis=[int(p) for p in progress],
        reduction_map=table(*([int(x) for x in row] for row in reduction)),
        retard_map=table(*([int(x) for x in row] for row in retard)),
        trigger=trigger,
        trigger_hysteresis=trigger // 2,
        hold_from=int(rng.randint(0, 2)),
        retard_follows=int(rng.random_sample() < 0.3),
        retard_trigger=retard_trigger,
        retard_trigger_hysteresis=retard_trigger // 2,
        disarm_ticks=disarm,
        blind_reduction=blind,
        blind_until_ms=blind_until,
    )
    median = compiled["median_samples"]
    assert isinstance(median, int)
    c = Calibrated(
        tick_ms=tick_ms,
        period=period,
        rest_mm=rest,
        gain=gain_q12 / 4096,
        sensor_counts=counts,
        sensor_mm=heights,
        adc_max=adc_max,
        window=window,
        noise_mm=noise,
        allowance_mm=round(16 * allowance) / 16,
        rate_mm=round(16 * rate) / 16,
        confirm=confirm,
        heal=heal,
        agree=3,
        returns=returns,
        near_end_mm=round(16 * near_end) / 16,
        stuck=stuck,
        stuck_speed=stuck_speed,
        median=median,
        lowpass_ms=lowpass_ms,
        rising_s=rising,
        falling_s=falling,
        look_ms=look_ms,
        lift_axis=lifts,
        progress_axis=progress,
        reduction=reduction,
        retard=retard,
        trigger=trigger,
        retard_trigger=retard_trigger,
        hold=hold,
        fault_hold=fault_hold,
        fault_rate=round(fault_rate * 65536) / 65536,
        fault_retard_rate=round(fault_rate * 65536 / 4) / 65536,
        blind=blind,
        blind_growth=round(growth * 65536) / 65536,
        blind_until_ms=blind_until,
        disarm=disarm,
        image=pack(compiled),
    )
    return c, compiled
