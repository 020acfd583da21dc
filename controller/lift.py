"""Height to lift: rest height, gain, median, low-pass, speed for the look-ahead (H2, H7, H9)."""

from .constants import LIFT_SPEED_LIMIT, MEDIAN_SAMPLES
from .fixed import clamp, crc32_word, mul_q12, round_div, saturate
from .image import Calibration


class LowPass:
    """One-pole low-pass with carried remainder, truncated towards zero (H7).

    Invariants: |remainder| < 4096; on a constant input the value settles exactly on it and stays.
    """

    __slots__ = ("_factor", "remainder", "value")

    def __init__(self) -> None:
        self._factor = 4096
        self.value = 0
        self.remainder = 0

    def reset(self, factor_q12: int, value: int) -> None:
        self._factor = factor_q12
        self.value = value
        self.remainder = 0

    def step(self, target: int) -> int:
        """The value after one more sample; |target| < 2**17."""
        # The value never passes the target, so both are below 2**17: rest is at most
        # (2**18 - 2) * 4096 + 4095, below 2**30.
        rest = (target - self.value) * self._factor + self.remainder
        change = rest >> 12 if rest >= 0 else -(-rest >> 12)
        self.remainder = rest - (change << 12)
        self.value += change
        return self.value

    def digest(self, crc: int) -> int:
        return crc32_word(crc32_word(crc, self.value), self.remainder)


class Lift:
    """The lift at the front axle, filtered, and where it is going.

    Assumptions: `sample` is called once for each used sample, in order; `learn` before launch only.

    Invariants:
    - `rest` is the calibrated height, or the mean of one whole window of used samples that kept the
      spread and the tolerance; it does not change after launch.
    - `value` and `entry` lie within +-LIFT_LIMIT.
    - `moved` is 1 from a change of `rest` to the next used sample, which starts the filters anew.
    - a lost sample never lowers `entry`: a rising speed stays, a falling one counts as 0.
    """

    __slots__ = (
        "_calibration",
        "entry",
        "latest",
        "learn_count",
        "learn_first",
        "learn_greatest",
        "learn_least",
        "learn_sum",
        "lowpass",
        "moved",
        "recent",
        "recent_next",
        "rest",
        "speed",
        "value",
    )

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self.recent = [0] * MEDIAN_SAMPLES
        self.lowpass = LowPass()
        self.speed = LowPass()
        self.reset()

    def reset(self) -> None:
        c = self._calibration
        self.lowpass.reset(c.lowpass_q12, 0)
        self.speed.reset(c.look_lowpass_q12, 0)
        self.latest = 0
        self.value = 0
        self.entry = 0
        self.recent_next = 0
        for i in range(MEDIAN_SAMPLES):
            self.recent[i] = 0
        self.forget()

    def forget(self) -> None:
        """Back to the calibrated rest height, and learn from the start (H2)."""
        self.rest = self._calibration.rest
        self.moved = 1
        self.learn_first = 0
        self._restart_window()

    def _restart_window(self) -> None:
        self.learn_count = 0
        self.learn_sum = 0
        self.learn_least = 0
        self.learn_greatest = 0

    def of_height(self, height: int) -> int:
        """The lift at the axle for a height at the sensor, 1/16 mm (H2)."""
        # Height and rest lie on the sensor's curve: no more than 32767 apart; the gain is 65536 at most.
        return saturate(mul_q12(height - self.rest, self._calibration.gain_q12))

    def learn(self, height: int, still: bool) -> bool:
        """One used sample before launch; whether the rest height was learned anew from it (H2)."""
        c = self._calibration
        if c.learn_window == 0:
            return False
        if not still:
            self._restart_window()
            return False
        if self.learn_count == 0:
            self.learn_first = height
        offset = height - self.learn_first
        self.learn_least = min(self.learn_least, offset)
        self.learn_greatest = max(self.learn_greatest, offset)
        if self.learn_greatest - self.learn_least > c.learn_spread:
            self._restart_window()
            return False
        self.learn_count += 1
        self.learn_sum += offset  # 65536 samples, each no more than the spread: 65536 * 16383 < 2**30
        if self.learn_count < c.learn_window:
            return False
        # A tie rounds the step from the first height.
        mean = self.learn_first + round_div(self.learn_sum, c.learn_window)
        self._restart_window()
        if abs(mean - c.rest) > c.learn_tolerance or mean == self.rest:
            return False
        self.rest = mean
        self.moved = 1
        return True

    def sample(self, height: int, reseed: int, gap: int) -> None:
        """Take in one used sample; `gap` samples after the one before it (H7, H9)."""
        c = self._calibration
        lift = self.of_height(height)
        if reseed or self.moved:
            self.moved = 0
            for i in range(MEDIAN_SAMPLES):
                self.recent[i] = lift
            self.lowpass.reset(c.lowpass_q12, lift)
            self.speed.reset(c.look_lowpass_q12, 0)
        else:
            # 65534 * 512000 < 2**35; the result is below 2**23. The gap is above 0 unless reseed says so.
            change = mul_q12(lift - self.latest, c.look_speed_q12)
            self.speed.step(clamp(round_div(change, gap), -LIFT_SPEED_LIMIT, LIFT_SPEED_LIMIT))
            self.recent[self.recent_next] = lift
            self.recent_next = self.recent_next + 1 if self.recent_next + 1 < c.median_samples else 0
            self.lowpass.step(self._median())
        self.latest = lift
        self.value = self.lowpass.value
        self._look(self.speed.value)

    def miss(self) -> None:
        """A sample that is not used: it may lose no cut (H9)."""
        self._look(max(self.speed.value, 0))

    def _look(self, speed: int) -> None:
        c = self._calibration
        # 100000 * 26214 < 2**32; the result is below 2**20.
        ahead = mul_q12(speed, c.look_rising_q12 if speed > 0 else c.look_falling_q12)
        self.entry = saturate(self.value + ahead) if self.value >= c.look_from else self.value

    def _median(self) -> int:
        r = self.recent
        count = self._calibration.median_samples
        if count == 1:
            return r[0]
        least = min(r[0], r[1])
        greatest = max(r[0], r[1])
        if count == 3:
            return max(least, min(greatest, r[2]))
        # Of five: the median of the fifth, the greater of the lesser and the lesser of the greater.
        low = max(least, min(r[2], r[3]))
        high = min(greatest, max(r[2], r[3]))
        if low > high:
            low, high = high, low
        return max(low, min(high, r[4]))

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        crc = crc32_word(crc, self.rest)
        crc = crc32_word(crc, self.moved)
        crc = crc32_word(crc, self.learn_count)
        crc = crc32_word(crc, self.learn_first)
        crc = crc32_word(crc, self.learn_sum)
        crc = crc32_word(crc, self.learn_least)
        crc = crc32_word(crc, self.learn_greatest)
        crc = crc32_word(crc, self.latest)
        for i in range(MEDIAN_SAMPLES):
            crc = crc32_word(crc, self.recent[i])
        crc = crc32_word(crc, self.recent_next)
        crc = self.lowpass.digest(crc)
        crc = self.speed.digest(crc)
        crc = crc32_word(crc, self.value)
        return crc32_word(crc, self.entry)
