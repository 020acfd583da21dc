"""The fit: windows that grow, then what the runs tell about each parameter and what they do not."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from bench.fit.measured import MeasuredRun
from bench.fit.residuals import GIVEN, Residuals, Unknown, torque_shares, unknowns, value_of
from bench.fit.solve import Solution, solve
from bench.fit.spread import (
    WIDER,
    LeftOut,
    bent,
    directions,
    far,
    leave_out,
    misses,
    noise_left,
    spread,
    waves,
    wider_by,
    with_model_error,
)
from bench.vehicle.car import Car

Floats = npt.NDArray[np.float64]

WINDOWS = (0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.2, 1.6, 2.0, 2.8, 4.0)
# A car whose tyres spin at the launch and one whose tyres grip are two valleys, and no small steps lead from
# one to the other: the first windows are fitted from each of these grips, in standard deviations.
STARTS = (0.0, -1.0, 1.0, -2.0, 2.0)
_CHOSEN_AFTER = 2  # windows
# How much narrower the runs make what was known before: below the first it counts as known, from the second
# on the given value is left.
KNOWN, NOTHING = 0.5, 0.8
Z80, Z95 = 1.2816, 1.9600
_TOGETHER = 0.9


@dataclass(frozen=True)
class Estimate:
    """What the runs tell about one parameter, in SI units. `verdict`: known, weak, left or measured; `sd` is
    its relative standard deviation after the fit, `before` the one before."""

    name: str
    verdict: str
    given: float
    value: float
    sd: float
    before: float

    def within(self, z: float) -> tuple[float, float]:
        """The interval of that many standard deviations."""
        return self.value * float(np.exp(-z * self.sd)), self.value * float(np.exp(z * self.sd))


@dataclass(frozen=True)
class Fitted:
    """A fitted car. By run: `differences` modelled less measured by channel, `before` the same of the given
    car, `seen` what the model shows, `launch`, `late` (by channel, against the height) and `shifts` in s,
    `torque` each NODE_S what the engine gave as a share of its command (empty where it was not sought).
    `together` are pairs of parameters that the runs hardly tell apart, with their correlation; `left_out` is
    each run predicted from the others, `directions` as bench.fit.spread gives them, `ratio_sd` the relative
    standard deviation of the height of the centre of gravity over its distance to the rear axle, `misses` as
    bench.fit.spread.misses says."""

    car: Car
    estimates: list[Estimate]
    together: list[tuple[str, str, float]]
    seen: list[dict[str, Floats]]
    lift_mm: list[Floats]
    differences: list[dict[str, Floats]]
    before: list[dict[str, Floats]]
    launch: list[float]
    late: list[dict[str, float]]
    shifts: list[tuple[float, ...]]
    torque: list[Floats]
    windows: list[float]
    steps: int
    left_out: list[LeftOut]
    directions: tuple[list[str], Floats]
    ratio_sd: float
    misses: float


def fit(
    car: Car,
    runs: Sequence[MeasuredRun],
    measured: frozenset[str],
    progress: Callable[[float, int, float], None] = lambda window, step, cost: None,
    differs: Mapping[str, float] = MappingProxyType({}),
    quick: bool = False,
) -> Fitted:
    """Fit a car to runs. `measured` names parameters that were weighed or measured at the car; `progress` is
    called with window (s), step and cost. `differs` are parameters that are not the same in every run, with
    the relative standard deviation of one run's; the fitted car has what they have in common. `quick`: no
    run is predicted from the others."""
    free = unknowns(car, runs, measured, differs)
    longest = max(run.duration for run in runs)
    windows = [w for w in WINDOWS if w < 0.95 * longest] + [min(longest, WINDOWS[-1])]
    starts = [np.array([grip if u.name == "grip" else 0.0 for u in free]) for grip in STARTS]
    steps = 0
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:

        def narrow(of: Residuals, start: Floats, settled: float) -> Solution:
            nonlocal steps
            found = solve(
                of, of.jacobian, start, of.low, of.high, settled,
                lambda step, cost: progress(of.until, step, cost),
            )  # fmt: skip
            steps += found.steps
            return found

        for i, window in enumerate(windows, 1):
            of = Residuals(car, runs, free, pool, window)
            of.noise = [with_model_error(run.noise) for run in runs]
            ends = [narrow(of, np.clip(start, of.low, of.high), 1e-3) for start in starts]
            if i >= _CHOSEN_AFTER:
                ends = [min(ends, key=lambda end: end.cost)]
            starts = [end.x for end in ends]
        (x,) = starts
        of.noise = [noise_left(of, x, i) for i in range(len(runs))]
        x = narrow(of, x, 1e-4).x
        more = [u for i, run in enumerate(runs) if waves(of, x, i) == 1 for u in torque_shares(run, i)]
        if not more:  # it obeys the model: what was left on the way here was no noise
            of.noise = [noise_left(of, x, i) for i in range(len(runs))]
            x = narrow(of, x, 1e-4).x
        else:
            free, noise = [*free, *more], of.noise
            of = Residuals(car, runs, free, pool, windows[-1])
            of.noise = noise
            x = narrow(of, np.append(x, np.zeros(len(more))), 1e-4).x
            of.noise = [noise_left(of, x, i) for i in range(len(runs))]
        sd, _ = spread(of, x)
        kept = [u for u, s in zip(free, sd, strict=True) if u.run >= 0 or s < NOTHING]
        # Once more with what they do not tell at the given value.
        last = Residuals(car, runs, kept, pool, windows[-1])
        last.noise = of.noise
        start = np.array([v for u, v in zip(free, x, strict=True) if u in kept])
        found = narrow(last, start, 1e-5).x
        full = np.zeros(len(free))
        full[[free.index(u) for u in kept]] = found
        of.noise = [noise_left(of, full, i) for i in range(len(runs))]
        left_out = [] if quick else leave_out(of, full, narrow)
        sd, correlation = spread(of, full, WIDER * wider_by(left_out))
        zero = np.zeros(len(free))
        seen = [of.seen(full, i) for i in range(len(runs))]
        differences = [of.differences(full, i) for i in range(len(runs))]
        bend = partial(bent, waves_=max(waves(of, full, i) for i in range(len(runs))), far_=far(differences))
        return Fitted(
            car=of.car_at(full),
            estimates=[
                _estimate(car, of.car_at(full), u, min(u.sd, bend(u.sd * float(s))), u in kept)
                for u, s in zip(free, sd, strict=True)
                if u.run < 0
            ],
            together=_together(free, kept, correlation),
            seen=[channels for channels, _ in seen],
            lift_mm=[lift for _, lift in seen],
            differences=differences,
            before=[of.differences(zero, i) for i in range(len(runs))],
            launch=[_of_run(free, full, Unknown("launch", 0.0, i)) for i in range(len(runs))],
            late=[
                {
                    name: _of_run(free, full, Unknown("late", 0.0, i, channel=name))
                    for name in run.values
                    if name != "height"
                }
                for i, run in enumerate(runs)
            ],
            shifts=[
                tuple(_of_run(free, full, Unknown("shift", 0.0, i, k), t) for k, t in enumerate(run.shifts))
                for i, run in enumerate(runs)
            ],
            torque=[_torque(free, full, i) for i in range(len(runs))],
            windows=windows,
            steps=steps,
            left_out=left_out,
            directions=directions(free, sd, correlation),
            ratio_sd=bend(_ratio_sd(free, sd, correlation)),
            misses=misses(differences),
        )


def _ratio_sd(free: list[Unknown], sd: Floats, correlation: Floats) -> float:
    i, k = ([u.name for u in free].index(name) for name in ("cg_height", "cg_ahead"))
    a, b = float(sd[i]) * free[i].sd, float(sd[k]) * free[k].sd
    return float(np.sqrt(max(0.0, a * a + b * b - 2 * a * b * float(correlation[i, k]))))


def _of_run(free: list[Unknown], x: Floats, of: Unknown, taken: float = 0.0) -> float:
    """A time of a run, as found."""
    for u, v in zip(free, x, strict=True):
        if (u.run, u.shift, u.channel, u.node, u.differs) == (
            of.run, of.shift, of.channel, of.node, of.differs,
        ):  # fmt: skip
            return taken + u.sd * float(v)
    return taken


def _torque(free: list[Unknown], x: Floats, run: int) -> Floats:
    return np.array(
        [1 + u.sd * float(v) for u, v in zip(free, x, strict=True) if u.run == run and u.node >= 0]
    )


def _estimate(given: Car, fitted: Car, u: Unknown, sd: float, kept: bool) -> Estimate:
    verdict = ("known" if sd < KNOWN * u.sd else "weak") if kept else "left"
    if u.sd < GIVEN and not kept:
        verdict = "measured"
    values = value_of(given, u.name), value_of(fitted, u.name)
    return Estimate(u.name, verdict, *values, sd, u.sd)


def _together(free: list[Unknown], kept: list[Unknown], correlation: Floats) -> list[tuple[str, str, float]]:
    pairs = [
        (a.name, b.name, float(correlation[i, k]))
        for i, a in enumerate(free)
        for k, b in enumerate(free[:i])
        if a in kept and b in kept and a.run < 0 and b.run < 0 and abs(correlation[i, k]) > _TOGETHER
    ]
    return sorted(pairs, key=lambda pair: -abs(pair[2]))


def rms(values: Floats) -> float:
    """Root of the mean square of what is not NaN."""
    known = values[np.isfinite(values)]
    return float(np.sqrt((known**2).mean())) if len(known) else 0.0


def rest_of(fitted: Fitted) -> list[dict[str, tuple[float, float]]]:
    """By run and channel the rms difference before and after."""
    return [
        {name: (rms(before[name]), rms(after[name])) for name in after}
        for before, after in zip(fitted.before, fitted.differences, strict=True)
    ]
