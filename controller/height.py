"""Counts to height, and which samples are used (H1, H3, H4, H5, H8, H10, H11)."""

from .constants import (
    ALLOWANCE_LIMIT,
    FALL_US,
    FAULT_ACQUIRING,
    FAULT_FALL,
    FAULT_OUT_OF_SIGHT,
    FAULT_SENSOR,
    FAULT_STUCK,
    FAULT_UNUSED,
    NOSE_MS,
    RETURN_ABOVE,
    RETURN_BELOW,
    RETURN_COUNTS,
    RETURN_LONGER,
    RETURN_SPREAD,
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
    - `waited` is the number of samples since the last good one, `gap` that from the good one before to it.
    - `faulted` ends only by `heal` samples used in a row (H4), by a chain (H10) or by a jump taken back
      (H11); from power-up it is 1, with `acquired` 0.
    - `jump_left` is above 0 while a jump is provisional; `jump_agreeing` counts only then, and `chain`
      only while the nose is out of sight, or at fault while torque is taken.
    """

    __slots__ = (
        "_calibration",
        "_fall_samples",
        "_far",
        "_near",
        "_period_us",
        "_rate",
        "_unasked_fall",
        "acquired",
        "agreeing",
        "allowance_down",
        "allowance_up",
        "bad",
        "chain",
        "chain_greatest",
        "chain_greatest_counts",
        "chain_least",
        "chain_least_counts",
        "chain_needed",
        "fall",
        "faulted",
        "gap",
        "good",
        "healing",
        "jump_agreeing",
        "jump_from",
        "jump_left",
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
        self._period_us = 1
        self._rate = 0
        self._fall_samples = 1
        self._unasked_fall = 0
        self.reset()

    def reset(self) -> None:
        """Power-up: no sample accepted yet, which counts as a fault."""
        c = self._calibration
        self._far = max(c.sensor_height[0], c.sensor_height[c.sensor_points - 1])
        self._near = self._far - c.near_end
        # 10000 * 1000 at most: below 2**24. What is longer than NOSE_MS counts as that.
        self._period_us = min(c.tick_us * c.sample_ticks, NOSE_MS * 1000)
        # 32767 * 1000 at most: below 2**25.
        self._rate = min(c.allowance_rate * c.sample_ticks, ALLOWANCE_LIMIT)
        self._fall_samples = min(max(FALL_US // self._period_us, 1), c.confirm_samples)
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
        self.jump_from = 0
        self.jump_left = 0
        self.jump_agreeing = 0
        self.chain = 0
        self.chain_needed = 0
        self.chain_least = 0
        self.chain_greatest = 0
        self.chain_least_counts = 0
        self.chain_greatest_counts = 0
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

    def sample(self, counts: int, car_speed: int, launched: int, taking: int, rest: int, falling: int) -> int:
        """Judge one sample; `used`, `reseed`, `good` and the health bits are the result.

        `rest` is the rest height in use, `falling` says that the nose was falling at the last good one.
        Returned is how many samples brought it back from out of sight (H10, H11), 0 if none did.
        """
        self.used = 0
        self.reseed = 0
        held = self._judge(counts, launched, taking, rest, falling)
        if self.used:
            self._watch_stuck(car_speed, taking)
        return held

    def _judge(self, counts: int, launched: int, taking: int, rest: int, falling: int) -> int:
        c = self._calibration
        seen = c.window_low <= counts <= c.window_high
        height = interpolate(c.sensor_counts, c.sensor_height, c.sensor_points, counts)
        step = abs(height - self.previous)
        self._compare(height, step, seen)

        if not self.acquired:
            if self.agreeing >= c.heal_samples:
                self.acquired = 1
                self._heal(height)
            return 0

        # The allowance grows with the samples waited: upwards without end, downwards for a short time (H3).
        self.waited = min(self.waited + 1, _SATURATED)
        self.allowance_up = min(self.allowance_up + self._rate, ALLOWANCE_LIMIT)
        if self.waited <= self._fall_samples:
            self.allowance_down = min(self.allowance_down + self._rate, ALLOWANCE_LIMIT)
        self.jump_left = max(self.jump_left - 1, 0)

        lost = self.out_of_sight
        if lost and self.near_agreeing >= c.agree_samples:
            self.out_of_sight = 0
            self.bad = 0
            self._start_at(height)
            return 0
        if lost or self.faulted:
            self._follow_jump(height, seen)
            if seen and (lost or taking):
                self._follow_chain(counts, height, step, rest, falling)
            else:
                self.chain = 0
            back = self._back()
            if back:
                self._heal(height)
                return back if lost else 0
            if lost:
                return 0
        else:
            self.chain = 0
            self.jump_agreeing = 0

        self._believe(height, seen, launched, taking)
        return 0

    def _compare(self, height: int, step: int, seen: bool) -> None:
        """Consecutive samples that agree with one another (H3), and those of them near the end (H5)."""
        if not seen:
            self.agreeing = 0
            self.near_agreeing = 0
            return
        joins = self.agreeing > 0 and step <= self._calibration.allowance + self._rate
        self.agreeing = min(self.agreeing + 1, _SATURATED) if joins else 1
        if height < self._near:
            self.near_agreeing = 0
        else:
            self.near_agreeing = min(self.near_agreeing + 1, _SATURATED) if joins else 1
        self.previous = height

    def _follow_jump(self, height: int, seen: bool) -> None:
        """Agreeing samples near the height before a jump, while the jump is provisional (H11)."""
        # The rate is 65534 at most and FALL_US is 40 samples of the shortest period: below 2**22.
        reach = self._calibration.allowance + self._rate * self._fall_samples
        if not seen or self.jump_left == 0 or abs(height - self.jump_from) > reach:
            self.jump_agreeing = 0
        else:
            self.jump_agreeing = self.jump_agreeing + 1 if self.agreeing > 1 else 1

    def _follow_chain(self, counts: int, height: int, step: int, rest: int, falling: int) -> None:
        """Samples in a row that look like a nose at rest (H10)."""
        c = self._calibration
        if not -RETURN_BELOW <= height - rest <= RETURN_ABOVE:
            self.chain = 0
            return
        if step > c.allowance + (self._rate >> 2):
            self.chain = 0
        if self.chain == 0:
            could_be = self.good - height <= self._nose_fall(falling)
            self.chain_needed = c.return_samples if could_be else RETURN_LONGER * c.return_samples
            self.chain_least = height
            self.chain_greatest = height
            self.chain_least_counts = counts
            self.chain_greatest_counts = counts
        self.chain += 1
        self.chain_least = min(self.chain_least, height)
        self.chain_greatest = max(self.chain_greatest, height)
        self.chain_least_counts = min(self.chain_least_counts, counts)
        self.chain_greatest_counts = max(self.chain_greatest_counts, counts)

    def _nose_fall(self, falling: int) -> int:
        """How far a nose could have fallen since the last good height, 1/16 mm (H10)."""
        # A tick is 500 us at least: after 1000 samples the time is up. 1000 * 500000 is below 2**29.
        waited = min(self.waited, NOSE_MS * 2)
        ms = min(waited * self._period_us // 1000, NOSE_MS)
        # Half of 20 m/s2 is 4/25 of 1/16 mm a ms2; half the fastest rate: 65534 * 1000 is below 2**26.
        fall = self._calibration.allowance + ms * ms * 4 // 25
        return fall + (self._rate * waited >> 1) if falling else fall

    def _back(self) -> int:
        """How many samples have brought the sensor back, 0 if none have (H10, H11)."""
        if self.jump_agreeing >= self._calibration.heal_samples:
            return self.jump_agreeing
        if self.chain == 0 or self.chain < self.chain_needed:
            return 0
        chain = self.chain
        self.chain = 0
        moved = (
            self.chain_greatest - self.chain_least > RETURN_SPREAD
            and self.chain_greatest_counts - self.chain_least_counts > RETURN_COUNTS
        )
        return chain if moved else 0

    def _heal(self, height: int) -> None:
        """The sensor is healthy again, at this height."""
        self.out_of_sight = 0
        self.faulted = 0
        self.fall = 0
        self.bad = 0
        self.jump_left = 0
        self.jump_agreeing = 0
        self.chain = 0
        self._start_at(height)

    def _believe(self, height: int, seen: bool, launched: int, taking: int) -> None:
        """Use one sample, or do not (H3)."""
        agreed = self.agreeing >= self._calibration.agree_samples
        change = height - self.good
        fell = False
        if not seen:
            use = False
        elif change >= 0:
            use = agreed or change <= self.allowance_up
            if agreed and change > self.allowance_up and self.jump_left == 0:
                self.jump_from = self.good
                self.jump_left = self._calibration.return_samples
        elif -change <= self.allowance_down:
            use = agreed or -change <= self._unasked_fall
        else:
            fell = True
            use = agreed and not taking

        if use:
            self._use(height)
        else:
            self._refuse(launched, taking, fell)

    def _use(self, height: int) -> None:
        c = self._calibration
        if self.faulted:
            self.healing += 1
            if self.healing < c.heal_samples:
                self._keep(height)
                return
            self._heal(height)
            return
        self.bad = max(self.bad - 1, 0)
        self.used = 1
        self._keep(height)
        self.trend[self.trend_next] = height
        self.trend_next = (self.trend_next + 1) & (TREND_SAMPLES - 1)
        self.trend_count = min(self.trend_count + 1, TREND_SAMPLES)

    def _refuse(self, launched: int, taking: int, fell: bool) -> None:
        c = self._calibration
        self.healing = 0
        if not self.faulted and launched and self._nears_end():
            # Beyond the range a sensor may read anything; no fall and no fault is told from it.
            if fell or self.waited >= c.agree_samples:
                self.out_of_sight = 1
            return
        self.bad = min(self.bad + 1, c.confirm_samples)
        if fell and taking:
            self.fall = 1
            self.faulted = 1
        if self.bad >= c.confirm_samples:
            self.faulted = 1

    def _nears_end(self) -> bool:
        """Whether the last good height is near the end, or its trend reached it in the time waited.

        The trend is followed for `confirm` samples at most: by then too many are not used, which is a
        fault. Samples out of sight, in a run that was disarmed, may have been waited too.
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

    def give_up(self) -> None:
        """Out of sight for the fault's hold time: that is a fault now (H5)."""
        self.out_of_sight = 0
        self.faulted = 1

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
        crc = crc32_word(crc, self.jump_from)
        crc = crc32_word(crc, self.jump_left)
        crc = crc32_word(crc, self.jump_agreeing)
        crc = crc32_word(crc, self.chain)
        crc = crc32_word(crc, self.chain_needed)
        crc = crc32_word(crc, self.chain_least)
        crc = crc32_word(crc, self.chain_greatest)
        crc = crc32_word(crc, self.chain_least_counts)
        crc = crc32_word(crc, self.chain_greatest_counts)
        crc = crc32_word(crc, self.stuck)
        crc = crc32_word(crc, self.stuck_known)
        crc = crc32_word(crc, self.stuck_at)
        crc = crc32_word(crc, self.stuck_samples)
        crc = crc32_word(crc, self.trend_count)
        crc = crc32_word(crc, self.trend_next)
        for i in range(TREND_SAMPLES):
            crc = crc32_word(crc, self.trend[i])
        return crc
