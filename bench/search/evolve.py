"""How the next settings are chosen: differential evolution towards a whole trade-off curve.

A population of settings, of which each generation tries one change each: a difference of two others, added to
a third or to the best one within the limits. A change must do no worse than what it replaces on a few of
the cars before it is worth all of them. A change that is better replaces its parent; one that is only
different stays beside it, and the population is cut back along the curve (see bench.search.limits.rank).

Written here and not taken from scipy, whose solver has one aim, keeps no curve and cannot be put down and
taken up again: it would be a heavy package for ten lines. The method: R. Storn and K. Price, "Differential
Evolution", J. Global Optimization 11 (1997); the selection for several aims with limits follows the idea of
K. Deb's constrained domination (2000), both cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.errors import UserError
from bench.random import Random
from bench.search.drive import Driver, Job
from bench.search.limits import CarFigures, Judged, Limit, better, demanded, driven, joined, judge, rank
from bench.search.settings import Settings, Values

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_FIRST_TRIED = 4  # settings tried on a few cars for each one of the first population
_LEAST_FEW = 4
_LEAST_POPULATION = 4  # a change takes three others
_CROSS = 0.9  # share of the numbers that come from the change


@dataclass(frozen=True)
class Plan:
    """What a search is asked for."""

    limits: tuple[Limit, ...]
    share: float
    feet: int
    longest_s: float
    cars: int
    population: int
    generations: int
    seed: int
    strict: bool = False  # whether all of these cars must keep the limits: see demanded

    @property
    def few(self) -> int:
        """Cars of the first look at a change."""
        return min(self.cars, max(_LEAST_FEW, self.cars // 4))


@dataclass(frozen=True)
class Member:
    """A setting of the population: its place in the ranges (shares), its values, what the cars did."""

    shares: list[float]
    values: Values
    driven: CarFigures


@dataclass(frozen=True)
class _Looked(Member):
    """A setting that a few cars drove."""

    calibration: CalibrationFile


@dataclass(frozen=True)
class Tried:
    """A setting that all cars of the spread drove."""

    values: Values
    judged: Judged


@dataclass
class Course:
    """A search under way: all of what the next generation depends on. `runs` counts runs of a car, `best`
    the time of the best one within limits after each generation."""

    generation: int = 0
    members: list[Member] = field(default_factory=list)
    tried: list[Tried] = field(default_factory=list)
    runs: int = 0
    best: list[float | None] = field(default_factory=list)


@dataclass
class Courses:
    """What a search steps: `whole` over all that is sought, `near` the start, `plain` without look-ahead."""

    whole: Course = field(default_factory=Course)
    near: Course = field(default_factory=Course)
    plain: Course = field(default_factory=Course)

    @property
    def each(self) -> tuple[Course, ...]:
        """Each of them."""
        return self.whole, self.near, self.plain


class Search:
    """Steps a course from one generation to the next. Each draws its own chances from the seed, so that a
    course that was put down goes on as if it had not been."""

    def __init__(self, plan: Plan, settings: Settings, drive: Driver) -> None:
        self.plan, self.settings = plan, settings
        self._drive = drive

    def step(self, course: Course) -> None:
        """One generation."""
        rng = Random((self.plan.seed << 20) + course.generation)
        if course.generation == 0:
            self._begin(course, rng)
        else:
            self._change(course, rng)
        course.generation += 1
        course.best.append(best_within(course.tried))

    def judge(self, members: Sequence[Member]) -> list[Judged]:
        """How well settings do on the cars that drove them."""
        return [self._judge(m.driven) for m in members]

    def _judge(self, d: CarFigures) -> Judged:
        plan = self.plan
        demand = 1.0 if plan.strict else demanded(len(d.time), plan.share)
        return judge(d, plan.limits, plan.share, demand)

    def _begin(self, course: Course, rng: Random) -> None:
        """The start, and of some near it and others spread evenly over the ranges those that look best on a
        few cars."""
        plan, own = self.plan, self.settings.start_values
        points = [self.settings.shares(values) for values in self.settings.first_tries]
        points += evenly_spread(_FIRST_TRIED * plan.population, len(self.settings.all), rng)
        looked = [one for one in self._look(course, points) if one is not None]
        if len(looked) < _LEAST_POPULATION:
            what = f"only {len(looked)} of {len(points)} settings near it make a legal calibration"
            right = "for example a larger ceilings.largest_difference_percent"
            raise UserError(what, self.settings.start.path, right)
        order = sorted(rank(self.judge(looked)), key=lambda i: looked[i].values != own)
        course.members = self._finish(course, [looked[i] for i in order[: plan.population]])

    def _change(self, course: Course, rng: Random) -> None:
        members = course.members
        best = rank(self.judge(members))[0]
        looked = self._look(course, [self._changed(members, i, best, rng) for i in range(len(members))])
        hopeful = []
        for i, seen in enumerate(looked):
            if seen is None:
                continue
            before = self._judge(members[i].driven.first(self.plan.few))
            after = self._judge(seen.driven)
            if not better(before, after):
                hopeful.append((i, seen))
        kept, beside = list(members), []
        whole = self._finish(course, [one for _, one in hopeful])
        for (i, _), one in zip(hopeful, whole, strict=True):
            before, after = self.judge([members[i], one])
            if better(after, before):
                kept[i] = one
            elif not better(before, after):
                beside.append(one)
        together = list({one.values: one for one in [*kept, *beside]}.values())
        course.members = [together[i] for i in rank(self.judge(together))[: self.plan.population]]

    def _changed(self, members: list[Member], own: int, best: int, rng: Random) -> list[float]:
        """The point of a member, changed by a difference of two others from one more or from the best."""
        others = [i for i in range(len(members)) if i != own]
        picked = [others.pop(rng.whole(len(others))) for _ in range(3)]
        base = best if rng.whole(2) else picked[0]
        size = 0.4 + 0.5 * rng.share()
        surely = rng.whole(len(self.settings.all))
        point = []
        for k, mine in enumerate(members[own].shares):
            taken = rng.share() < _CROSS or k == surely
            a, b, c = (members[i].shares[k] for i in (base, picked[1], picked[2]))
            value = a + size * (b - c)
            # what would leave the range goes halfway to its end
            inside = a / 2 if value < 0 else (a + 1) / 2 if value > 1 else value
            point.append(inside if taken else mine)
        return point

    def _look(self, course: Course, points: list[list[float]]) -> list[_Looked | None]:
        """The points as settings that a few cars drove; None where they make no legal calibration."""
        settings = [self.settings.values(point) for point in points]
        made = [self.settings.calibration(values) for values in settings]
        jobs = [Job(calibration, 1, self.plan.few) for calibration in made if calibration is not None]
        drives = iter(self._run(course, jobs))
        return [
            None if calibration is None else _Looked(point, values, next(drives), calibration)
            for point, values, calibration in zip(points, settings, made, strict=True)
        ]

    def _finish(self, course: Course, looked: Sequence[_Looked]) -> list[Member]:
        """The settings driven by the rest of the cars too."""
        few, cars = self.plan.few, self.plan.cars
        jobs = [Job(one.calibration, 1 + few, cars - few) for one in looked]
        rest = self._run(course, jobs)
        whole = [
            Member(one.shares, one.values, joined(one.driven, more))
            for one, more in zip(looked, rest, strict=True)
        ]
        known = {tried.values for tried in course.tried}
        for one, judged in zip(whole, self.judge(whole), strict=True):
            if one.values not in known:
                known.add(one.values)
                course.tried.append(Tried(one.values, judged))
        return whole

    def _run(self, course: Course, jobs: list[Job]) -> list[CarFigures]:
        course.runs += sum(job.count for job in jobs)
        return [driven(scores, self.plan.feet, self.plan.longest_s) for scores in self._drive(jobs)]


def best_within(tried: Sequence[Tried]) -> float | None:
    """The mean time of the setting within the limits that is best in what is sought; None where there is
    none."""
    inside = [t.judged for t in tried if t.judged.over <= 0]
    return min(inside, key=lambda j: (j.aim_s, j.time_s)).time_s if inside else None


def evenly_spread(count: int, numbers: int, rng: Random) -> list[list[float]]:
    """Points in the unit cube of which each number has one value in each of `count` equal parts (a Latin
    hypercube)."""
    columns = []
    for _ in range(numbers):
        parts = list(range(count))
        for i in range(count - 1, 0, -1):
            k = rng.whole(i + 1)
            parts[i], parts[k] = parts[k], parts[i]
        columns.append([(part + rng.share()) / count for part in parts])
    return [list(point) for point in zip(*columns, strict=True)]
