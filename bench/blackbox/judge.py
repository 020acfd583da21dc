"""Whether captured edges are those of the right firmware: an envelope of what it may do, and what leaves it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.blackbox.played import Floats, Played
from bench.blackbox.unit import LEAD_DEG, Edges, Limits, Unit, reference
from controller.constants import FUEL_OFF, SPARK_OFF

FIRST = 48
"""Members of the first ensemble; one that leaves it is held against a second of MORE others as well."""
MORE = 240
SLACK = 1
"""Crank events by which anything may come earlier or later than in a member."""
WIDER = 0.5
"""An envelope is made wider at each side by so much of its own width."""


@dataclass(frozen=True)
class Channel:
    """One thing that is judged at each crank event: its name and unit, and how far beyond the envelope it may
    lie in any case."""

    name: str
    unit: str
    floor: float


ANGLE = Channel("spark", "° late", 0.4)
FUEL = Channel("injector", "µs late", 60.0)
KIND = Channel("what is switched off", "", 0.0)


def windows(played: Played) -> list[tuple[Channel, int]]:
    """The counts of skipped events that are judged, each with its length in crank events."""
    n = played.calibration.cylinders
    return [
        (Channel("skipped in one cycle", "events", 1.0), n),
        (Channel("skipped in four cycles", "events", 1.0), 4 * n),
        (Channel("skipped in sixteen cycles", "events", 1.0), 16 * n),
        (Channel("skipped since the start", "events", 1.0), 0),
    ]


def skipped(played: Played, edges: Edges) -> Any:
    """Which crank events a calibrated skip switched off: bool[n]."""
    bits = played.calibration.event_bits
    off = np.zeros(len(edges.fuel), dtype=bool)
    if bits & FUEL_OFF:
        off |= ~edges.fuel
    if bits & SPARK_OFF:
        off |= ~edges.spark
    return off


def wrong_kind(played: Played, edges: Edges) -> Any:
    """Where fuel or spark is off that the calibration does not switch off, or only one of two that it does."""
    bits = played.calibration.event_bits
    off = skipped(played, edges)
    return (~edges.fuel != (off & bool(bits & FUEL_OFF))) | (~edges.spark != (off & bool(bits & SPARK_OFF)))


def _sums(off: Any, length: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(off.astype(np.float64))))
    if length == 0:
        return total[1:]
    first = np.maximum(np.arange(1, len(total)) - length, 0)
    return np.asarray(total[1:] - total[first])


def series(played: Played, edges: Edges) -> dict[Channel, Floats]:
    """Each channel over the crank events; NaN where it has no value."""
    off = skipped(played, edges)
    found = {channel: _sums(off, length) for channel, length in windows(played)}
    for place in range(played.calibration.cylinders):
        number = played.calibration.firing_order[place]
        own = off & (played.place == place)
        found[Channel(f"skipped of cylinder {number}", "events", 1.0)] = _sums(own, 0)
    angle = edges.spark_us * played.turning - LEAD_DEG
    found[ANGLE] = np.where(edges.spark, angle, np.nan)
    found[FUEL] = np.where(edges.fuel, edges.fuel_us, np.nan)
    return found


@dataclass
class Envelope:
    """The least and the greatest of the members at each crank event, by channel; inf where none has a value."""

    low: dict[Channel, Floats]
    high: dict[Channel, Floats]
    members: int = 0

    def add(self, found: dict[Channel, Floats]) -> None:
        """One more member."""
        for channel, values in found.items():
            self.low[channel] = np.fmin(self.low.get(channel, np.full(len(values), np.inf)), values)
            self.high[channel] = np.fmax(self.high.get(channel, np.full(len(values), -np.inf)), values)
        self.members += 1

    def limits(self, channel: Channel) -> tuple[Floats, Floats]:
        """Between which it must lie."""
        low, high = _spread(self.low[channel], np.minimum), _spread(self.high[channel], np.maximum)
        width = np.where(np.isfinite(high - low), np.maximum(high - low, 0.0), 0.0)
        more = channel.floor + WIDER * width
        return low - more, high + more


def _spread(values: Floats, take: Any) -> Floats:
    """Each value with its neighbours."""
    found = values.copy()
    for by in range(1, SLACK + 1):
        found[by:] = take(found[by:], values[:-by])
        found[:-by] = take(found[:-by], values[by:])
    return found


@dataclass(frozen=True)
class Excursion:
    """Where and how far a controller leaves the envelope: the crank event, the value and the nearer limit."""

    channel: Channel
    event: int
    value: float
    limit: float


def excursions(envelope: Envelope, found: dict[Channel, Floats]) -> list[Excursion]:
    """The first of each channel, in order of time."""
    out = []
    for channel, values in found.items():
        low, high = envelope.limits(channel)
        with np.errstate(invalid="ignore"):
            beyond = np.flatnonzero((values < low) | (values > high))
        if len(beyond):
            at = int(beyond[0])
            limit = low[at] if values[at] < low[at] else high[at]
            out.append(Excursion(channel, at, float(values[at]), float(limit)))
    return sorted(out, key=lambda one: one.event)


@dataclass(frozen=True)
class Judged:
    """What came of one run: `found` is empty where it is equal."""

    found: Sequence[Excursion]
    envelope: Envelope
    series: dict[Channel, Floats]


class Judge:
    """Holds captured edges of one run against an ensemble of the right firmware within limits.

    Members are made when they are needed: FIRST of them, and MORE before anything is called different.
    """

    def __init__(
        self,
        played: Played,
        limits: Limits,
        seed: int = 0,
        progress: Callable[[float], None] = lambda share: None,
    ) -> None:
        self.played = played
        self._limits = limits
        self._seed = seed
        self._progress = progress
        self.envelope = Envelope({}, {})

    def _grow(self, members: int) -> None:
        while self.envelope.members < members:
            unit = Unit.drawn(self._limits, (self._seed << 20) + self.envelope.members)
            self.envelope.add(series(self.played, reference(self.played, unit)))
            self._progress(self.envelope.members / members)

    def judge(self, edges: Edges) -> Judged:
        """The verdict on edges."""
        kind = np.flatnonzero(wrong_kind(self.played, edges))
        found = series(self.played, edges)
        self._grow(FIRST)
        if len(kind):
            at = int(kind[0])
            return Judged([Excursion(KIND, at, 1.0, 0.0)], self.envelope, found)
        out = excursions(self.envelope, found)
        if out:
            self._grow(FIRST + MORE)
            out = excursions(self.envelope, found)
        return Judged(out, self.envelope, found)
