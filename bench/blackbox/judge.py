"""Whether captured edges are those of the right firmware: an envelope of what it may do, what leaves it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.blackbox.played import Floats, Played
from bench.blackbox.unit import LEAD_DEG, Edges, Limits, Unit, reference
from controller.constants import FUEL_OFF, SPARK_OFF

FIRST = 48
"""Members of the first ensemble; one that leaves it is held against a second of MORE others as well."""
MORE = 952
APART = 4
"""Cycles without a skipped event that end a cut."""
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


BEGINS = Channel("a cut begins", "ms", 0.0)
LASTS = Channel("a cut lasts", "ms", 0.0)
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
    """Where fuel or spark is off that the calibration does not switch off, only one of two that it does, or
    where there are more edges than one."""
    bits = played.calibration.event_bits
    off = skipped(played, edges)
    wrong = (~edges.fuel != (off & bool(bits & FUEL_OFF))) | (~edges.spark != (off & bool(bits & SPARK_OFF)))
    return wrong if edges.stray is None else wrong | edges.stray


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


def cuts(played: Played, edges: Edges) -> tuple[Any, Floats]:
    """The stretches with skipped events, APART cycles or more from one another: the first and the last crank
    event of each, and its begin and its length in ms, [k, 2] both."""
    at = np.flatnonzero(skipped(played, edges))
    if not len(at):
        return np.zeros((0, 2), dtype=np.int64), np.zeros((0, 2))
    breaks = np.flatnonzero(np.diff(at) > APART * played.calibration.cylinders)
    first, last = at[np.concatenate(([0], breaks + 1))], at[np.concatenate((breaks, [len(at) - 1]))]
    begin, end = played.crank[first] / 1e3, played.crank[last] / 1e3
    return np.stack((first, last), axis=1), np.stack((begin, end - begin), axis=1)


@dataclass
class Envelope:
    """The least and the greatest of the members at each crank event, by channel; inf where none has a value.
    `cuts`: least and greatest begin and length of each cut, None where members differ in their number."""

    low: dict[Channel, Floats]
    high: dict[Channel, Floats]
    members: int = 0
    cuts: tuple[Floats, Floats] | None = None

    def add(self, found: dict[Channel, Floats], of_cuts: Floats) -> None:
        """One more member."""
        if self.members == 0:
            self.cuts = of_cuts, of_cuts
        elif self.cuts is not None:
            same = len(self.cuts[0]) == len(of_cuts)
            low, high = self.cuts
            self.cuts = (np.minimum(low, of_cuts), np.maximum(high, of_cuts)) if same else None
        for channel, values in found.items():
            self.low[channel] = np.fmin(self.low.get(channel, np.full(len(values), np.inf)), values)
            self.high[channel] = np.fmax(self.high.get(channel, np.full(len(values), -np.inf)), values)
        self.members += 1

    def limits(self, channel: Channel) -> tuple[Floats, Floats]:
        """Between which it must lie."""
        low, high = _spread(self.low[channel], np.minimum), _spread(self.high[channel], np.maximum)
        width = np.where(np.isfinite(high - low), np.maximum(high - low, 0.0), 0.0)
        more = channel.floor + WIDER * width
        least = 0.0 if channel.unit == "events" else -np.inf
        return np.maximum(low - more, least), high + more


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


def _wrong_cuts(played: Played, envelope: Envelope, edges: Edges) -> Iterator[Excursion]:
    """The first cut that begins or lasts otherwise than in any member, where all members have as many."""
    at, mine = cuts(played, edges)
    if envelope.cuts is None or len(mine) != len(envelope.cuts[0]):
        return
    gaps = np.diff(played.crank, append=played.crank[-1:] + 1)
    low, high = envelope.cuts
    for column, channel in enumerate((BEGINS, LASTS)):
        for i, value in enumerate(mine[:, column].tolist()):
            event = float(gaps[at[i, column]]) / 1e3  # edges come with crank events: two of them either way
            more = 2 * event + WIDER * float(high[i, column] - low[i, column])
            least, most = float(low[i, column]) - more, float(high[i, column]) + more
            if not least <= value <= most:
                yield Excursion(channel, int(at[i, column]), value, least if value < least else most)
                break


def excursions(
    played: Played, envelope: Envelope, edges: Edges, found: dict[Channel, Floats]
) -> list[Excursion]:
    """The first of each channel, in order of time."""
    out = list(_wrong_cuts(played, envelope, edges))
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

    Members are made when they are needed: FIRST of them, and `more` (MORE) before anything is called
    different.
    """

    def __init__(
        self,
        played: Played,
        limits: Limits,
        seed: int = 0,
        more: int | None = None,
        progress: Callable[[float], None] = lambda share: None,
    ) -> None:
        self.played = played
        self._limits = limits
        self._seed = seed
        self._more = MORE if more is None else more
        self._progress = progress
        self.envelope = Envelope({}, {})

    def _grow(self, members: int) -> None:
        while self.envelope.members < members:
            unit = Unit.drawn(self._limits, (self._seed << 20) + self.envelope.members)
            edges = reference(self.played, unit)
            self.envelope.add(series(self.played, edges), cuts(self.played, edges)[1])
            self._progress(self.envelope.members / members)

    def judge(self, edges: Edges) -> Judged:
        """The verdict on edges."""
        kind = np.flatnonzero(wrong_kind(self.played, edges))
        found = series(self.played, edges)
        self._grow(FIRST)
        if len(kind):
            at = int(kind[0])
            return Judged([Excursion(KIND, at, 1.0, 0.0)], self.envelope, found)
        out = excursions(self.played, self.envelope, edges, found)
        if out:
            self._grow(FIRST + self._more)
            out = excursions(self.played, self.envelope, edges, found)
        return Judged(out, self.envelope, found)
