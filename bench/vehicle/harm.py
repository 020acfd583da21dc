"""What gets worse with a calibration, in words: said first wherever two of them are set side by side.

Each side is one run, or many cars of a spread; `worse` compares two of a kind. What is better is not its
business: a calibration that is faster and drops the nose harder is told here by the drop alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bench.replay.codes import OUT_SHARE
from bench.vehicle.results import MARKS_FT, Floats, Outcome

# Differences that do not count: chosen below what the model can tell of the next run; no source.
_LANDING_MPS, _BAR_N, _CLEARANCE_M, _LIFT_M, _TIME_S, _SHARE = 0.05, 200.0, 0.005, 0.010, 0.005, 0.005
_NEAR_M = 0.060  # a nose higher than this over the ground is not near it


@dataclass(frozen=True)
class Side:
    """One side of a comparison in SI units. `landing` is None where the nose never flew and infinite where it
    never came down; `time` to `feet`, infinite where a car never got there. `out` and `over` are the shares
    out of service and turned over, of the run or of `cars` of them (0: one run)."""

    name: str
    lift: float
    landing: float | None
    bar: float
    clearance: float
    time: float
    feet: int
    out: float
    over: float
    cars: int = 0


def of_run(name: str, outcome: Outcome, feet: int) -> Side:
    """One run as a side."""
    landing = outcome.score("landing_speed")
    time = outcome.at_mark("nose_time", feet)
    return Side(
        name,
        outcome.score("peak_lift"),
        math.inf if math.isnan(landing) else landing or None,
        outcome.score("bar_force"),
        outcome.score("clearance"),
        math.inf if math.isnan(time) else time,
        feet,
        outcome.score("out_of_service") / max(outcome.score("end_time"), 1e-9),
        outcome.score("turned_over"),
    )


def of_cars(name: str, scores: dict[str, Floats], feet: int, share: float = 0.95) -> Side:
    """Many runs as a side: what `share` of the cars stay within, of the time their middle."""
    landing = np.nan_to_num(scores["landing_speed"], nan=np.inf)
    time = np.nan_to_num(scores["nose_time"][:, MARKS_FT.index(feet)], nan=np.inf)
    out = scores["out_of_service"] > OUT_SHARE * scores["end_time"]

    return Side(
        name,
        at_share(scores["peak_lift"], share),
        at_share(landing, share) or None,
        at_share(scores["bar_force"], share),
        -at_share(-scores["clearance"], share),
        at_share(time, 0.5),
        feet,
        float(out.mean()),
        float((scores["turned_over"] > 0).mean()),
        len(out),
    )


def at_share(values: Floats, share: float) -> float:
    """The least of the values that at least `share` of them do not exceed."""
    place = math.ceil(share * len(values) - 1e-9) - 1
    return float(np.sort(values)[max(0, place)])


def harm(new: Side, others: Sequence[Side]) -> list[str]:
    """A sentence for each of the others than which the new one is worse in something."""
    sentences = []
    for old in others:
        worse = list(_worse(new, old))
        if worse:
            within = f", of {new.cars} cars" if new.cars else ""
            sentences.append(f"Worse with {new.name} than with {old.name}{within}: it {'; '.join(worse)}.")
    return sentences


def _worse(new: Side, old: Side) -> Iterator[str]:
    """What gets worse, the most harmful first, each with the new value and the old one."""
    of = "of the cars" if new.cars else "of the run"
    if new.over > old.over:
        many = f" in {100 * new.over:.1f} % {of} ({100 * old.over:.1f})" if new.cars else ""
        yield f"turns over{many}"
    a, b = (0.0 if side.landing is None else side.landing for side in (new, old))
    if a > b + _LANDING_MPS:
        yield "never lands" if a == math.inf else f"lands harder, {a:.2f} m/s ({_landing(old)})"
    if new.bar > old.bar + _BAR_N:
        yield f"leans harder on the bar, {new.bar / 1000:.1f} kN ({old.bar / 1000:.1f})"
    if new.clearance < min(_NEAR_M, old.clearance - _CLEARANCE_M):
        yield f"comes nearer to the ground, {1000 * new.clearance:.0f} mm ({1000 * old.clearance:.0f})"
    if new.lift > old.lift + _LIFT_M:
        yield f"rises higher, {1000 * new.lift:.0f} mm ({1000 * old.lift:.0f})"
    if new.out > old.out + _SHARE:
        yield f"is out of service in {100 * new.out:.1f} % {of} ({100 * old.out:.1f})"
    if new.time > old.time + _TIME_S:
        goal = f"to {new.feet} ft"
        there = f"is slower, {new.time:.3f} s {goal} ({old.time:.3f})"
        yield f"does not get {goal}" if new.time == math.inf else there


def _landing(side: Side) -> str:
    if side.landing is None:
        return "no landing"
    return "never" if side.landing == math.inf else f"{side.landing:.2f}"
