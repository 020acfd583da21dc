"""Counts to height, and which samples are used (H1, H3, H4, H5, H8)."""

from .constants import (
    ALLOWANCE_LIMIT,
    FAULT_ACQUIRING,
    FAULT_FALL,
    FAULT_OUT_OF_SIGHT,
    FAULT_SENSOR,
    FAULT_STUCK,
    FAULT_UNUSED,
    TREND_SAMPLES,
)
from .fixed import crc32_word, interpolate
from .image import Calibration

_SATURATED = 65535


class Height:
    """The sensor's last good height and what is known of the sensor's health.

    Assumptions: `sample` is called once a sensor sample; counts may be any number.
    `taking` says that a latch's output is above 0, `launched` that the run has begun.

    Invariants:
    - `good` changes only by a used sample; it is inside the sensor's curve.
    - `used` is 0 while the nose is out of sight, but for the sample that ends it.
    - `out_of_sight` begins only after launch, on a sample that is not used, with no fault on, and
      never because of time.
    - `gap` is the number of samples from the good one before to the last good one.
    - `faulted` ends only by `heal` samples used in a row; from power-up it is 1, with `acquired` 0.
    """

    __slots__ = (
        "_calibration",
        "_far",
        "_near",
        "_rate",
        "_unasked_fall",
        "acquired",
        "agreeing",
        "allowance_down",
        "allowance_up",
        "bad",
        "fall",
        "faulted",
        "gap",
        "good",
        "healing",
        "near_agreeing",
        "out_of_sight",
        "previous",
        "reseed",
        "stuck",
        "stuck_at",
        "stuck_known",
        "stuck_samples",
        "trend",
        "trend_count",
        "trend_next",
        "used",
        "waited",
    )

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self.trend = [0] * TREND_SAMPLES
        self._far = 0
        self._near = 0
        self._rate = 0
        self._unasked_fall = 0
        self.reset()

    def reset(self) -> None:
        """Power-up: no sample accepted yet, which counts as a fault."""
        c = self._calibration
        self._far = max(c.sensor_height[0], c.sensor_height[c.sensor_points - 1])
        self._near = self._far - c.near_end
        # 32767 * 1000 at most: below 2**25.
        self._rate = min(c.allowance_rate * c.sample_ticks, ALLOWANCE_LIMIT)
        self._unasked_fall = c.allowance + 3 * c.allowance_rate
        self.good = c.rest
        self.acquired = 0
        self.used = 0
        self.reseed = 0
        self.waited = 0
        self.gap = 0
        self.allowance_up = c.allowance
        self.allowance_down = c.allowance
        self.previous = 0
        self.agreeing = 0
        self.near_agreeing = 0
        self.bad = 0
        self.healing = 0
        self.faulted = 1
        self.fall = 0
        self.out_of_sight = 0
        self.stuck = 0
        self.stuck_known = 0
        self.stuck_at = 0
        self.stuck_samples = 0
        self.trend_count = 0
        self.trend_next = 0
        for i in range(TREND_SAMPLES):
            self.trend[i] = 0

    def far_end(self) -> int:
        """The greatest height of the sensor's curve, 1/16 mm."""
        return self._far

    def sample(self, counts: int, car_speed: int, launched: int, taking: int) -> None:
        """Judge one sample; `used`, `reseed`, `good` and the health bits are the result."""
        self.used = 0
        self.reseed = 0
        self._judge(counts, launched, taking)
        if self.used:
            self._watch_stuck(car_speed, taking)

    def _judge(self, counts: int, launched: int, taking: int) -> None:
        c = self._calibration
        seen = c.window_low <= counts <= c.window_high
        height = interpolate(c.sensor_counts, c.sensor_height, c.sensor_points, counts)

        # Consecutive samples that agree with one another (H3), and those of them near the end (H5).
        if not seen:
            self.agreeing = 0
            self.near_agreeing = 0
        else:
            joins = self.agreeing > 0 and abs(height - self.previous) <= c.allowance + self._rate
            self.agreeing = min(self.agreeing + 1, _SATURATED) if joins else 1
            if height < self._near:
                self.near_agreeing = 0
            else:
                self.near_agreeing = min(self.near_agreeing + 1, _SATURATED) if joins else 1
            self.previous = height

        if self.out_of_sight:
            if self.near_agreeing >= c.agree_samples:
                self.out_of_sight = 0
                self.bad = 0
                self._start_at(height)
            return

        if not self.acquired:
            if self.agreeing >= c.heal_samples:
                self.acquired = 1
                self.faulted = 0
                self._start_at(height)
            return

        # The allowance grows with the ticks waited: upwards without end, downwards for `confirm`.
        self.waited = min(self.waited + 1, _SATURATED)
        self.allowance_up = min(self.allowance_up + self._rate, ALLOWANCE_LIMIT)
        if self.waited <= c.confirm_samples:
            self.allowance_down = min(self.allowance_down + self._rate, ALLOWANCE_LIMIT)

        agreed = self.agreeing >= c.agree_samples
        change = height - self.good
        too_far_down = False
        if not seen:
            use = False
        elif change >= 0:
            use = agreed or change <= self.allowance_up
        elif -change <= self.allowance_down:
            use = agreed or -change <= self._unasked_fall
        else:
            too_far_down = True
            use = agreed and not taking

        if use:
            self._use(height)
        else:
            self._refuse(launched, too_far_down and taking == 1)

    def _use(self, height: int) -> None:
        c = self._calibration
        if self.faulted:
            self.healing += 1
            if self.healing < c.heal_samples:
                self._keep(height)
                return
            self.faulted = 0
            self.fall = 0
            self.bad = 0
            self._start_at(height)
            return
        self.bad = max(self.bad - 1, 0)
        self.used = 1
        self._keep(height)
        self.trend[self.trend_next] = height
        self.trend_next = (self.trend_next + 1) & (TREND_SAMPLES - 1)
        self.trend_count = min(self.trend_count + 1, TREND_SAMPLES)

    def _refuse(self, launched: int, fell: bool) -> None:
        c = self._calibration
        self.healing = 0
        if not self.faulted and launched and self._nears_end():
            # Beyond the range a sensor may read anything; no fall and no fault is told from it.
            self.out_of_sight = 1
            return
        self.bad = min(self.bad + 1, c.confirm_samples)
        if fell:
            self.fall = 1
            self.faulted = 1
        if self.bad >= c.confirm_samples:
            self.faulted = 1

    def _nears_end(self) -> bool:
        """Whether the last good height is near the end, or its trend reached it in the time waited.

        The trend is followed for `confirm` samples at most: by then too many are not used, which is a
        fault. A run that ends out of sight and begins anew between two samples counts none of them.
        """
        if self.good >= self._near:
            return True
        if self.trend_count < TREND_SAMPLES:
            return False
        rise = self.good - self.trend[self.trend_next]  # over the last TREND_SAMPLES - 1 samples
        # The waited samples cannot be left unbounded: 65534 * `confirm` (8192 at most) is below 2**29.
        waited = min(self.waited, self._calibration.confirm_samples)
        return rise > 0 and rise * waited >= (self._far - self.good) * (TREND_SAMPLES - 1)

    def _keep(self, height: int) -> None:
        self.good = height
        self.gap = self.waited
        self.waited = 0
        self.allowance_up = self._calibration.allowance
        self.allowance_down = self._calibration.allowance

    def _start_at(self, height: int) -> None:
        """Take a height with no regard to what was before it."""
        self._keep(height)
        self.used = 1
        self.reseed = 1
        self.healing = 0
        self.trend_count = 0

    def _watch_stuck(self, car_speed: int, taking: int) -> None:
        """One used sample; what is not used neither counts nor leaves the band (H8)."""
        c = self._calibration
        if not self.stuck_known or abs(self.good - self.stuck_at) > c.stuck_band:
            if self.stuck and not taking:
                self.reseed = 1  # a fault is healed (H7)
            self.stuck = 0
            self.stuck_known = 1
            self.stuck_at = self.good
            self.stuck_samples = 0
        elif car_speed <= c.stuck_speed:
            self.stuck_samples = 0
        else:
            self.stuck_samples = min(self.stuck_samples + 1, _SATURATED)
            if 0 < c.stuck_samples <= self.stuck_samples:
                self.stuck = 1

    def failures(self, taking: int) -> int:
        """Why the height is not to be believed, 0 if it is (H4, H6; H8 only while nothing is taken)."""
        bits = FAULT_SENSOR if self.faulted else 0
        if self.stuck and not taking and not self.out_of_sight and self.good < self._near:
            bits |= FAULT_STUCK
        return bits

    def disarm(self) -> None:
        """The run is over: what the nose does out of sight no longer matters (H5)."""
        self.out_of_sight = 0

    def fault_bits(self) -> int:
        """The sensor's share of the fault bits."""
        bits = 0
        if not self.used:
            bits = FAULT_UNUSED
        if self.faulted:
            bits |= FAULT_SENSOR
            if self.fall:
                bits |= FAULT_FALL
            if not self.acquired:
                bits |= FAULT_ACQUIRING
        if self.stuck:
            bits |= FAULT_STUCK
        if self.out_of_sight:
            bits |= FAULT_OUT_OF_SIGHT
        return bits

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        crc = crc32_word(crc, self.good)
        crc = crc32_word(crc, self.previous)
        crc = crc32_word(crc, self.waited)
        crc = crc32_word(crc, self.gap)
        crc = crc32_word(crc, self.allowance_up)
        crc = crc32_word(crc, self.allowance_down)
        crc = crc32_word(crc, self.agreeing)
        crc = crc32_word(crc, self.near_agreeing)
        crc = crc32_word(crc, self.bad)
        crc = crc32_word(crc, self.healing)
        crc = crc32_word(crc, self.acquired)
        crc = crc32_word(crc, self.used)
        crc = crc32_word(crc, self.reseed)
        crc = crc32_word(crc, self.faulted)
        crc = crc32_word(crc, self.fall)
        crc = crc32_word(crc, self.out_of_sight)
        crc = crc32_word(crc, self.stuck)
        crc = crc32_word(crc, self.stuck_known)
        crc = crc32_word(crc, self.stuck_at)
        crc = crc32_word(crc, self.stuck_samples)
        crc = crc32_word(crc, self.trend_count)
        crc = crc32_word(crc, self.trend_next)
        for i in range(TREND_SAMPLES):
            crc = crc32_word(crc, self.trend[i])
        return crc
