"""One hazard run: a random calibration, flight and failure, and what the controller answered.

The C core answers where it is there, since it equals the reference and is quicker; the controllers with a
rule taken out are of the reference.

Every random choice comes from a generator whose seed is the run's name, so that a run can be repeated
alone on any machine: numpy's RandomState, whose stream is frozen.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass

import numpy as np
from numpy.random import RandomState
from numpy.typing import NDArray

from controller.constants import RELEASE
from controller.step import Controller
from firmware_model.binding import available
from firmware_model.binding import run as run_core

from . import calibrations, failures, flights
from .calibrations import Calibrated
from .failures import FAILURES, Healthy, Readings
from .flights import Flight

PHASES = ("before", "rising", "top", "falling", "after", "landing", "clean")

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Outputs:
    """What the controller gave at each tick."""

    reduction: Ints  # the command
    retard: Ints
    reason: Ints
    faults: Ints
    latch: Ints  # the latches' outputs
    retard_latch: Ints
    state: Ints
    retard_state: Ints
    progress: Ints
    entry: Ints


@dataclass(frozen=True)
class Run:
    """All of one run, for the judge."""

    failure: str
    phase: str
    c: Calibrated
    flight: Flight
    healthy: Healthy
    readings: Readings
    armed: NDArray[np.int64]
    out: Outputs
    twin: Outputs | None  # the same run with a steady arming input, where that is what fails


def seed_of(name: str) -> int:
    return binascii.crc32(name.encode())


USES_CORE = available() is None
CORE_NAMES = (
    *("reduction", "retard", "reason", "faults", "latched", "retard_latched"),
    *("state", "retard_state", "progress", "entry"),
)


def drive(c: Calibrated, counts: Ints, flight: Flight, armed: Ints) -> Outputs:
    """A fresh controller through one run, every output recorded."""
    return (drive_core if USES_CORE else drive_reference)(c, counts, flight, armed)


def drive_core(c: Calibrated, counts: Ints, flight: Flight, armed: Ints) -> Outputs:
    ticks = len(flight.lift_mm)
    nothing = dict.fromkeys(("engine", "shaft", "request_reduction", "request_retard", "request_reason"), 0)
    given = run_core(
        c.image,
        {
            "counts": np.repeat(counts, c.period)[:ticks],
            "speed": flight.speed,
            "speed_valid": 1,
            "armed": armed,
            "launch": (np.arange(ticks) >= flight.launch).astype(np.int64),
            **nothing,
        },
    )
    return Outputs(*(given[name].astype(np.int64) for name in CORE_NAMES))


def drive_reference(c: Calibrated, counts: Ints, flight: Flight, armed: Ints) -> Outputs:
    made = Controller()
    verdict = made.load(c.image)
    assert verdict == 0, f"image refused, reason {verdict}"
    step, command, reduction, retard = made.step, made.command, made.reduction, made.retard
    progress, lift = made.progress, made.lift
    ticks = len(flight.lift_mm)
    given = np.repeat(counts, c.period)[:ticks].tolist()
    rows = []
    inputs = zip(given, flight.speed.tolist(), armed.tolist(), strict=True)
    for number, (reads, speed, arm) in enumerate(inputs):
        launch = 1 if number >= flight.launch else 0
        step(number & 0xFFFF, reads, speed, 1, 0, 0, arm, launch, 0, 0, 0)
        rows.append((
            command.reduction, command.retard, command.reason, made.faults, reduction.output,
            retard.output, reduction.state, retard.state, progress.value, lift.entry,
        ))  # fmt: skip
    return Outputs(*np.array(rows, dtype=np.int64).T)


def make(failure: str, phase: str, look_ahead: bool, number: int) -> Run:
    """The run of this name; equal arguments give equal runs."""
    name = f"{failure}/{phase}/{'ahead' if look_ahead else 'plain'}/{number}"
    rng = RandomState(seed_of(name))
    while True:
        c = calibrations.draw(rng, look_ahead)
        flight = flights.draw(rng, c, _kind(failure, phase))
        healthy = failures.healthy(rng, c, flight.lift_mm, failure in ("none", "arming_open"))
        steady = np.ones(len(flight.lift_mm), dtype=np.int64)
        twin = None
        if phase == "after" or failure == "arming_open":
            twin = drive(c, healthy.counts, flight, steady)
        at = _moment(rng, phase, c, flight, twin)
        if at is not None:
            break
    ticks = len(steady)
    lasts = ticks
    if rng.random_sample() < 0.5:
        lasts = round(10 * 100 ** rng.random_sample() / c.tick_ms)
    armed = steady
    if failure == "arming_open":
        readings = failures.none(rng, c, healthy, at // c.period, at // c.period)
        armed = _chatter(rng, c, max(at, 1), min(at + lasts, ticks), steady)
    else:
        first = min(-(-at // c.period), len(healthy.counts) - 1)
        end = min(first + max(1, lasts // c.period), len(healthy.counts))
        readings = FAILURES[failure](rng, c, healthy, first, end)
    out = drive(c, readings.counts, flight, armed)
    return Run(failure, phase, c, flight, healthy, readings, armed, out, twin)


def _kind(failure: str, phase: str) -> str:
    if phase == "clean":
        return "clean"
    if failure.startswith("beyond"):
        return "beyond"
    return "any" if phase in ("before", "rising") else "high"


def _moment(rng: RandomState, phase: str, c: Calibrated, flight: Flight, dry: Outputs | None) -> int | None:
    """The tick at which the failure begins; None where the run has no such phase."""
    ms = 1 / c.tick_ms
    last = len(flight.lift_mm) - 1
    if phase == "before":
        at = 0.0 if rng.random_sample() < 0.3 else rng.uniform(0, flight.launch)
    elif phase in ("rising", "clean"):
        at = rng.uniform(flight.off, flight.top)
    elif phase == "top":
        at = flight.top + rng.uniform(-60, 60) * ms
    elif phase == "falling":
        at = rng.uniform(flight.fall, flight.land)
    elif phase == "landing":
        at = flight.land + rng.uniform(-50, 150) * ms
    else:
        assert dry is not None
        releasing = np.flatnonzero((dry.state == RELEASE) | (dry.retard_state == RELEASE))
        if len(releasing) == 0:
            return None
        at = releasing[0] + rng.uniform(0, 200) * ms
    return int(np.clip(at, 0, last))


def _chatter(rng: RandomState, c: Calibrated, at: int, end: int, steady: Ints) -> Ints:
    """The arming input opens for one tick, or for several times less than 100 ms."""
    armed = steady.copy()
    single = rng.random_sample() < 0.4
    t = at
    while t < end:
        length = 1 if single else int(rng.randint(1, c.disarm))
        armed[t : t + length] = 0
        t += length + int(rng.randint(1, 3 * c.disarm))
        if single:
            break
    return armed
