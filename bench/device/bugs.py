"""Controllers with a named bug, for trying out whether a bench finds it."""

from __future__ import annotations

from collections.abc import Callable

from controller import Calibration, Controller
from controller.constants import FAULT_TICK, HOLD, RELEASE, TICK_NUMBER_MASK
from controller.latch import Latch
from controller.maps import Maps


class _ShortHold(Latch):
    __slots__ = ()

    def _follow(self, demand: int) -> None:
        if self.hold_left == 1 and demand < self.output:
            self.hold_left = 0
        super()._follow(demand)


class _NoPeak(Latch):
    __slots__ = ()

    def _follow(self, demand: int) -> None:
        super()._follow(demand)
        if self.state == HOLD:
            self.output = demand


class _LowRelease(Latch):
    __slots__ = ()

    def _lower(self, rate: int, demand: int) -> None:
        before = self.ramp
        super()._lower(rate, demand)
        if self.state == RELEASE:
            self.ramp = before - rate if 0 < rate < before else 0
            self.output = self.ramp >> 16


class _LostEdge(Maps):
    __slots__ = ("_edge", "_inside")

    def __init__(self, calibration: Calibration) -> None:
        points = calibration.lift_points
        self._edge = calibration.lift_axis[points - 1]
        self._inside = calibration.lift_axis[max(points - 2, 0)]
        super().__init__(calibration)

    def look(self, lift: int, progress: int) -> None:
        super().look(self._inside if lift >= self._edge else lift, progress)


class _WithLatch(Controller):
    """A controller whose reduction has a latch of another kind."""

    __slots__ = ()
    latch: type[Latch]

    def _build(self, c: Calibration) -> None:
        super()._build(c)
        self.reduction = self.latch()
        self.reduction.calibrate(c.trigger, c.trigger_hysteresis, c.hold_ticks, c.hold_from, c.release_q16, 0)


class HoldShort(_WithLatch):
    """The hold ends one tick too soon (against L3)."""

    __slots__ = ()
    latch = _ShortHold


class PeakLost(_WithLatch):
    """A falling demand is followed at once instead of keeping the peak (against L2)."""

    __slots__ = ()
    latch = _NoPeak


class ReleaseLow(_WithLatch):
    """The release is not raised to the demand (against L4)."""

    __slots__ = ()
    latch = _LowRelease


class TickWrap(Controller):
    """The tick number after 65535 is taken for a wrong one."""

    __slots__ = ()

    def step(self, tick: int, *inputs: int) -> None:
        wraps = self.started and self.tick == TICK_NUMBER_MASK and tick == 0
        super().step(tick, *inputs)
        if wraps:
            self.faults |= FAULT_TICK


class TableEdge(Controller):
    """From the last point of the lift axis on, the maps give the row before the last (against M1)."""

    __slots__ = ()

    def _build(self, c: Calibration) -> None:
        super()._build(c)
        self.maps = _LostEdge(c)


BUGS: dict[str, Callable[[], Controller]] = {
    "hold-short": HoldShort,
    "peak-lost": PeakLost,
    "release-low": ReleaseLow,
    "tick-wrap": TickWrap,
    "table-edge": TableEdge,
}
