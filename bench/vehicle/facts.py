"""What a prediction found, as plain values: what --json prints and summary.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bench.cautions import CAUTIONS, MODEL
from bench.facts import head
from bench.replay.codes import OUT_SHARE
from bench.replay.readiness import readiness
from bench.vehicle.harm import at_share, harm, of_cars, of_run
from bench.vehicle.predict import Prediction
from bench.vehicle.results import MARKS_FT, Floats, Outcome, seen_in
from bench.vehicle.run import slow

SUMMARY_VERSION = 2  # 2: a nose that never flew has no landing speed, and not 0

# What cars that do not obey the model are missed by when it is fitted to two of their runs: one standard
# deviation, from the median misses of the cars with a converter in bench/vehicle/README.md (12 mm, 0.14 m/s,
# 0.026 s) over 0.6745. No scatter of the car's values has it in it.
MISSED = {"peak_lift_mm": 18.0, "landing_speed_mps": 0.21}
MISSED_TIME_S = 0.04
_Z80 = 1.2816

# figure -> (name of the score, factor)
_FIGURES = {
    "peak_lift_mm": ("peak_lift", 1e3),
    "peak_s": ("peak_time", 1),
    "above_first_ceiling_s": ("above_start", 1),
    "above_full_ceiling_s": ("above_full", 1),
    "beyond_sensor_s": ("beyond_sensor", 1),
    "flights": ("flights", 1),
    "air_s": ("air_time", 1),
    "carried_m": ("carry", 1),
    "landing_speed_mps": ("landing_speed", 1),
    "front_tyre_load_n": ("front_load", 1),
    "strut_travel_mm": ("strut_travel", 1e3),
    "least_clearance_mm": ("clearance", 1e3),
    "bar_force_n": ("bar_force", 1),
    "bar_s": ("bar_time", 1),
    "bar_impulse_ns": ("bar_impulse", 1),
    "least_rear_load_n": ("rear_load", 1),
    "rear_unloaded_s": ("rear_unloaded", 1),
    "full_cut_s": ("full_cut", 1),
    "torque_time_nms": ("torque_time", 1),
    "greatest_reduction_percent": ("peak_reduction", 0.1),
    "greatest_retard_deg": ("peak_retard", 0.1),
    "command_changes": ("changes", 1),
    "command_reversals": ("reversals", 1),
    "latches": ("latches", 1),
    "out_of_sight_s": ("out_of_sight", 1),
    "out_of_service_s": ("out_of_service", 1),
    "run_s": ("end_time", 1),
}


def make_facts(p: Prediction, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a prediction, as plain values that JSON can hold; units end the keys.

    Keys stay; SUMMARY_VERSION grows when the meaning of one changes."""
    options = p.options
    noise = p.vehicle.car.sensor_noise * 1000 if options.noise_mm is None else options.noise_mm
    return {
        **head(SUMMARY_VERSION, command_line),
        "driven_by": p.controlled.by,
        "vehicle": {
            "file": str(p.vehicle.path),
            "sha256": p.vehicle.digest,
            "name": p.vehicle.name,
            "warnings": p.vehicle.warnings,
        },
        "calibration": {
            "file": str(p.calibration.path),
            "sha256": p.calibration.digest,
            "image_crc32": f"{p.calibration.crc:08x}",
            "warnings": list(p.calibration.warnings),
        },
        "track": {
            "seed": options.seed,
            "noise_mm": noise,
            "road": options.road,
            "distance_ft": options.feet,
        },
        "harm": _harm(p),
        "without": figures_of(p.without),
        "with": figures_of(p.controlled),
        "readiness": [vars(one) for one in readiness(seen_in(p.controlled), p.calibration, "The run")],
        "notes": notes(p),
        "spread": None if p.spread is None else _shares(p),
        "model": MODEL,
        "cautions": CAUTIONS,
    }


def _harm(p: Prediction) -> list[str]:
    """What gets worse than without control: in the car itself, and in 95 % of the spread."""
    names, feet = ("this calibration", "no control"), p.options.feet
    new, old = (of_run(n, o, feet) for n, o in zip(names, (p.controlled, p.without), strict=True))
    found = harm(new, [old])
    if p.spread is not None:
        old, new = (of_cars(n, s, feet) for n, s in zip(reversed(names), p.spread, strict=True))
        found += harm(new, [old])
    return found


def figures_of(outcome: Outcome) -> dict[str, Any]:
    """The figures of one run; None where there is none."""
    found: dict[str, Any] = {"end": end_of(outcome.score("turned_over"), outcome.score("finished"))}
    for key, (name, factor) in _FIGURES.items():
        value = outcome.score(name) * factor
        whole = key in ("flights", "command_changes", "command_reversals", "latches")
        found[key] = int(value) if whole else _known(value)
    # of a nose that never flew there is no landing, and not one at 0
    found["landing_speed_mps"] = found["landing_speed_mps"] or None
    found["marks"] = [
        {
            "feet": feet,
            "nose_s": _known(outcome.at_mark("nose_time", feet)),
            "beam_s": _known(outcome.at_mark("beam_time", feet)),
            "speed_kmh": _known(outcome.at_mark("velocity", feet) * 3.6),
            "gap_mm": _known(outcome.at_mark("gap", feet) * 1000),
        }
        for feet in MARKS_FT
    ]
    return found


def _known(value: float) -> float | None:
    return None if np.isnan(value) else round(value, 6)


def end_of(turned_over: float, finished: float) -> str:
    """How a run ended, in words."""
    return "turned over" if turned_over else "finished" if finished else "out of time"


def _shares(p: Prediction) -> dict[str, Any]:
    """What share of the spread does what, and the 5, 50 and 95 % points of the figures: without, with."""
    assert p.spread is not None
    car, feet = p.vehicle.car, p.options.feet
    mark = MARKS_FT.index(feet)
    found: dict[str, Any] = {"cars": p.options.spread, "scatter_given": bool(p.vehicle.scatter)}
    for side, scores in zip(("without", "with"), p.spread, strict=True):
        time = scores["nose_time"][:, mark]
        questions = {
            "turned_over": scores["turned_over"] > 0,
            "never_landed": np.isnan(scores["landing_speed"]),
            "no_flight": scores["flights"] == 0,
            "one_flight": scores["flights"] == 1,
            "more_flights": scores["flights"] > 1,
            "beyond_sensor": scores["beyond_sensor"] > 0,
            "above_full_ceiling": scores["above_full"] > 0,
            "bar_touched": scores["bar_force"] > 0,
            "rear_unloaded": scores["rear_unloaded"] > 0,
            "strut_bottomed": scores["strut_travel"] > car.bump_travel,
            "nose_on_ground": scores["clearance"] < 0,
            "fault_at_launch": scores["fault_at_launch"] > 0,
            "out_of_service": scores["out_of_service"] > OUT_SHARE * scores["end_time"],
        }
        found[side] = {
            "shares": {name: round(float(np.mean(yes)), 6) for name, yes in questions.items()},
            "percentiles_5_50_95": {
                "peak_lift_mm": _percentiles(scores["peak_lift"] * 1000),
                "landing_speed_mps": _percentiles(_landed(scores)),
                "bar_force_n": _percentiles(scores["bar_force"]),
                "least_clearance_mm": _percentiles(scores["clearance"] * 1000),
                f"nose_{feet}_ft_s": _percentiles(time[~np.isnan(time)]),
            },
        }
        found[side]["range_80"] = _ranges(scores, feet, p.vehicle.ways is not None)
    found["fitted"] = p.vehicle.ways is not None
    lost = p.spread[1]["nose_time"][:, mark] - p.spread[0]["nose_time"][:, mark]
    both = lost[~np.isnan(lost)]
    found["with"]["shares"]["not_slower"] = round(float((both <= 0).sum()) / p.options.spread, 6)
    found["with"]["percentiles_5_50_95"][f"lost_{feet}_ft_s"] = _percentiles(both)
    return found


def _landed(scores: dict[str, Floats]) -> Floats:
    """The landing speeds of those cars that flew and landed."""
    speeds = scores["landing_speed"]
    return speeds[~np.isnan(speeds) & (scores["flights"] > 0)]


def _ranges(scores: dict[str, Floats], feet: int, fitted: bool) -> dict[str, list[float]]:
    """Between what 80 % of the cars are, those of a fit wider by what a fitted model misses all the same."""
    found = {
        "peak_lift_mm": _middle(scores["peak_lift"] * 1000),
        "landing_speed_mps": _middle(np.nan_to_num(scores["landing_speed"], nan=np.inf)),
        "bar_force_n": _middle(scores["bar_force"]),
    }
    for i, mark in enumerate(MARKS_FT):
        if mark <= feet:
            found[f"nose_{mark}_ft_s"] = _middle(np.nan_to_num(scores["nose_time"][:, i], nan=np.inf))
    return {key: _wider(key, *ends) for key, ends in found.items()} if fitted else found


def _wider(key: str, low: float, high: float) -> list[float]:
    """A range with the miss of MISSED in it; one at 0 has nothing to miss."""
    missed = MISSED.get(key, MISSED_TIME_S if key.startswith("nose_") else 0.0)
    if high in (0, np.inf) or not missed:
        return [low, high]
    half = (high - low) / 2
    more = float(np.hypot(half, _Z80 * missed)) - half
    return [round(max(0.0, low - more), 6), round(high + more, 6)]


def _middle(values: Floats) -> list[float]:
    """Between what 80 % of all cars are, those that never land or get there beyond the end (infinite): each
    end a value of a car."""
    return [round(at_share(values, share), 6) for share in (0.1, 0.9)]


def _percentiles(values: Floats) -> list[float] | None:
    if not len(values):
        return None
    return [round(float(v), 6) for v in np.percentile(values, (5, 50, 95))]


def notes(p: Prediction) -> list[str]:
    """What the reader must know about these runs."""
    car, calibration = p.vehicle.car, p.calibration
    found = []
    why = slow()
    if why:
        found.append(why)
    rest, own = calibration.number("rest") / 16, car.sensor_height * 1000
    if abs(rest - own) > 3:
        found.append(f"the car's sensor stands {own:.0f} mm high at rest, the calibration says {rest:.0f} mm")
    gain = calibration.number("gain_q12") / 4096
    right = car.wheelbase / (car.wheelbase + car.sensor_ahead)
    if abs(gain / right - 1) > 0.02:
        found.append(
            f"the calibration's gain to the axle is {gain:.3f}; by this car's lengths it would be {right:.3f}"
        )
    far = max(calibration.row("sensor_height")) / 16
    if car.sensor_farthest * 1000 > far + 1:
        found.append(
            f"the car's sensor reaches {car.sensor_farthest * 1000:.0f} mm, the calibration's curve ends at"
            f" {far:.0f} mm: between the two it reads the end"
        )
    for side, outcome in (("without", p.without), ("with", p.controlled)):
        if outcome.score("turned_over"):
            found.append(f"{side} the controller the car turns over")
        elif outcome.score("rear_unloaded") > 0:
            found.append(
                f"{side} the controller the bar takes all load off the rear tyres for"
                f" {1000 * outcome.score('rear_unloaded'):.0f} ms; the model keeps them on the ground, a real"
                " car may hop there"
            )
    if p.options.spread and not p.vehicle.scatter and p.vehicle.ways is None:
        found.append("the vehicle file gives no scatter, so that all cars of the spread are alike")
    return found
