"""How far the run has come: the second axis of the maps (P1, P2, P3)."""

from .constants import BY_TIME, FRONT_WHEEL_SPEED, LOOKBACK_SLOTS, SPEED_LIMIT
from .fixed import clamp, crc32_word, interpolate
from .image import Calibration


class Progress:
    """The car's speed as far as it is known, and the limited progress.

    Assumptions: `step` is called once a tick with speed cut to its range, the lift as measured, and whether
    the nose is out of sight, which is in the air.

    Invariants:
    - before launch progress is the source itself; after it, progress moves in one tick by no more
      than the calibrated rate, whatever the source does.
    - `airborne` is 0 unless the speed is a front wheel's and the run has begun.
    - `history` holds the car's speed at the last LOOKBACK_SLOTS marks, the oldest at `history_next`.
    """

    __slots__ = (
        "_calibration",
        "air_base",
        "air_curve",
        "airborne",
        "car_speed",
        "history",
        "history_next",
        "history_wait",
        "limited_q12",
        "previous",
        "spin_left",
        "valid",
        "value",
    )

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self.history = [0] * LOOKBACK_SLOTS
        self.reset()

    def reset(self) -> None:
        self.previous = 0
        self.valid = 0
        self.car_speed = 0
        self.airborne = 0
        self.spin_left = 0
        self.air_base = 0
        self.air_curve = 0
        self.limited_q12 = 0
        self.value = 0
        self._fill_history()

    def _fill_history(self) -> None:
        for i in range(LOOKBACK_SLOTS):
            self.history[i] = self.car_speed
        self.history_next = 0
        self.history_wait = 0

    def _run_speed(self, elapsed_ms: int) -> int:
        """The calibrated speed at a time since launch (P3)."""
        c = self._calibration
        return interpolate(c.run_ms, c.run_speed, c.run_points, elapsed_ms)

    def step(
        self, speed: int, flag: int, elapsed_ms: int, launched: int, lift: int, out_of_sight: int
    ) -> None:
        """One tick; `value` and `car_speed` are the result."""
        c = self._calibration
        self.valid = 1 if flag and abs(speed - self.previous) < c.speed_step else 0
        self.previous = speed
        if not launched:
            self.airborne = 0
            self.car_speed = speed if self.valid else 0
            self._fill_history()
            self.value = elapsed_ms if c.progress_axis_kind == BY_TIME else self.car_speed
            self.limited_q12 = self.value << 12
            return

        if c.speed_source == FRONT_WHEEL_SPEED:
            self._watch_air(elapsed_ms, lift, out_of_sight)
        if self.airborne:
            ahead = self._run_speed(elapsed_ms) - self.air_curve
            self.car_speed = clamp(self.air_base + ahead, 0, SPEED_LIMIT)
        elif self.valid:
            self.car_speed = speed
        else:
            self.car_speed = self._run_speed(elapsed_ms)
        self._remember()

        target = (elapsed_ms if c.progress_axis_kind == BY_TIME else self.car_speed) << 12
        # Progress and rates are 65535 << 12 at most: their sum is below 2**29.
        if target > self.limited_q12:
            self.limited_q12 = min(target, self.limited_q12 + c.progress_up_q12)
        else:
            self.limited_q12 = max(target, self.limited_q12 - c.progress_down_q12)
        self.value = (self.limited_q12 + 2048) >> 12

    def _watch_air(self, elapsed_ms: int, lift: int, out_of_sight: int) -> None:
        """Whether the front wheels turn freely, so that their speed says nothing (P2)."""
        c = self._calibration
        if out_of_sight or lift >= c.air_lift:
            if not self.airborne:
                self.airborne = 1
                self.air_base = self.history[self.history_next]
                # 16 marks of 1000 ticks of 10000 us at most: 1.6e8, below 2**28.
                age = (LOOKBACK_SLOTS - 1) * c.lookback_ticks + self.history_wait + 1
                self.air_curve = self._run_speed(max(elapsed_ms - age * c.tick_us // 1000, 0))
            self.spin_left = c.spin_up_ticks
        elif self.airborne:
            if lift >= c.air_lift - c.air_hysteresis:
                self.spin_left = c.spin_up_ticks
            elif self.spin_left > 0:
                self.spin_left -= 1
            else:
                self.airborne = 0

    def _remember(self) -> None:
        self.history_wait += 1
        if self.history_wait >= self._calibration.lookback_ticks:
            self.history_wait = 0
            self.history[self.history_next] = self.car_speed
            self.history_next = (self.history_next + 1) & (LOOKBACK_SLOTS - 1)

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        crc = crc32_word(crc, self.previous)
        crc = crc32_word(crc, self.valid)
        crc = crc32_word(crc, self.car_speed)
        crc = crc32_word(crc, self.airborne)
        crc = crc32_word(crc, self.spin_left)
        crc = crc32_word(crc, self.air_base)
        crc = crc32_word(crc, self.air_curve)
        for i in range(LOOKBACK_SLOTS):
            crc = crc32_word(crc, self.history[i])
        crc = crc32_word(crc, self.history_next)
        crc = crc32_word(crc, self.history_wait)
        crc = crc32_word(crc, self.limited_q12)
        return crc32_word(crc, self.value)
