"""How far fit, prediction and search can be trusted: cars that do not obey the model, and one that does.

    python -m tests.outside_car --table [KIND...]    # a quarter of an hour; rewrites its part of the page

Each car is fitted to one run (driven with traces/demo.toml, its command logged) and to two (one without
control as well), and predicts six calibrations that it was not fitted to. A search for the car fitted to two
runs is driven by the car itself.
"""

from __future__ import annotations

import csv
import math
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from bench.calibration import CalibrationFile, compile_text, load, save
from bench.fit.car_text import fitted_text
from bench.fit.facts import Fit, holds
from bench.fit.fit import Z80, Z95, Fitted, fit
from bench.fit.measured import measure
from bench.search.limits import read_limits, with_defaults
from bench.search.study import Options as SearchOptions
from bench.search.study import search
from bench.trace.read import read_trace
from bench.vehicle import compiled
from bench.vehicle.car import VehicleFile
from bench.vehicle.facts import make_facts
from bench.vehicle.predict import Options, predict
from bench.vehicle.track import Track
from bench.vehicle.vehicle_file import load as load_vehicle
from bench.vehicle.vehicle_file import read
from tests import RECORDINGS, ROOT
from tests.fit_support import car_off_by
from tests.outside_car.car import OutsideCar
from tests.outside_car.kinds import KINDS
from tests.outside_car.log import log_text
from tests.outside_car.tape import truth, vehicle_text

SHARED = RECORDINGS / "outside_car"
FIGURES = ("peak mm", "landing m/s", "bar kN", "60 ft s", "660 ft s")
DIGITS = (0, 2, 1, 3, 3)
WITHIN = {"peak mm": 15.0, "landing m/s": 0.15, "660 ft s": 0.06}  # what was aimed at, median
LIMITS = ("lift_mm=350", "landing_m_per_s=1.5")
HELD = (0, 1, 4)  # the figures whose ranges are judged
_FEET = 660
_SEED = 7

Figures = tuple[float | None, ...]  # of FIGURES: None where there was none, NaN where it is not known


@dataclass(frozen=True)
class Case:
    """One calibration that a car is predicted with, and what it truly does."""

    name: str
    calibration: CalibrationFile
    true: Figures


@dataclass(frozen=True)
class Subject:
    """One car: the file that its crew wrote, two recorded runs, six calibrations, the true values of its
    parameters (SI) and how it drives, where they are known."""

    name: str
    vehicle: VehicleFile
    runs: list[Path]
    calibrations: list[CalibrationFile | None]
    cases: list[Case]
    real: dict[str, float]
    drive: Callable[[CalibrationFile], Figures] | None


@dataclass
class Told:
    """What a car's file (given, or fitted to one or two runs) predicts of each case: figures, and 80 %
    ranges of the fitted ones; how many true values its intervals hold."""

    figures: list[Figures] = field(default_factory=list)
    ranges: list[list[tuple[float, float] | None]] = field(default_factory=list)
    within: tuple[int, int, int] = (0, 0, 0)  # in 80 %, in 95 %, of
    holds: bool = True


def calibrations() -> dict[str, CalibrationFile]:
    """Six that no run of a fit was driven with."""
    plain, start = (load(ROOT / "traces" / f"{name}.toml") for name in ("plain", "demo"))

    def of(base: CalibrationFile, **changes: object) -> CalibrationFile:
        return compile_text(save(base, {k.replace("__", "."): v for k, v in changes.items()}), base.path)

    return {
        "plain": plain,
        "hold 0": of(plain, latch__hold_ms=0),
        "mild": of(plain, ceilings__greatest_reduction_percent=25),
        "short hold": of(plain, latch__hold_ms=150, ceilings__greatest_reduction_percent=40),
        "look 200": of(plain, latch__hold_ms=20, look_ahead__rising_ms=200, look_ahead__falling_ms=200),
        "look 250, 40 %": of(start, look_ahead__rising_ms=250, ceilings__greatest_reduction_percent=40),
    }


NAMES = (*KINDS, "ours", "shared-welded", "shared-fourlink")


def subject_of(name: str, folder: Path) -> Subject | None:
    """The car of a name of NAMES; None where its recordings are not there."""
    if name in KINDS:
        return _outside(name, folder)
    if name == "ours":
        return _ours(folder)
    return _shared(name.removeprefix("shared-")) if SHARED.is_dir() else None


def _outside(kind: str, folder: Path) -> Subject:
    p = KINDS[kind]
    demo = load(ROOT / "traces" / "demo.toml")
    runs = []
    for seed, on in ((11, True), (12, False)):
        path = folder / f"{kind}-{'demo' if on else 'off'}.csv"
        path.write_text(log_text(OutsideCar(p, seed).drive(demo, controlled=on).columns, seed))
        runs.append(path)

    def drive(calibration: CalibrationFile) -> Figures:
        run = OutsideCar(p, 3).drive(calibration)
        return (1000 * run.peak_lift, run.landing, run.bar / 1000, run.time.get(60), run.time.get(_FEET))

    cases = [Case(name, one, drive(one)) for name, one in calibrations().items()]
    vehicle = read(vehicle_text(p, _SEED), Path(f"{kind}.toml"))
    return Subject(kind, vehicle, runs, [None, None], cases, truth(p), drive)


def _ours(folder: Path) -> Subject:
    """A car that obeys the model: the demo car with all that a fit looks for off by 5 %."""
    car = car_off_by(0.05, _SEED)
    demo = load(ROOT / "traces" / "demo.toml")
    runs = []
    for seed, on in ((11, True), (12, False)):
        path = folder / f"ours-{on}.csv"
        c = compiled.run(car, demo, Track(seed, 0.001, duration=6.0), on).columns
        engine, shaft = c["engine_speed"] * 30 / math.pi, c["wheel_speed"] * car.final_drive * 30 / math.pi
        columns = {"speed": c["velocity"], "engine": engine, "shaft": shaft}
        path.write_text(log_text({**c, **columns}, seed))
        runs.append(path)

    def drive(calibration: CalibrationFile) -> Figures:
        one = compiled.run(car, calibration, Track(3, 0.001, distance=_FEET * 0.3048), True)
        landing = one.score("landing_speed")
        return (
            1000 * one.score("peak_lift"), landing or None, one.score("bar_force") / 1000,
            one.at_mark("nose_time", 60), one.at_mark("nose_time", _FEET),
        )  # fmt: skip

    cases = [Case(name, one, drive(one)) for name, one in calibrations().items()]
    vehicle = load_vehicle(ROOT / "traces" / "demo_car.toml")
    given = vehicle.car
    real = {n: getattr(car, n) for n in vars(given) if isinstance(getattr(given, n), float)}
    return Subject("ours", vehicle, runs, [None, None], cases, real, drive)


def _shared(name: str) -> Subject:
    rows = list(csv.DictReader((SHARED / "truth.csv").read_text().splitlines()))
    cases = []
    for row in rows:
        path = SHARED / "calibrations" / f"{row['calibration']}.toml"
        if row["variant"] == name and path.exists():
            true = (float(row["peak_lift_mm"]), float(row["landing_m_per_s"]), math.nan, math.nan,
                    float(row["time_660_ft_s"]))  # fmt: skip
            cases.append(Case(row["calibration"], load(path), true))
    file = "welded_plain" if name == "welded" else "fourlink_rear"
    runs = [SHARED / f"{name}_{run}_cmd.csv" for run in ("demo", "off")]
    vehicle = load_vehicle(SHARED / f"{file}.toml")
    return Subject(f"shared-{name}", vehicle, runs, [None, None], cases, {}, None)


def told(subject: Subject, count: int) -> tuple[Told, VehicleFile]:
    """What the file says with a fit to so many runs (0: as given)."""
    vehicle, found = subject.vehicle, Told()
    if count:
        runs = [
            measure(read_trace(path), vehicle.car, calibration, None)
            for path, calibration in zip(subject.runs[:count], subject.calibrations, strict=False)
        ]
        fitted = fit(vehicle.car, runs, frozenset())
        done = Fit(vehicle, runs, subject.calibrations[:count], frozenset(), fitted)
        found.holds, found.within = holds(done), _within(fitted, subject.real)
        vehicle = read(fitted_text(vehicle, fitted, ["runs"], []), vehicle.path)
    vehicle = replace(vehicle, scatter={})  # what differs from day to day is no part of it here
    for case in subject.cases:
        prediction = predict(vehicle, case.calibration, Options(3, None, None, _FEET, 100 if count else 0))
        facts = make_facts(prediction, [])
        side = facts["with"]
        marks = {mark["feet"]: mark["nose_s"] for mark in side["marks"]}
        bar_kn = side["bar_force_n"] / 1000
        found.figures.append(
            (side["peak_lift_mm"], side["landing_speed_mps"], bar_kn, marks[60], marks[_FEET])
        )
        if count:
            ranges = facts["spread"]["with"]["range_80"]
            bar = tuple(v / 1000 for v in ranges["bar_force_n"])
            keys = ("peak_lift_mm", "landing_speed_mps", None, "nose_60_ft_s", f"nose_{_FEET}_ft_s")
            found.ranges.append([bar if key is None else tuple(ranges[key]) for key in keys])
    return found, vehicle


def _within(fitted: Fitted, real: dict[str, float]) -> tuple[int, int, int]:
    known = [e for e in fitted.estimates if e.verdict in ("known", "weak") and real.get(e.name)]
    inside = [sum(a <= real[e.name] <= b for e in known for a, b in [e.within(z)]) for z in (Z80, Z95)]
    return inside[0], inside[1], len(known)


def searched(subject: Subject, vehicle: VehicleFile) -> list[str]:
    """A row: what a small search for the fitted car found, and what the car then did."""
    assert subject.drive is not None
    limits = with_defaults(read_limits(LIMITS))
    options = SearchOptions(limits, cars=24, check=80, population=16, generations=10)
    found = search(vehicle, load(ROOT / "traces" / "demo.toml"), options)
    j = found.told.judged
    true = subject.drive(found.told.calibration)
    kept = "yes" if (true[0] or 0) <= 350 and (true[1] or 0) <= 1.5 else "NO"
    return [
        subject.name, "yes" if found.kept else "no", f"{j.time_s:.3f}", f"{1000 * j.lift_m:.0f}",
        f"{j.landing_mps:.2f}", f"{j.reversals:.0f}",
        *(_text(true[i], DIGITS[i]) for i in (4, 0, 1)), kept,
    ]  # fmt: skip


def _text(value: float | None, digits: int) -> str:
    return "none" if value is None else "-" if np.isnan(value) else f"{value:.{digits}f}"


def _missed(subject: Subject, one: Told, i: int) -> list[float]:
    """By how much each known figure is missed: without end where only one of the two has it."""
    found = []
    for case, figures in zip(subject.cases, one.figures, strict=True):
        a, b = case.true[i], figures[i]
        if a is None or b is None:
            found += [math.inf] if a is not b else []
        elif not math.isnan(a):
            found.append(abs(a - b))
    return found


def _held(subject: Subject, one: Told, i: int) -> list[bool]:
    found = []
    for case, ranges in zip(subject.cases, one.ranges, strict=True):
        true, ends = case.true[i], ranges[i]
        if true is not None and ends is not None and not math.isnan(true):
            low, high = ends
            # a range that is one value (a bar that nothing touches) is rounded as it is shown
            found.append(round(low, DIGITS[i]) <= round(true, DIGITS[i]) <= round(high, DIGITS[i]))
    return found


@dataclass
class Rows:
    """Rows of the tables, and of the fit to two runs by figure what was missed and what the ranges held."""

    detail: list[list[str]] = field(default_factory=list)
    summary: list[list[str]] = field(default_factory=list)
    searches: list[list[str]] = field(default_factory=list)
    missed: dict[int, list[float]] = field(default_factory=dict)
    held: dict[int, list[bool]] = field(default_factory=dict)
    within: tuple[int, int, int] = (0, 0, 0)  # of the fit to two runs: see Told


def rows_of(name: str) -> Rows:
    """All of one car; minutes."""
    rows = Rows()
    with tempfile.TemporaryDirectory() as folder:
        subject = subject_of(name, Path(folder))
        if subject is None:
            return rows
        found = [told(subject, count) for count in (0, 1, 2)]
    sides = [one for one, _ in found]
    for n, case in enumerate(subject.cases):
        cells = [
            " / ".join(_text(v, d) for v in (case.true[i], *(side.figures[n][i] for side in sides)))
            for i, d in enumerate(DIGITS)
        ]
        rows.detail.append([subject.name, case.name, *cells])
    for count, side in enumerate(sides):
        missed = [_missed(subject, side, i) for i in range(len(FIGURES))]
        held = {i: _held(subject, side, i) for i in HELD} if count else {}
        medians = [float(np.median(m)) if m else math.nan for m in missed]
        a, b, of = side.within
        rows.summary.append([
            subject.name, ("given", "one run", "two runs")[count],
            *(_text(m, d) for m, d in zip(medians, DIGITS, strict=True)),
            *(f"{sum(held[i])} of {len(held[i])}" if count else "-" for i in HELD),
            f"{a} and {b} of {of}" if of else "-",
            "" if not count else "yes" if side.holds else "NO",
        ])  # fmt: skip
        if count == 2:
            rows.missed, rows.held, rows.within = dict(enumerate(missed)), held, side.within
    if subject.drive is not None:
        rows.searches.append(searched(subject, found[2][1]))
    sys.stderr.write(f"{name} done\n")
    return rows


def make(names: list[str]) -> str:
    """The tables, as Markdown."""
    with ProcessPoolExecutor() as pool:
        found = list(pool.map(rows_of, names or NAMES))
    return _page(
        [row for one in found for row in one.detail],
        [row for one in found for row in one.summary],
        [row for one in found for row in one.searches],
        {i: [v for one in found for v in one.missed.get(i, [])] for i in range(len(FIGURES))},
        {i: [v for one in found for v in one.held.get(i, [])] for i in HELD},
        tuple(sum(one.within[k] for one in found) for k in range(3)),
    )


def _page(
    detail: list[list[str]], summary: list[list[str]], searches: list[list[str]],
    all_missed: dict[int, list[float]], held_all: dict[int, list[bool]], within: tuple[int, ...],
) -> str:  # fmt: skip
    lines = [
        "Median miss over six calibrations (five of the shared recordings); how many 80 % ranges of peak,"
        " landing and 660 ft hold the truth; how many true values the 80 and 95 % intervals of the fit hold;"
        " whether the fit says that it describes its runs.",
        "",
        *_rows(
            ["car", "fit", *FIGURES, "peak held", "landing held", "660 held", "values held", "describes"],
            summary,
        ),
        "",
    ]
    for name, most in WITHIN.items():
        i = FIGURES.index(name)
        median = float(np.median(all_missed[i]))
        word = "reached" if median <= most else "NOT reached"
        lines.append(
            f"- {name}, fitted to two runs: missed by {_text(median, max(2, DIGITS[i]))} in the median,"
            f" {most:g} at most was aimed at: {word}."
        )
    held = [one for values in held_all.values() for one in values]
    share = 100 * float(np.mean(held))
    word = "reached" if share >= 70 else "NOT reached"
    lines += [
        f"- 80 % ranges of a prediction, fitted to two runs, hold {share:.0f} % of the truths; at least 70"
        f" was aimed at: {word}.",
        _values_held(*within),
        "",
        f"A search for the car fitted to two runs (limits {', '.join(LIMITS)}; 24 cars, 16 settings, 10"
        " generations), as 95 % of the model's cars do it, and what the car itself then did:",
        "",
        *_rows(
            ["car", "limits kept in the model", "time s", "lift mm", "landing m/s", "reversals", "true 660 s",
             "true lift mm", "true landing m/s", "limits kept"],
            searches,
        ),
        "",
        "Each figure: true / as given / fitted to one run / fitted to two.",
        "",
        *_rows(["car", "calibration", *FIGURES], detail),
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _values_held(inside: int, inside_95: int, of: int) -> str:
    share, share_95 = (100 * n / max(of, 1) for n in (inside, inside_95))
    word = "reached" if 70 <= share <= 90 else "NOT reached"
    return (
        f"- 80 % intervals of the values, fitted to two runs, hold {share:.0f} % of {of} true ones (those of"
        f" 95 %: {share_95:.0f} %); 70 to 90 was aimed at: {word}."
    )


def _rows(head: list[str], rows: list[list[str]]) -> list[str]:
    return [f"| {' | '.join(row)} |" for row in (head, ["---"] * len(head), *rows)]


PAGE = ROOT / "bench" / "vehicle" / "README.md"
BEGIN, END = "<!-- written by python -m tests.outside_car --table -->\n", "<!-- end -->\n"


def write(names: list[str]) -> str:
    """The tables, put into the page where all cars were driven."""
    text = make(names)
    if not names:
        before, rest = PAGE.read_text().split(BEGIN)
        PAGE.write_text(before + BEGIN + "\n" + text + "\n" + END + rest.split(END)[1])
    return text
