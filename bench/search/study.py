"""A search from start to result: generations, the check on cars that nothing was chosen by, the choice."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import UserError
from bench.search import state
from bench.search.drive import Driver, Job, Scores, driver, program
from bench.search.evolve import Course, Courses, Plan, Search, Tried, best_within
from bench.search.limits import CarFigures, Judged, Limit, dominates, driven, judge, tightened
from bench.search.progress import Progress
from bench.search.settings import Settings, Values
from bench.search.spread import CHECK_FROM, Spread, most_noise
from bench.search.wishes import KEYS, LOOKS, Wishes
from bench.vehicle.car import VehicleFile
from bench.vehicle.results import FOOT
from bench.vehicle.run import run
from bench.vehicle.track import Track

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_BEST, _ALONG, _BEYOND = 4, 6, 3  # settings that are checked: see candidates
# Those of a quick search that are checked as well: with its few settings and generations it mostly ends at
# ones of which a few in a hundred other cars too many do not keep the limits.
_SAFEST = 12
_LONGEST_S = 15.0
# What is sought without look-ahead, for comparison: a smaller population for fewer generations.
_PLAIN_SHARE, _PLAIN_LEAST = 3, 8
_PLAIN_SEED = 1 << 31
# The share of the generations that seek near the start, and how near, as a share of each range.
_NEAR_SHARE, _NEAR_PERCENT = 0.45, 20.0
_NEAR_SEED = 1 << 30


@dataclass(frozen=True)
class Options:
    """What is sought. `road` None is level; `wide`: see Spread; `check` is the number of cars that
    check what was found."""

    limits: tuple[Limit, ...]
    share: float = 0.95
    feet: int = 660
    road: str | None = "A+B"
    wide: bool = True
    cars: int = 48
    check: int = 200
    population: int = 24
    generations: int = 23
    seed: int = 1
    quick: bool = False  # see Spread, Plan.strict and safest
    wishes: Wishes = field(default_factory=Wishes)


@dataclass(frozen=True)
class Checked:
    """One way to drive the cars of the check: without control (no values), as the start, or a setting."""

    values: Values | None
    calibration: CalibrationFile
    scores: Scores
    driven: CarFigures
    judged: Judged


@dataclass(frozen=True)
class Found:
    """A search that is done. `checked` has the settings that were checked, least in aim first; `chosen` is
    the first one of them that keeps the limits in the wanted share of those cars, None where none does;
    `taken` the one that was asked for by its row."""

    vehicle: VehicleFile
    settings: Settings
    options: Options
    courses: Courses
    without: Checked
    start: Checked
    checked: list[Checked]
    chosen: Checked | None
    taken: Checked | None = None

    @property
    def told(self) -> Checked:
        """The setting asked for or chosen, or the one that keeps the limits in most cars."""
        return self.taken or self.chosen or max(self.checked, key=lambda c: (c.judged.within, -c.judged.over))

    @property
    def kept(self) -> bool:
        """Whether that one keeps the limits."""
        return self.told.judged.over <= 0

    @property
    def tried(self) -> list[Tried]:
        """All that the cars of the search drove, with look-ahead and without."""
        return [tried for course in self.courses.each for tried in course.tried]

    def row(self, one: Checked) -> int:
        """Its number in the trade-off, from 1."""
        return next(i for i, other in enumerate(self.checked, 1) if other is one)

    def take(self, row: int) -> Found:
        """The same, with a row of the trade-off instead of the chosen one. UserError where there is none."""
        if row > len(self.checked):
            what = f"the trade-off has no row {row}"
            raise UserError(what, "--take", f"1 to {len(self.checked)}")
        return replace(self, taken=self.checked[row - 1])


def looks_ahead(values: Values) -> bool:
    """Whether a setting has look-ahead."""
    return any(values[KEYS.index(key)] for key in LOOKS)


def search(
    vehicle: VehicleFile,
    start: CalibrationFile,
    options: Options,
    folder: Path | None = None,
    cluster: str | None = None,
    watch: Progress = lambda share, text: None,
    replace: bool = False,
) -> Found:
    """Search, or go on with the search of a folder, which keeps what is needed for that after each
    generation. `replace`: begin anew where the folder holds another search or result."""
    settings = Settings(start, options.wishes)
    asked = _asked(vehicle, start, options)
    courses = (state.load(folder, asked, replace) if folder else None) or Courses()
    longest = longest_run(vehicle, start, options)
    spread = Spread(
        vehicle.text,
        str(vehicle.path),
        options.seed,
        options.road,
        options.feet,
        longest,
        options.wide,
        most_noise(start),
        options.quick,
    )
    plan = Plan(
        tightened(options.limits), options.share, options.feet, longest, options.cars, options.population,
        options.generations, options.seed, options.quick,
    )  # fmt: skip
    with driver(spread, cluster) as drive:
        if folder and not any(course.generation for course in courses.each):
            # a long search must not end with one that cannot be written
            state.save(folder, asked, courses)
        steps = list(_steps(courses, plan, settings, options, drive))
        whole = sum(seeking.plan.generations for _, seeking, _ in steps) + 1
        for on, seeking, words in steps:
            while on.generation < seeking.plan.generations:
                done = sum(course.generation for course in courses.each)
                watch(done / whole, words + _so_far(on, seeking.plan.generations))
                seeking.step(on)
                if folder:
                    state.save(folder, asked, courses)
        watch(1 - 1 / whole, "checking")
        return _check(vehicle, settings, options, courses, plan, drive)


def _steps(
    courses: Courses, plan: Plan, settings: Settings, options: Options, drive: Driver
) -> Iterator[tuple[Course, Search, str]]:
    """What is stepped one after the other, with its words. Near the start a quick setting within the limits
    is a small place, that a search over everything passes by on its way to slow ones."""
    near = 0 if options.wishes.near is not None else int(_NEAR_SHARE * plan.generations)
    yield courses.whole, Search(replace(plan, generations=plan.generations - near), settings, drive), ""
    if near:
        wishes = replace(options.wishes, near=_NEAR_PERCENT)
        nearby = replace(plan, generations=near, seed=plan.seed + _NEAR_SEED)
        yield courses.near, Search(nearby, Settings(settings.start, wishes), drive), "near the start: "
    if settings.looks:
        other = Settings(settings.start, options.wishes.without_look_ahead())
        yield courses.plain, Search(_smaller(plan), other, drive), "without look-ahead: "


def _smaller(plan: Plan) -> Plan:
    """The plan of the search without look-ahead."""
    return replace(
        plan,
        population=max(_PLAIN_LEAST, plan.population // _PLAIN_SHARE),
        generations=max(1, plan.generations // _PLAIN_SHARE),
        seed=plan.seed + _PLAIN_SEED,
    )


def state_text(found: Found) -> str:
    """The state of a search that is done, as its folder keeps it."""
    return state.as_text(_asked(found.vehicle, found.settings.start, found.options), found.courses)


def _asked(vehicle: VehicleFile, start: CalibrationFile, options: Options) -> dict[str, Any]:
    """All that a result depends on."""
    return {
        "program": program(),
        "vehicle": vehicle.digest,
        "calibration": start.digest,
        "limits": {limit.kind.name: limit.most for limit in options.limits},
        "share": options.share,
        "distance": options.feet,
        "road": options.road,
        "spread": "wide" if options.wide else "file",
        "seed": options.seed,
        "cars": options.cars,
        "check": options.check,
        "population": options.population,
        "generations": options.generations,
        "quick": options.quick,
        **options.wishes.as_asked(),
    }


def longest_run(vehicle: VehicleFile, start: CalibrationFile, options: Options) -> float:
    """When a run is given up: half as long again as the car takes without control, and a second."""
    track = Track(distance=options.feet * FOOT)
    time = run(vehicle.car, start, track, controlled=False).at_mark("nose_time", options.feet)
    return _LONGEST_S if math.isnan(time) else min(_LONGEST_S, math.ceil(1.5 * time + 1))


def _so_far(course: Course, generations: int) -> str:
    text = f"generation {course.generation} of {generations}"
    best = best_within(course.tried)
    if best is not None:
        return f"{text}, best so far {best:.3f} s"
    if not course.tried:
        return text
    most = max(tried.judged.within for tried in course.tried)
    return f"{text}, none within limits yet (at best {100 * most:.0f} % of the cars)"


def _check(
    vehicle: VehicleFile,
    settings: Settings,
    options: Options,
    courses: Courses,
    plan: Plan,
    drive: Driver,
) -> Found:
    """Drive the cars of the check without control, with the start and with the candidates."""
    ways: list[tuple[Values | None, CalibrationFile, bool]] = [
        (None, settings.start, False),
        (settings.start_values, settings.start, True),
    ]
    # What is just beyond what a search keeps to may keep the limits themselves, and be quicker.
    beside = [*candidates(courses.near.tried), *candidates(courses.plain.tried)[:1]]
    if options.quick:
        beside += safest(courses.whole.tried)
    for candidate in dict.fromkeys([*candidates(courses.whole.tried), *beside]):
        # Anew for each: a text that was changed before keeps traces of it in its spaces.
        made = Settings(settings.start, options.wishes).calibration(candidate)
        assert made is not None
        ways.append((candidate, made, True))
    jobs = [Job(calibration, CHECK_FROM, options.check, on) for _, calibration, on in ways]
    checked = []
    for (values, calibration, _), scores in zip(ways, drive(jobs), strict=True):
        figures = driven(scores, plan.feet, plan.longest_s)
        judged = judge(figures, options.limits, plan.share)
        checked.append(Checked(values, calibration, scores, figures, judged))
    without, start, *rest = checked
    rest.sort(key=lambda c: (c.judged.aim_s, c.values or ()))
    chosen = next((c for c in rest if c.judged.over <= 0), None)
    return Found(vehicle, settings, options, courses, without, start, rest, chosen)


def candidates(tried: Sequence[Tried]) -> list[Values]:
    """Settings worth a check: on the trade-off curve within the limits the best ones and some along the
    rest of it, and beyond the limits some of the better ones on the curve without limits; where
    nothing is within, the nearest."""
    inside = curve([t for t in tried if t.judged.over <= 0])
    chosen = inside[:_BEST] + _evenly(inside[_BEST:], _ALONG)
    if inside:
        outside = [t for t in curve(tried) if t.judged.over > 0]
        chosen += _evenly([t for t in outside if t.judged.aim_s < inside[0].judged.aim_s], _BEYOND)
    else:
        by_excess = sorted(tried, key=lambda t: (t.judged.over, t.values))
        chosen = by_excess[: _BEST + _ALONG]
    return [t.values for t in chosen]


def safest(tried: Sequence[Tried]) -> list[Values]:
    """Settings that keep the limits in the most cars, of equal ones the best ones."""
    found = sorted(tried, key=lambda t: (-t.judged.within, t.judged.aim_s, t.values))
    return [t.values for t in found[:_SAFEST]]


def curve(tried: Sequence[Tried]) -> list[Tried]:
    """Those that none of the others beats in all aims at once, the best in the first aim first."""
    front = [t for t in tried if not any(dominates(other.judged, t.judged) for other in tried)]
    return sorted(front, key=lambda t: (t.judged.aim_s, t.values))


def _evenly(items: list[Tried], count: int) -> list[Tried]:
    """So many of them, from the first to the last."""
    if len(items) <= count:
        return items
    return [items[round(i * (len(items) - 1) / (count - 1))] for i in range(count)]
