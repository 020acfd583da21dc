"""What a setting must keep to, read from `--limit`, and how well it does over a spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench import units
from bench.errors import UserError
from bench.trace.text import quoted
from bench.vehicle.harm import at_share
from bench.vehicle.results import MARKS_FT, Floats

REVERSAL_S = 0.002
"""What a reversal of the command counts in the aim, beside the time: each one is a jolt for the car, and a
busy command wears what carries it out. Chosen, no source."""

MARGIN = 0.1
"""A search keeps so much below what is asked for, so that cars that it has not seen keep it too."""

OVER = 10.0  # how far out of limits a run counts that turns over or never gets there

_NEVER_MPS = 10.0  # what a nose that never comes down counts in the aims: harder than any landing

_DOUBT = 0.5

_N_IN_LBF = 0.45359237 * 9.80665  # exact, from the definitions of the pound and of standard gravity


@dataclass(frozen=True)
class Kind:
    """A figure that can be limited: its name in `--limit`, its words, the score it is taken from, the unit it
    is shown in, and that unit's size in the score's."""

    name: str
    words: str
    score: str
    unit: str
    size: float
    form: str
    in_half: bool = False
    """Whether half of the cars keeping it is enough, whatever the share."""

    def shown(self, value: float) -> str:
        """A score as a person reads it; it is infinite where a nose never came down."""
        if value == math.inf:
            return "never"
        return f"{format(value / self.size, self.form)} {self.unit}".rstrip()


KINDS = (
    Kind("lift", "peak lift", "peak_lift", "mm", 1e-3, ".0f"),
    Kind("landing", "landing speed", "landing_speed", "m/s", 1.0, ".2f"),
    Kind("bar", "bar force", "bar_force", "kN", 1e3, ".1f"),
    Kind("reversals", "command reversals", "reversals", "", 1.0, ".0f"),
    Kind("latches", "interventions", "latches", "", 1.0, ".0f", True),
)


def landing_text(speed: float | None) -> str:
    """A landing speed in m/s as a person reads it; None and 0 are no landing, infinite is none yet."""
    return KINDS[1].shown(speed) if speed else "no landing"


_COUNTED = {"reversals": 15.0, "latches": 3.0}  # what is allowed unless told otherwise; no unit
_BAR_UNITS = {"n": 1.0, "kn": 1e3, "lbf": _N_IN_LBF}
_FORM = "lift_mm=350, landing_m_per_s=1.0, bar_kn=10, reversals=15 or latches=3"


@dataclass(frozen=True)
class Limit:
    """The greatest value of a figure, in the score's SI unit."""

    kind: Kind
    most: float


def read_limits(texts: Sequence[str]) -> tuple[Limit, ...]:
    """The limits of all `--limit` options, in the order of KINDS. UserError for what cannot be one."""
    found: dict[str, Limit] = {}
    for text in texts:
        limit = _read(text)
        if limit.kind.name in found:
            raise UserError(f"the {limit.kind.words} is limited twice", "--limit", "give each limit once")
        found[limit.kind.name] = limit
    return tuple(found[kind.name] for kind in KINDS if kind.name in found)


def with_defaults(limits: Sequence[Limit]) -> tuple[Limit, ...]:
    """The limits, with those on reversals and latches that hold unless others are given."""
    given = {limit.kind.name: limit for limit in limits}
    usual = {name: Limit(kind, _COUNTED[name]) for kind in KINDS if (name := kind.name) in _COUNTED}
    found = usual | given
    return tuple(found[kind.name] for kind in KINDS if kind.name in found)


def tightened(limits: Sequence[Limit]) -> tuple[Limit, ...]:
    """What a search keeps to for these limits to be kept by other cars: less by MARGIN. What is counted
    stays."""
    return tuple(
        limit if limit.kind.name in _COUNTED else Limit(limit.kind, (1 - MARGIN) * limit.most)
        for limit in limits
    )


def _read(text: str) -> Limit:
    key, equals, number = text.partition("=")
    name, _, suffix = key.strip().partition("_")
    kind = next((kind for kind in KINDS if kind.name == name), None)
    if not equals or kind is None:
        raise UserError(f"{quoted(text)} is not a limit", "--limit", _FORM)
    size = _size(kind, suffix)
    if size is None:
        known = {"lift": "lift_mm or lift_in", "landing": "landing_m_per_s or landing_fps"}
        right = known.get(name, name if name in _COUNTED else "bar_kn, bar_n or bar_lbf")
        raise UserError(f"{quoted(key.strip())} has no unit of a {kind.words}", "--limit", right)
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise UserError(f"{quoted(text)} gives no number above 0", "--limit", _FORM)
    return Limit(kind, value * size)


def _size(kind: Kind, suffix: str) -> float | None:
    """SI units in one of the unit that a suffix names, None where it is none of this kind."""
    if kind.name in _COUNTED:
        return None if suffix else 1.0
    if kind.name == "bar":
        return _BAR_UNITS.get(suffix)
    unit = units.SUFFIXES.get(suffix)
    si = "m/s" if kind.name == "landing" else "m"
    if unit is None or units.kind_of(unit) != units.kind_of(si):
        return None
    return float(units.factor(unit, si))


@dataclass(frozen=True)
class CarFigures:
    """What the cars of a spread did with one setting, car by car: float64[cars] each, in SI units. `time` is
    that of the nose at the chosen distance; a run that never got there has the run's longest. `landing` is
    infinite where `up` is 1, and 0 where the nose never flew."""

    time: Floats
    lift: Floats
    landing: Floats
    bar: Floats
    reversals: Floats
    latches: Floats
    failed: Floats  # 1 where the car turned over or never got there
    up: Floats  # 1 where the nose flew and had not landed at the end: no landing limit is kept

    def first(self, count: int) -> CarFigures:
        """The first so many cars."""
        return CarFigures(*(getattr(self, name)[:count] for name in FIGURES))

    def beyond(self, limit: Limit) -> Floats:
        """By how much, as a share of a limit, each car is beyond it."""
        ratios = np.minimum(self.of(limit.kind) / limit.most - 1, OVER)
        lost = (self.failed > 0) | ((self.up > 0) & (limit.kind.name == "landing"))
        return np.where(lost, OVER, ratios)

    @property
    def aim(self) -> Floats:
        """What should be least: the time, and for each reversal of the command a little more, in s."""
        return self.time + REVERSAL_S * self.reversals

    def of(self, kind: Kind) -> Floats:
        """A figure that can be limited."""
        values: Floats = getattr(self, kind.name)
        return values


def joined(a: CarFigures, b: CarFigures) -> CarFigures:
    """The cars of both, in this order."""
    return CarFigures(*(np.concatenate([getattr(a, name), getattr(b, name)]) for name in FIGURES))


FIGURES = ("time", "lift", "landing", "bar", "reversals", "latches", "failed", "up")


def driven(scores: dict[str, Floats], feet: int, longest_s: float) -> CarFigures:
    """The figures of a search from the scores of runs."""
    time = scores["nose_time"][:, MARKS_FT.index(feet)]
    failed = (scores["turned_over"] > 0) | np.isnan(time)
    return CarFigures(
        np.where(np.isnan(time), longest_s, time),
        scores["peak_lift"],
        np.nan_to_num(scores["landing_speed"], nan=np.inf),
        scores["bar_force"],
        scores["reversals"],
        scores["latches"],
        failed.astype(np.float64),
        np.isnan(scores["landing_speed"]).astype(np.float64),
    )


@dataclass(frozen=True)
class Judged:
    """A setting over a spread. `over`: by how much, as a share of the limit, the worst limit is passed in the
    car at the demanded share (0 and below: kept). `aim_s`: the mean of CarFigures.aim; `time_s`: the mean;
    the rest: the value that the wanted share of the cars stays at or below, of `latches` half of them.
    `within`: the share of cars that keep all limits of each_car."""

    over: float
    aim_s: float
    time_s: float
    lift_m: float
    landing_mps: float
    bar_n: float
    reversals: float
    latches: float
    within: float

    @property
    def aims(self) -> tuple[float, float, float]:
        """What should be small."""
        return self.aim_s, self.lift_m, min(self.landing_mps, _NEVER_MPS)


def each_car(limits: Sequence[Limit]) -> list[Limit]:
    """Those that the wanted share of the cars must keep, each of them all."""
    return [limit for limit in limits if not limit.kind.in_half]


def excess(d: CarFigures, limits: Sequence[Limit]) -> Floats:
    """By how much, as a share of a limit, each car is beyond that one of each_car it is farthest beyond (or
    nearest to)."""
    return np.asarray(np.max([d.beyond(limit) for limit in each_car(limits)], axis=0))


def judge(d: CarFigures, limits: Sequence[Limit], share: float, demand: float | None = None) -> Judged:
    """How well a setting does where `share` of the cars must keep the limits, or of these cars the share
    `demand`."""
    beyond = excess(d, limits)
    half = [at_share(d.beyond(limit), 0.5) for limit in limits if limit.kind.in_half]
    return Judged(
        max(at_share(beyond, demand or share), *half, -math.inf),
        float(d.aim.mean()),
        float(d.time.mean()),
        at_share(d.lift, share),
        at_share(d.landing, share),
        at_share(d.bar, share),
        at_share(d.reversals, share),
        at_share(d.latches, 0.5),
        float((beyond <= 0).mean()),
    )


def demanded(cars: int, share: float) -> float:
    """What share of so many cars must keep the limits for `share` of all cars to do so as likely as not: a
    search that is content with the share itself finds what just fits its own cars, and one that asks for more
    is left with settings that cut so much that they keep anything. The check on other cars decides. All of
    them where there are too few for that."""
    miss = 1 - share
    chance = 0.0
    for broken in range(cars):
        chance += math.comb(cars, broken) * miss**broken * share ** (cars - broken)
        if chance > _DOUBT:
            return 1 - max(0, broken - 1) / cars
    return 1.0


def better(a: Judged, b: Judged) -> bool:
    """Whether `a` is preferred to `b`: nearer to the limits where one of them breaks them, else no worse in
    every aim and better in one."""
    if a.over > 0 or b.over > 0:
        return max(a.over, 0.0) < max(b.over, 0.0)
    return dominates(a, b)


def dominates(a: Judged, b: Judged) -> bool:
    """Whether `a` is no worse in every aim and better in one, whatever the limits."""
    pairs = list(zip(a.aims, b.aims, strict=True))
    return all(x <= y for x, y in pairs) and any(x < y for x, y in pairs)


def rank(judged: Sequence[Judged]) -> list[int]:
    """Numbers of the settings, the ones to keep first: those within the limits by fronts, in each front in
    turn one of the best in the first aim and one of the loneliest; then the others, the nearest to the limits
    first."""
    inside = [i for i, j in enumerate(judged) if j.over <= 0]
    outside = sorted((i for i, j in enumerate(judged) if j.over > 0), key=lambda i: (judged[i].over, i))
    order: list[int] = []
    while inside:
        front = [i for i in inside if not any(dominates(judged[k], judged[i]) for k in inside)]
        order += _spread_out(front, judged)
        inside = [i for i in inside if i not in front]
    return order + outside


def _spread_out(front: list[int], judged: Sequence[Judged]) -> list[int]:
    """In turn the best one left and the one left that has most room to its neighbours along the aims: the
    first aim is what is sought, and the rest of the curve is to be seen too."""
    room = dict.fromkeys(front, 0.0)
    for aim in range(3):
        along = sorted(front, key=lambda i: (judged[i].aims[aim], i))
        span = judged[along[-1]].aims[aim] - judged[along[0]].aims[aim]
        room[along[0]] = room[along[-1]] = math.inf
        for before, i, after in zip(along, along[1:], along[2:], strict=False):
            if span > 0:
                room[i] += (judged[after].aims[aim] - judged[before].aims[aim]) / span
    fast = sorted(front, key=lambda i: (judged[i].aim_s, i))
    lonely = sorted(front, key=lambda i: (-room[i], i))
    # each number once, where it comes first
    return list(dict.fromkeys(i for pair in zip(fast, lonely, strict=True) for i in pair))
