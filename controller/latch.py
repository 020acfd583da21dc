"""Peak, hold, release (L1 to L7), and a value that falls no faster than a rate (R1, H6)."""

from .constants import FAULT_RELEASE, FROM_LANDING, HOLD, KEPT, PEAK, RELEASE, REST
from .fixed import crc32_word


class Latch:
    """One latch; the reduction has one and the retard has one.

    Assumptions: one of `step`, `keep` and `let_go` is called once a tick; demand and trigger are
    0..FULL. A release of 0 means one step.

    Invariants:
    - `output` >= the demand of the same tick, and rises only to a new demand.
    - PEAK, HOLD and KEPT do not change `output`; the hold runs for exactly `hold` ticks, of which those of
      KEPT are some.
    - in RELEASE with a rate above 0, `output` falls no faster than that rate.
    - at REST output, ramp and hold_left are 0: rest is one state, whatever came before.
    """

    __slots__ = (
        "_hold",
        "_hysteresis",
        "_landing",
        "_release",
        "_trigger",
        "demand",
        "hold_left",
        "output",
        "ramp",
        "state",
        "triggered",
    )

    def __init__(self) -> None:
        self._trigger = 0
        self._hysteresis = 0
        self._hold = 0
        self._landing = False
        self._release = 0
        self.reset()

    def calibrate(
        self, trigger: int, hysteresis: int, hold: int, hold_from: int, release_q16: int, follows: int
    ) -> None:
        """Set the trigger, hold and release; with `follows` there is no hold (L7)."""
        self._trigger = 0 if follows else trigger
        self._hysteresis = hysteresis
        self._hold = 0 if follows else hold
        self._landing = hold_from == FROM_LANDING and not follows
        self._release = release_q16

    def reset(self) -> None:
        self.demand = 0
        self.triggered = 0
        self._rest()

    def _rest(self) -> None:
        self.state = REST
        self.output = 0
        self.hold_left = 0
        self.ramp = 0

    def step(self, value: int) -> None:
        """One tick with the map's value, or 0 where nothing may be asked."""
        least = self._trigger - self._hysteresis if self.triggered else self._trigger
        self.triggered = 1 if value > 0 and value >= least else 0
        self.demand = value if self.triggered else 0
        self._follow(self.demand)

    def step_out_of_sight(self, greatest: int) -> None:
        """One tick with the nose out of sight: no trigger, and the hold does not run (H5)."""
        self.demand = max(self.output, greatest)
        if self.demand > 0:
            self.triggered = 1
            self.state = PEAK
            self.output = self.demand
            self.hold_left = self._hold

    def shorten(self, ticks: int) -> None:
        """Count so many ticks out of sight as hold (H10)."""
        self.hold_left = max(self.hold_left - ticks, 0)

    def _follow(self, demand: int) -> None:
        if self.state == KEPT:
            self.state = HOLD  # the fault is over: what was kept is held for the rest of the hold (H6)
        elif self.state == FAULT_RELEASE:
            self.state = RELEASE

        holding = self.state == PEAK or self.state == HOLD
        if demand > self.output or (holding and demand == self.output):
            self.state = PEAK
            self.output = demand
            self.hold_left = self._hold
            return
        if holding:
            if self._landing and demand > 0:
                self.state = HOLD
                self.hold_left = self._hold
                return
            if self.hold_left > 0:
                self.state = HOLD
                self.hold_left -= 1
                return
            self.state = RELEASE
            self.ramp = self.output << 16  # FULL << 16 at most: below 2**26
        if self.state == RELEASE:
            self._lower(self._release, demand)

    def _lower(self, rate: int, demand: int) -> None:
        self.ramp = self.ramp - rate if 0 < rate < self.ramp else 0
        self.output = max(self.ramp >> 16, demand)
        self.ramp = max(self.ramp, demand << 16)  # the rate is counted from the value followed (L4)
        if self.output == 0:
            self._rest()

    def keep(self) -> None:
        """One tick of a fault: what is taken stays taken (H6)."""
        self.demand = 0
        self.triggered = 0
        if self.output > 0:
            if self.state != KEPT:
                self.state = KEPT
                self.hold_left = self._hold
            self.hold_left = max(self.hold_left - 1, 0)

    def let_go(self, rate: int) -> None:
        """One tick of the release after a fault was kept for its time, at a rate above 0 (H6)."""
        self.demand = 0
        self.triggered = 0
        if self.output > 0:
            if self.state != FAULT_RELEASE:
                self.state = FAULT_RELEASE
                self.hold_left = 0
                self.ramp = self.output << 16
            self._lower(rate, 0)

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        crc = crc32_word(crc, self.state)
        crc = crc32_word(crc, self.demand)
        crc = crc32_word(crc, self.triggered)
        crc = crc32_word(crc, self.output)
        crc = crc32_word(crc, self.hold_left)
        return crc32_word(crc, self.ramp)


class Slope:
    """A value that rises and falls no faster than its rates (Q16 a tick; 0 means one step).

    Assumptions: targets are 0..FULL. Invariant: `value` moves towards the target only, never past it.
    """

    __slots__ = ("_down", "_up", "carried", "value")

    def __init__(self) -> None:
        self._up = 0
        self._down = 0
        self.reset()

    def calibrate(self, up_q16: int, down_q16: int) -> None:
        """Set the rates."""
        self._up = up_q16
        self._down = down_q16

    def reset(self) -> None:
        self.carried = 0
        self.value = 0

    def step(self, target: int) -> int:
        """The value one tick later, rounded down."""
        goal = target << 16  # FULL << 16 at most, as the rates are: sums stay below 2**27
        if goal > self.carried:
            self.carried = min(goal, self.carried + self._up) if self._up else goal
        else:
            self.carried = max(goal, self.carried - self._down) if self._down else goal
        self.value = self.carried >> 16
        return self.value

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        return crc32_word(crc, self.carried)
