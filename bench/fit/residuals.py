"""From a car's parameters to the differences between measured and modelled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from math import exp, log, pi
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.fit.measured import STEP_S, MeasuredRun
from bench.vehicle.car import BY_NAME, Car
from bench.vehicle.compiled import follow

Floats = npt.NDArray[np.float64]

# Right to so many percent as given, one standard deviation; what was measured at the car to the second.
GIVEN, MEASURED = 0.10, 0.01
# What a fit may change. Not in it: lengths a tape gives, ratios stamped on the parts, and what no trace of
# height, speed and engine speed can tell apart from these (NEVER).
CANDIDATES = (
    *("cg_ahead", "cg_height", "pitch_inertia", "front_unsprung", "rear_unsprung"),
    *("grip", "peak_slip", "sliding", "relaxation", "wheel_inertia", "front_tyre_rate"),
    *("front_spring", "rebound", "bump", "droop", "bump_travel"),
    *("bar_clear", "bar_rate", "bar_damping", "rear_spring", "rear_damping", "anti_squat"),
    *("torque_scale", "friction", "engine_inertia", "launch_speed", "launch_share", "full_after"),
    *("boost", "boost_lag", "converter", "converter_ratio", "coupling", "turbine_inertia"),
    *("clutch_torque", "clutch_full", "clutch_after", "clutch_rise", "clutch_centrifugal", "clutch_inertia"),
    "shift_time",
    *("drag_area", "rolling", "lag", "sensor_height"),
)
NEVER = {
    "mass": "scaling all masses, inertias, springs and torques alike leaves a trace as it is",
    "delay": "it goes together with the moment of the launch in the recording",
    "efficiency": "it goes together with the engine's torque",
}
_DERIVATIVE = 1e-4  # of the logarithm
_LAUNCH_SD = 0.005  # s
# A logger's channels come one later than the other, and a satellite receiver's speed later still.
_LATE_SD = {"speed": 0.030, "engine": 0.005, "shaft": 0.005}  # s, against the height
_SHIFT_DERIVATIVE = 0.002
NODE_S = 0.3
_TORQUE_SD = 0.1  # a share of what was commanded
_EACH = 4
_FARTHEST = 0.6  # of the logarithm: a value stays between 0.55 and 1.8 times the given one


@dataclass(frozen=True)
class Unknown:
    """One unknown: a candidate's logarithm, or by `run` a recording's launch, a gear change (`shift`) or how
    much later than the height a `channel` comes, in s, or how much more than its command the engine gave at a
    `node`, or a candidate's logarithm in that run less its own (`differs`). `sd` is its prior's standard
    deviation in that."""

    name: str
    sd: float
    run: int = -1
    shift: int = -1
    channel: str = ""
    node: int = -1
    differs: bool = False

    def is_launch(self, run: int) -> bool:
        """Whether it is the launch of a run."""
        other = self.shift >= 0 or self.node >= 0 or self.channel or self.differs
        return self.run == run and not other


def value_of(car: Car, name: str) -> float:
    """A candidate of a car in SI units."""
    value: float = getattr(car, name)
    return value


def has(car: Car, name: str) -> bool:
    """Whether a car has what a candidate belongs to."""
    return value_of(car, name) > 0 and (car.boost > 0 or name != "boost_lag")


def unknowns(
    car: Car,
    runs: Sequence[MeasuredRun],
    measured: frozenset[str],
    differs: Mapping[str, float] = MappingProxyType({}),
) -> list[Unknown]:
    """All that a fit of these runs may change; one run alone does not differ from others."""
    names = [name for name in CANDIDATES if has(car, name)]
    found = [Unknown(name, MEASURED if name in measured else GIVEN) for name in names]
    for i, run in enumerate(runs):
        found.append(Unknown("launch", _LAUNCH_SD, i))
        found += [Unknown("shift", run.shift_sd, i, k) for k in range(len(run.shifts))]
        late = [name for name in _LATE_SD if name in run.values]
        found += [Unknown("late", _LATE_SD[name], i, channel=name) for name in late]
        if len(runs) > 1:
            found += [Unknown(name, sd, i, differs=True) for name, sd in differs.items()]
    return found


def torque_shares(run: MeasuredRun, number: int) -> list[Unknown]:
    """What a driver's foot or a boost does to the torque of a run, as a broken line over the time."""
    return [Unknown("torque", _TORQUE_SD, number, node=k) for k in range(int(run.duration / NODE_S) + 2)]


class Residuals:
    """Weighted differences of all runs up to a time, for x in standard deviations of the unknowns' priors."""

    def __init__(
        self, car: Car, runs: Sequence[MeasuredRun], free: Sequence[Unknown], pool: Executor, until: float
    ) -> None:
        self.car, self.runs, self.free, self.pool, self.until = car, runs, list(free), pool, until
        self.noise = [dict(run.noise) for run in runs]
        low, high = zip(*(self._bounds(u) for u in free), strict=True)
        self.low, self.high = np.array(low), np.array(high)

    def _bounds(self, u: Unknown) -> tuple[float, float]:
        if u.run >= 0:
            return -4.0, 4.0
        value, least, greatest = value_of(self.car, u.name), 0.0, np.inf
        if u.name in BY_NAME:
            p = BY_NAME[u.name]
            least, greatest = p.least * p.si, p.greatest * p.si
        if u.name == "coupling":
            greatest = 0.99
        low = -_FARTHEST if least <= 0 else max(-_FARTHEST, log(least / value))
        return min(0.0, low / u.sd), max(0.0, min(_FARTHEST, log(greatest / value)) / u.sd)

    def car_at(self, x: Floats) -> Car:
        """The car of an x."""
        changes: dict[str, Any] = {
            u.name: value_of(self.car, u.name) * exp(u.sd * float(v))
            for u, v in zip(self.free, x, strict=True)
            if u.run < 0
        }
        return replace(self.car, **changes)

    def seen(self, x: Floats, i: int) -> tuple[dict[str, Floats], Floats]:
        """What the car of an x would have shown at the samples of run i up to the time, by channel in its
        unit, and its lift in mm."""
        run = self.runs[i]
        car = self.car_at(x)
        launch, shifts, late = 0.0, list(run.shifts), dict.fromkeys(_LATE_SD, 0.0)
        nodes: dict[int, float] = {}
        own: dict[str, Any] = {}
        for u, v in zip(self.free, x, strict=True):
            if u.is_launch(i):
                launch = u.sd * float(v)
            elif u.run == i and u.node >= 0:
                nodes[u.node] = 1 + u.sd * float(v)
            elif u.run == i and u.channel:
                late[u.channel] = u.sd * float(v)
            elif u.run == i and u.differs:
                own[u.name] = value_of(car, u.name) * exp(u.sd * float(v))
            elif u.run == i:
                shifts[u.shift] += u.sd * float(v)
        share = run.share
        if nodes:
            at = np.arange(len(share)) * STEP_S
            share = share * np.interp(at, NODE_S * np.array(sorted(nodes)), [nodes[k] for k in sorted(nodes)])
        never = [1e9] * (len(car.gear) - 1 - len(shifts))
        car = replace(car, **own, shift_by_time=True, shift_at=(*shifts, *never))
        time = run.time[run.time <= self.until + 1e-9] - launch
        n = min(len(run.share), int((time[-1] + car.sensor_delay) / STEP_S) + 2 * _EACH)
        rows = follow(car, STEP_S, share[:n], _EACH)
        at = np.arange(len(rows)) * (_EACH * STEP_S)
        height = np.interp(time - car.sensor_delay, at, rows[:, 0]) * 1000
        found = {
            "height": height,
            "speed": np.interp(time - late["speed"], at, rows[:, 1]),
            "engine": np.interp(time - late["engine"], at, rows[:, 2]) * (30 / pi),
            "shaft": np.interp(time - late["shaft"], at, rows[:, 4]) * (30 / pi),
        }
        return {name: found[name] for name in run.values}, np.interp(time, at, rows[:, 3]) * 1000

    def differences(self, x: Floats, i: int) -> dict[str, Floats]:
        """Modelled less measured of run i by channel, NaN where nothing was measured; beyond the sensor's end
        only what the model stays below it."""
        run = self.runs[i]
        seen, _ = self.seen(x, i)
        n = len(seen["height"])
        found = {name: seen[name] - run.values[name][:n] for name in run.values}
        end = run.at_end[:n]
        found["height"][end] = np.minimum(0.0, seen["height"][end] - run.end_mm)
        return found

    def _run(self, x: Floats, i: int) -> Floats:
        parts = []
        for name, values in self.differences(x, i).items():
            known = np.isfinite(self.runs[i].values[name][: len(values)])
            if name == "height":
                known |= self.runs[i].at_end[: len(values)]
            parts.append(values[known] / self.noise[i][name])
        return np.concatenate(parts)

    def __call__(self, x: Floats) -> Floats:
        """float64[n]."""
        return np.concatenate(list(self.pool.map(lambda i: self._run(x, i), range(len(self.runs)))))

    def jacobian(self, x: Floats, residual: Floats) -> Floats:
        """float64[n, k], by forward differences."""

        def column(k: int) -> Floats:
            u = self.free[k]
            h = _DERIVATIVE / u.sd if u.run < 0 else _SHIFT_DERIVATIVE / u.sd
            # away from the bound
            h = -h if x[k] + h > self.high[k] else h
            moved = x.copy()
            moved[k] += h
            if u.run < 0:
                rows = [self._run(moved, i) for i in range(len(self.runs))]
                return (np.concatenate(rows) - residual) / h
            found = np.zeros_like(residual)
            sizes = np.cumsum([0, *self._sizes()])
            part = slice(sizes[u.run], sizes[u.run + 1])
            found[part] = (self._run(moved, u.run) - residual[part]) / h
            return found

        return np.column_stack(list(self.pool.map(column, range(len(self.free)))))

    def _sizes(self) -> list[int]:
        sizes = []
        for run in self.runs:
            n = np.count_nonzero(run.time <= self.until + 1e-9)
            total = sum(int(np.count_nonzero(np.isfinite(run.values[name][:n]))) for name in run.values)
            sizes.append(total + int(np.count_nonzero(run.at_end[:n])))
        return sizes
