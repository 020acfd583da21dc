"""A controller that runs by itself: its own clock, its own converter, and what it makes of the wires."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bench.blackbox.played import (
    DAC_MOST,
    PULSES_A_METRE,
    PULSES_A_TURN,
    REQUEST,
    Floats,
    Ints,
    Played,
    Wires,
)
from bench.blackbox.ticks import commands
from bench.errors import UserError
from bench.link.protocol import INPUT, Records
from bench.link.stepper import Core, step_row
from controller import Calibration
from controller.constants import FUEL_OFF, SPARK_OFF
from controller.events import Events

LEAD_DEG = 20.0
"""Degrees of crank from a crank event to the spark of its cylinder with no retard."""
_STANDS_US = 500_000
"""No pulse for so long is a standstill."""


@dataclass(frozen=True)
class Limits:
    """What a controller may be within, as declared; the ensemble is drawn from it.

    `noise`: counts either way, each sample; `gain_percent` and `offset` (counts) of its converter and
    `drift_ppm` of its clock, either way; `jitter_us`: how much later than due a tick may begin; `delay_us`:
    how long a crank event may take until its injector's edge.
    """

    noise: int = 2
    gain_percent: float = 0.1
    offset: float = 1.0
    drift_ppm: float = 100.0
    jitter_us: float = 20.0
    delay_us: float = 50.0


def parse_limits(text: str | None) -> Limits:
    """The limits of --within NAME=NUMBER,...; those not named stay as they are. Raises UserError."""
    limits = Limits()
    names = {"noise": "noise", "gain": "gain_percent", "offset": "offset", "drift": "drift_ppm",
             "jitter": "jitter_us", "delay": "delay_us"}  # fmt: skip
    most = {"noise": 1000, "gain": 50, "offset": 10_000, "drift": 100_000, "jitter": 10_000, "delay": 1000}
    for part in text.split(",") if text else ():
        name, _, number = part.strip().partition("=")
        try:
            value = float(number)
        except ValueError:
            value = -1.0
        if name not in names or not 0 <= value <= most[name] or (name == "noise" and value != int(value)):
            right = "give some of noise=COUNTS,gain=PERCENT,offset=COUNTS,drift=PPM,jitter=US,delay=US"
            raise UserError(f"no limit {part.strip()!r}", "--within", right)
        given: Any = int(value) if name == "noise" else value
        limits = replace(limits, **{names[name]: given})
    return limits


@dataclass(frozen=True)
class Unit:
    """One controller within limits. `phase`: 0..1 of the time from one sensor sample to the next; `gain` and
    `offset` of its converter; `drift` of its clock, as a share; `seed` of noise and jitter; `carried`: 0..1,
    how far its sum of reductions had come when the run began."""

    phase: float = 0.0
    gain: float = 1.0
    offset: float = 0.0
    drift: float = 0.0
    noise: int = 0
    jitter_us: float = 0.0
    delay_us: float = 0.0
    carried: float = 0.0
    seed: int = 0

    @classmethod
    def drawn(cls, limits: Limits, seed: int) -> Unit:
        """A unit within limits: a third or more of all values lie at their limit."""
        source = np.random.default_rng(seed)

        def either(most: float) -> float:
            value = float(source.uniform(-1.5, 1.5))
            return most * max(-1.0, min(1.0, value))

        return cls(
            phase=float(source.uniform(0, 1)),
            gain=1 + either(limits.gain_percent / 100),
            offset=either(limits.offset),
            drift=either(limits.drift_ppm * 1e-6),
            noise=min(limits.noise, int(source.uniform(0, 2 * limits.noise + 1))),
            jitter_us=min(limits.jitter_us, limits.jitter_us * float(source.uniform(0, 2))),
            delay_us=limits.delay_us * float(source.uniform(0, 1)),
            carried=float(source.uniform(0, 1)),
            seed=seed,
        )


@dataclass(frozen=True)
class Seen:
    """What a unit reads: the times of its ticks on the box's clock, their INPUT records (with the crank
    events that fall due after each); at each crank event the degrees of crank a microsecond as it believes
    them, and how many microseconds until the next one of that cylinder."""

    tick_at: Floats
    inputs: Records
    turning: Floats
    until: Ints


def seen(wires: Wires, c: Calibration, unit: Unit) -> Seen:
    """What a unit with a calibration reads from wires."""
    source = np.random.default_rng([unit.seed, 1])
    late = unit.phase * c.sample_ticks * c.tick_us
    length = c.tick_us * (1 + unit.drift)
    n = max(1, int((wires.end - late - unit.jitter_us) / length))
    at = late + np.arange(n) * length + source.uniform(0, 1, n) * unit.jitter_us
    row = np.maximum(np.searchsorted(wires.at, at, side="right") - 1, 0)
    inputs: Records = np.zeros(n, INPUT)
    inputs["switches"] = wires.switches[row]
    for name in REQUEST:
        inputs[name] = wires.request[name][row]
    volts = wires.dac[row] / DAC_MOST * c.adc_max
    noise = source.integers(-unit.noise, unit.noise + 1, n)
    counts = np.floor(volts * unit.gain + unit.offset + noise + 0.5)
    inputs["counts"] = np.clip(counts, 0, c.adc_max)
    crank_units = 120e6 / c.cylinders
    inputs["speed"] = np.minimum(_rate(wires.speed_pulses, at, 36e6 / PULSES_A_METRE, unit.drift), 20000)
    inputs["shaft"] = np.minimum(_rate(wires.shaft_pulses, at, 60e6 / PULSES_A_TURN, unit.drift), 32767)
    inputs["engine"] = np.minimum(_rate(wires.crank, at, crank_units, unit.drift), 32767)
    due = np.searchsorted(at, wires.crank, side="right") - 1
    inputs["events"] = np.minimum(np.bincount(np.maximum(due, 0), minlength=n)[:n], 255)
    gaps = np.diff(wires.crank, prepend=0).astype(np.float64)
    gaps[:1] = gaps[1:2] if len(gaps) > 1 else _STANDS_US
    until = np.full(len(wires.crank), _STANDS_US)
    until[: -c.cylinders] = wires.crank[c.cylinders :] - wires.crank[: -c.cylinders]
    turning = 720.0 / c.cylinders / np.maximum(np.floor(gaps * (1 - unit.drift)), 1)
    return Seen(at, inputs, turning, until)


def _rate(pulses: Ints, at: Floats, units: float, drift: float) -> Ints:
    """What a timer of one microsecond makes of pulses at some moments: the rate between the last two, or less
    where the next is overdue, or 0."""
    if len(pulses) < 2:
        return np.zeros(len(at), dtype=np.int64)
    last = np.searchsorted(pulses, at, side="right") - 1
    known = last >= 1
    index = np.maximum(last, 1)
    gap = np.floor((pulses[index] - pulses[index - 1]) * (1 - drift))
    since = at - pulses[index]
    rate = np.floor(units / np.maximum(np.maximum(gap, since), 1) + 0.5)
    return np.where(known & (since < _STANDS_US), rate, 0).astype(np.int64)


@dataclass(frozen=True)
class Edges:
    """What a unit does at each crank event: whether its injector opens, how long after the event in
    microseconds, whether its coil fires, and how long after the event. `stray`: where there were more edges
    than one event can have; None for nowhere."""

    fuel: Any
    fuel_us: Floats
    spark: Any
    spark_us: Floats
    stray: Any = None


def reference(played: Played, unit: Unit) -> Edges:
    """What the right firmware does in a unit."""
    read = seen(played.wires, played.calibration, unit)
    reduction, retard, _ = commands(played.image, read.inputs)
    tick = np.repeat(np.arange(len(read.inputs)), read.inputs["events"])
    return edges(unit, read, decisions(played, unit, reduction[tick]), retard[tick])


def decisions(played: Played, unit: Unit, reductions: Ints) -> Ints:
    """The bits of each crank event at these reductions, by the rules C1 to C3."""
    events = Events()
    events.calibrate(played.calibration)
    carry(events, played, unit.carried)
    cylinders = played.cylinder[: len(reductions)].tolist()
    pairs = zip(cylinders, reductions.tolist(), strict=True)
    return np.array([events.event(cylinder, reduction) for cylinder, reduction in pairs], dtype=np.int64)


def carry(events: Any, played: Played, share: float) -> None:
    """Put a controller's sum of reductions where earlier runs may have left it."""
    cylinders = played.calibration.cylinders
    cycle = 1000 * cylinders
    events.integral = min(cycle * 16 - 1, int(share * cycle * 16))
    for place in range(cylinders):
        events.mark[place] = (events.integral + 1000 * place) // cycle % 16


def edges(unit: Unit, read: Seen, bits: Ints, retard: Ints) -> Edges:
    """The edges of decisions and retards, one of each crank event. A spark that is still due when its
    cylinder's next event comes, since the crank turns faster than it did, fires there."""
    n = len(bits)
    source = np.random.default_rng([unit.seed, 2])
    fuel_us = np.floor(unit.delay_us + source.uniform(0, 10, n)) + 1
    turned_us = (LEAD_DEG + retard / 10) / read.turning[:n] * (1 + unit.drift)
    spark_us = np.floor(turned_us + source.uniform(0, 4, n))
    fuel_us, spark_us = np.minimum(fuel_us, read.until - 1), np.minimum(spark_us, read.until - 1)
    return Edges((bits & FUEL_OFF) == 0, fuel_us, (bits & SPARK_OFF) == 0, spark_us)


def run_core(c: Calibration, unit: Unit, read: Seen, core: Core, first: int = 0) -> Edges:
    """What a controller, right or wrong, does with what a unit reads: each tick stepped, each event asked
    for. `first`: number of the first tick."""
    place = 0
    bits, retards = [], []
    for tick, row in enumerate(read.inputs.tolist(), first):
        step_row(core, tick, row)
        for _ in range(row[-1]):
            cylinder = c.firing_order[place]
            place = place + 1 if place + 1 < c.cylinders else 0
            off = core.event(cylinder)
            bits.append((off & FUEL_OFF) | core.spark(cylinder))
            retards.append(core.acting()[1])
    return edges(unit, read, np.array(bits, dtype=np.int64), np.array(retards, dtype=np.int64))
