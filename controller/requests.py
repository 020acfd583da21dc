"""Requests other than lift, and the strongest of all (R1 to R4)."""

from .constants import REASON_NONE, ROTATION_LIMIT, RPM_PER_MS, STOP
from .fixed import crc32_word, interpolate
from .image import Calibration
from .latch import Slope


class CurveRequest:
    """Reduction and retard for a rotation above a curve over the time since launch (R1).

    Assumptions: `step` is called once a tick; the points of curve and line rise strictly.

    Invariants: `active` begins above the curve and ends below it by more than the hysteresis; both
    outputs fall no faster than their release rates, also when the request stops. `speed` is the last
    one used; `reach` is how far the next may be from it.
    """

    __slots__ = (
        "_after_end",
        "_hysteresis",
        "_line",
        "_line_points",
        "_line_reduction",
        "_line_retard",
        "_ms",
        "_per_tick",
        "_points",
        "_rpm",
        "active",
        "reach",
        "reduction",
        "retard",
        "speed",
    )

    def __init__(self) -> None:
        self._points = 0
        self._per_tick = 0
        self._ms: list[int] = []
        self._rpm: list[int] = []
        self._after_end = STOP
        self._hysteresis = 0
        self._line_points = 0
        self._line: list[int] = []
        self._line_reduction: list[int] = []
        self._line_retard: list[int] = []
        self.reduction = Slope()
        self.retard = Slope()
        self.reset()

    def calibrate_curve(
        self, points: int, ms: list[int], rpm: list[int], after_end: int, hysteresis: int, tick_us: int
    ) -> None:
        """Set the curve over the time since launch; 0 points switch the request off."""
        self._per_tick = RPM_PER_MS * tick_us // 1000
        self._points = points
        self._ms = ms
        self._rpm = rpm
        self._after_end = after_end
        self._hysteresis = hysteresis

    def calibrate_line(
        self, points: int, over_rpm: list[int], reduction: list[int], retard: list[int]
    ) -> None:
        """Set what an overshoot asks for."""
        self._line_points = points
        self._line = over_rpm
        self._line_reduction = reduction
        self._line_retard = retard

    def reset(self) -> None:
        self.active = 0
        self.speed = 0
        self.reach = ROTATION_LIMIT  # the first speed is used, whatever it is
        self.reduction.reset()
        self.retard.reset()

    def step(self, rpm: int, elapsed_ms: int, running: int) -> None:
        """One tick; `running` says that the request may act at this time at all."""
        if self._points == 0:
            return
        self.reach = min(self.reach + self._per_tick, ROTATION_LIMIT)
        if abs(rpm - self.speed) <= self.reach:
            self.speed = rpm
            self.reach = 0
        reduction = 0
        retard = 0
        ended = self._after_end == STOP and elapsed_ms > self._ms[self._points - 1]
        if running and not ended:
            over = self.speed - interpolate(self._ms, self._rpm, self._points, elapsed_ms)
            self.active = 1 if over > 0 or (self.active and over >= -self._hysteresis) else 0
            if self.active:
                reduction = interpolate(self._line, self._line_reduction, self._line_points, over)
                retard = interpolate(self._line, self._line_retard, self._line_points, over)
        else:
            self.active = 0
        self.reduction.step(reduction)
        self.retard.step(retard)

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        crc = crc32_word(crc, self.active)
        crc = crc32_word(crc, self.speed)
        crc = crc32_word(crc, self.reach)
        return self.retard.digest(self.reduction.digest(crc))


class Command:
    """What the engine is told: the strongest of all requests, within the calibrated limits.

    Assumptions: once a tick `begin`, then `ask` by each asker in the fixed order that decides ties
    (lift, blind, engine, shaft, outside), then `finish`.

    Invariants: `reduction` and `retard` are the greatest asked for, cut to their limits; `reason`
    says who set the reduction and is 0 when nobody asks for one. The published values change only in
    `finish`; what acts is these, or a safe state since.
    """

    __slots__ = (
        "_acting_reason",
        "_acting_reduction",
        "_acting_retard",
        "_asking",
        "_reduction",
        "_reduction_limit",
        "_retard",
        "_retard_limit",
        "_who",
        "askers",
        "reason",
        "reduction",
        "retard",
    )

    def __init__(self) -> None:
        self._reduction_limit = 0
        self._retard_limit = 0
        self.reset()

    def calibrate(self, calibration: Calibration) -> None:
        """Set the limits (R4)."""
        self._reduction_limit = calibration.reduction_limit
        self._retard_limit = calibration.retard_limit

    def reset(self) -> None:
        self.begin()
        self.finish()

    def begin(self) -> None:
        """Nobody has asked yet."""
        self._reduction = 0
        self._retard = 0
        self._who = REASON_NONE
        self._asking = 0

    def ask(self, reduction: int, retard: int, reason: int, asker: int) -> None:
        """One request, values 0..FULL (R3)."""
        if reduction > self._reduction:
            self._reduction = reduction
            self._who = reason
        self._retard = max(self._retard, retard)
        if reduction > 0 or retard > 0:
            self._asking |= asker

    def finish(self) -> None:
        """Publish the strongest of what was asked, within the limits (R4)."""
        self.reduction = min(self._reduction, self._reduction_limit)
        self.retard = min(self._retard, self._retard_limit)
        self.reason = self._who
        self.askers = self._asking
        self.act(self.reduction, self.retard, self.reason)

    def act(self, reduction: int, retard: int, reason: int) -> None:
        """Let a set act: values 0..FULL, reason 0..255. Not part of the digest."""
        self._acting_reduction = reduction
        self._acting_retard = retard
        self._acting_reason = reason

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the published command."""
        crc = crc32_word(crc, self.reduction)
        crc = crc32_word(crc, self.retard)
        crc = crc32_word(crc, self.reason)
        return crc32_word(crc, self.askers)
