"""Whether the controller was ready when the car left, and in service in the run: said before everything else.

Worked out from what it read and what it told in each tick, recorded or predicted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.replay import codes
from bench.replay.codes import OUT_OF_SERVICE, OUT_SHARE
from bench.trace.spans import spans
from bench.trace.text import percent
from controller import constants as c

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

LOUD = ("fault_at_launch", "out_of_service", "height_not_moved", "lift_at_launch")
"""Codes that nobody may overlook."""

_STOOD_S = 0.25  # a shorter stand tells too little of the noise
_AT_ONCE = 256  # stands of that length
_BEFORE_LAUNCH_S = 0.05  # the car may move a little before the launch is seen
_STANDS_KMH = 0.5
_MOVES_S = 0.5  # after so long the nose of a car that launches has moved
_REST_OFF_MM = 10.0
_WANDER = (5, 95)  # percentiles between which a still height counts as wandering: a spike is none


@dataclass(frozen=True)
class Remark:
    """One remark; `code` says which, so that a program can find it."""

    code: str
    text: str


@dataclass(frozen=True)
class Seen:
    """What the controller read and told, tick by tick, arrays[n]: one run, from the tick `start` to the end,
    and what stood before it.

    counts: of the sensor; speed: km/h, NaN where unknown; armed: 1 where armed; lift: mm; faults: bits."""

    tick_s: float
    counts: npt.NDArray[np.integer]
    speed: npt.NDArray[np.float64]
    armed: npt.NDArray[np.integer]
    lift: npt.NDArray[np.float64]
    faults: npt.NDArray[np.integer]
    start: int


def readiness(seen: Seen, calibration: CalibrationFile, who: str) -> Iterator[Remark]:
    """What is to be said of one run, the most important first; `who` such as "Launch 1"."""
    loud = who.upper()
    if seen.faults[seen.start] & c.FAULT_AT_LAUNCH:
        why = "The controller did not trust the height sensor when the car left."
        yield Remark("fault_at_launch", f"{loud}: A FAULT WAS PRESENT AT LAUNCH. {why}")
    yield from _out_of_service(seen, loud)
    yield from _not_moved(seen, loud)
    yield from _lift_at_launch(seen, loud)
    yield from _noise(seen, calibration, who)


def out_of_service(faults: npt.NDArray[np.integer]) -> bool:
    """Whether the controller was out of service for too large a share of these ticks."""
    return float(((faults & OUT_OF_SERVICE) != 0).mean()) > OUT_SHARE


def _out_of_service(seen: Seen, who: str) -> Iterator[Remark]:
    faults = seen.faults[seen.start :]
    if not out_of_service(faults):
        return
    out = (faults & OUT_OF_SERVICE) != 0
    share = float(out.mean())
    first = int(np.argmax(out))
    bits = {bit: int(np.count_nonzero(faults & bit)) for bit in codes.FAULTS if bit & OUT_OF_SERVICE}
    most = max(bits, key=lambda bit: bits[bit])
    yield Remark(
        "out_of_service",
        f"{who}: THE CONTROLLER WAS OUT OF SERVICE for {percent(share)} of the run"
        f" ({np.count_nonzero(out) * seen.tick_s:.3f} s), first {first * seen.tick_s:.3f} s after the launch:"
        f" {codes.FAULTS[most][1]}.",
    )


def _not_moved(seen: Seen, who: str) -> Iterator[Remark]:
    """A launching car moves its nose: a reading that stays the same from arming on is no height."""
    open_before = np.flatnonzero(seen.armed[: seen.start] == 0)
    armed = int(open_before[-1]) + 1 if len(open_before) else 0
    after = seen.start + round(_MOVES_S / seen.tick_s)
    counts = seen.counts[armed:after]
    if after <= len(seen.counts) and len(counts) and (counts == counts[0]).all():
        yield Remark(
            "height_not_moved",
            f"{who}: THE HEIGHT HAD NOT MOVED SINCE ARMING, {(seen.start - armed) * seen.tick_s:.3f} s"
            f" before, and {_MOVES_S:g} s after the launch it still had not: {int(counts[0])} counts all the"
            " time.",
        )


def _lift_at_launch(seen: Seen, who: str) -> Iterator[Remark]:
    lift = float(seen.lift[seen.start])
    if abs(lift) > _REST_OFF_MM and not seen.faults[seen.start] & OUT_OF_SERVICE:
        yield Remark(
            "lift_at_launch",
            f"{who}: THE LIFT WAS {lift:.0f} mm AT LAUNCH, which is no rest: the nose was not standing, or"
            " the rest height in use is not this car's.",
        )


def _noise(seen: Seen, calibration: CalibrationFile, who: str) -> Iterator[Remark]:
    """What the height did while the car stood still, against noise_mm."""
    until = seen.start - round(_BEFORE_LAUNCH_S / seen.tick_s)
    counts = seen.counts
    window = (counts >= calibration.number("window_low")) & (counts <= calibration.number("window_high"))
    still = (seen.speed <= _STANDS_KMH) & window
    still[max(until, 0) :] = False
    part = round(_STOOD_S / seen.tick_s)
    wandered: list[float] = []
    for begin, end in spans(still):
        whole = end - (end - begin) % part
        for at in range(begin, whole, _AT_ONCE * part):
            parts = np.asarray(counts[at : min(whole, at + _AT_ONCE * part)]).reshape(-1, part)
            low, high = np.percentile(calibration.counts_to_height(parts), _WANDER, axis=1)
            wandered += (high - low).tolist()
    noise = calibration.number("allowance") / 16
    if wandered and (wander := float(np.median(wandered))) > noise:
        yield Remark(
            "noise_too_small",
            f"{who}: the car stood still for {np.count_nonzero(still) * seen.tick_s:.1f} s and the height"
            f" wandered by {wander:.1f} mm: noise_mm = {noise:g} is too small.",
        )
