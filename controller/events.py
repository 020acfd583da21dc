"""Which cylinder events are skipped (C1 to C3)."""

from .constants import CYLINDERS, EVENT_WRAPS, FULL, SPARK_OFF
from .fixed import crc32_word
from .image import Calibration


class Events:
    """One decision for each cylinder and engine cycle.

    One integral of the reduction serves all cylinders: it grows by the reduction at each event, and
    cylinder k of n in firing order skips when floor((integral + FULL * k) / (FULL * n)) has moved
    since its own last event. One accumulator for all would starve the same half of an even number of
    cylinders for ever at 50 %; one for each would drift apart whenever the reduction changes.

    Assumptions: `event` is called when a cylinder's fuel is due, `spark` when the spark of the same
    cycle is; reductions are 0..FULL.

    Invariants:
    - 0 <= integral < FULL * n * EVENT_WRAPS; it wraps together with the marks, whose difference only
      is used.
    - `skipped[k]` is the decision of the cylinder's present cycle until its next one.
    """

    __slots__ = ("_bits", "_cylinders", "_place", "integral", "mark", "skipped")

    def __init__(self) -> None:
        self._cylinders = 1
        self._bits = 0
        self._place = [0] * (CYLINDERS + 1)
        self.mark = [0] * CYLINDERS
        self.skipped = [0] * CYLINDERS
        self.integral = 0

    def calibrate(self, calibration: Calibration) -> None:
        """Set the number of cylinders, the firing order and what a skipped event switches off."""
        self._cylinders = calibration.cylinders
        self._bits = calibration.event_bits
        for i in range(CYLINDERS + 1):
            self._place[i] = -1
        for i in range(calibration.cylinders):
            self._place[calibration.firing_order[i]] = i

    def reset(self) -> None:
        self.integral = 0
        for i in range(CYLINDERS):
            self.mark[i] = 0
            self.skipped[i] = 0

    def event(self, cylinder: int, reduction: int) -> int:
        """Decide this cycle of a cylinder (numbered from 1): the bits to switch off, 0 to fire.

        A number that is no cylinder fires and changes nothing.
        """
        if cylinder < 1 or cylinder > CYLINDERS:
            return 0
        place = self._place[cylinder]
        if place < 0:
            return 0
        cycle = FULL * self._cylinders  # 12000 at most: integrals and marks stay below 17 * 12000
        self.integral += reduction
        if self.integral >= cycle * EVENT_WRAPS:
            self.integral -= cycle * EVENT_WRAPS
        mark = (self.integral + FULL * place) // cycle % EVENT_WRAPS
        moved = mark != self.mark[place]
        self.mark[place] = mark
        # At the ends the decision does not wait for the integral (C3).
        skip = reduction >= FULL or (moved and reduction > 0)
        self.skipped[place] = self._bits if skip else 0
        return self.skipped[place]

    def spark(self, cylinder: int) -> int:
        """SPARK_OFF when the charge of this cycle is not to be fired, else 0."""
        if cylinder < 1 or cylinder > CYLINDERS:
            return 0
        place = self._place[cylinder]
        return self.skipped[place] & SPARK_OFF if place >= 0 else 0

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        crc = crc32_word(crc, self.integral)
        for i in range(CYLINDERS):
            crc = crc32_word(crc, self.mark[i])
            crc = crc32_word(crc, self.skipped[i])
        return crc
