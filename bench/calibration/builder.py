"""What all sections of a calibration file share: units of the controller, rates, checks of lists."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.calibration import ceilings as ceil
from bench.calibration.quantity import Quantity
from bench.calibration.reader import File, Section
from controller.constants import (
    LIFT_LIMIT,
)

if TYPE_CHECKING:
    pass

LIFT = 16  # controller's units in a millimetre
SPEED = 10  # in a km/h
SHARE = 10  # in a percent
ANGLE = 10  # in a degree
Q12 = 4096
Q16 = 65536


@dataclass
class Built:
    """What was learned of a file beside its compiled values."""

    tick_ms: Fraction = Fraction(1)
    volts_to_counts: Fraction | None = None
    droop_mm: float | None = None
    map_off: ceil.Fit | None = None
    ceilings_mm: ceil.Ceilings | None = None
    lift_sign: str = "mm"
    lift_size: float = 1.0
    progress_sign: str = "km/h"
    progress_size: float = 1.0


class Builder:
    """One file under construction: `built` is what is learned of it beside its values.

    The tick is known before anything that is a time, the sensor's period before any number of samples.
    """

    def __init__(self, file: File) -> None:
        self.file = file
        self.built = Built()
        self.sample_ms = Fraction(1)

    def ticks(self, name: str, q: Quantity) -> list[int]:
        return self.file.put(name, q, 1 / self.built.tick_ms)

    def samples(self, name: str, q: Quantity) -> list[int]:
        return self.file.put(name, q, 1 / self.sample_ms)

    def rate(self, name: str, q: Quantity, units: int) -> list[int]:
        """A rate a second, in `units` a canonical unit, as Q16 a tick."""
        return self.file.put(name, q, units * Q16 * self.built.tick_ms / 1000)

    def release(self, s: Section, names: tuple[str, ...], units: tuple[str, ...], *, required: bool) -> None:
        """release = "step", or a rate for each unit; where nothing is required, one step."""
        keys = " and ".join(
            "release_percent_per_s" if unit == "%/s" else "release_deg_per_s" for unit in units
        )
        given = [s.gives("release", unit) for unit in units]
        rates = any(given)
        if rates:
            for name, unit in zip(names, units, strict=True):
                self.rate_above_zero(name, s.number("release", unit), SHARE if unit == "%/s" else ANGLE)
        else:
            for name in names:
                self.file.values[name] = 0
        if "release" in s.content or not rates:
            s.choice("release", ("step",), None if required else "step", f" or {keys}")
        if "release" in s.content and rates:
            self.file.wrong(s.path("release"), f"clash with {keys}", "one of the two")

    def triggers(
        self, s: Section, prefix: str, unit: str, scale: int, defaults: tuple[int, Fraction | int]
    ) -> None:
        trigger = s.number("trigger", unit, default=defaults[0])
        (at,) = self.file.put(f"{prefix}trigger", trigger, scale)
        hysteresis = s.number("trigger_hysteresis", unit, default=min(Fraction(defaults[1]), trigger.value))
        (by,) = self.file.put(f"{prefix}trigger_hysteresis", hysteresis, scale)
        if trigger.good and hysteresis.good and by > at:
            what = f"{hysteresis.written(hysteresis.value)} is more than the trigger"
            self.file.wrong(hysteresis.path, what, f"at most {trigger.written(trigger.value)}")

    def rate_above_zero(self, name: str, q: Quantity, units: int) -> None:
        """A rate as Q16 a tick; one that would compile to 0 would never end."""
        (compiled,) = self.rate(name, q, units)
        if q.good and (compiled == 0 or q.value <= 0):
            slowest = Fraction(1000, units * Q16) / self.built.tick_ms
            self.file.wrong(
                q.path, f"{q.written(q.value)} would never end", f"at least {q.written(slowest)}", q
            )

    def rises(self, q: Quantity, compiled: list[int], scale: int) -> None:
        """Report where a list does not rise in the controller's units."""
        if not q.good:
            return
        for i in range(1, len(compiled)):
            if compiled[i] <= compiled[i - 1]:
                now, before = q.written(q.values[i]), q.written(q.values[i - 1])
                what = f"{now} does not rise from {before} before it"
                right = f"values that rise, at least {q.written(Fraction(1, scale))} apart"
                self.file.wrong((*q.path, i), what, right, q)
                return

    def one_way(self, q: Quantity, compiled: list[int]) -> None:
        """Report where heights neither rise nor fall all along."""
        if not q.good:
            return
        steps = [b - a for a, b in itertools.pairwise(compiled)]
        for i, step in enumerate(steps):
            if step == 0 or (step > 0) != (steps[0] > 0):
                what = f"{q.written(q.values[i + 1])} after {q.written(q.values[i])} turns back"
                self.file.wrong((*q.path, i + 1), what, "heights that only rise or only fall", q)
                return
        if abs(compiled[-1] - compiled[0]) > LIFT_LIMIT:
            what = "spans more than the controller can tell"
            self.file.wrong(q.path, what, f"at most {q.written(Fraction(LIFT_LIMIT, LIFT))}", q)

    def over_time(self, name: str, elapsed: Quantity) -> int:
        """Compile times since launch; how many."""
        compiled = self.file.put(name, elapsed)
        self.rises(elapsed, compiled, 1)
        return len(compiled)

    def same_length(self, q: Quantity, other: Quantity) -> None:
        if q.good and other.good and len(q.values) != len(other.values):
            what = f"has {len(q.values)} value{'' if len(q.values) == 1 else 's'}"
            self.file.wrong(q.path, what, f"{len(other.values)}, one for each of {other.path[-1]}", q)
