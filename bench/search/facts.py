"""What a search found, as plain values: what --json prints and summary.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import CAUTIONS, MODEL
from bench.facts import head
from bench.replay.codes import OUT_SHARE
from bench.search.limits import (
    KINDS,
    MARGIN,
    OVER,
    REVERSAL_S,
    Limit,
    each_car,
    excess,
    tightened,
)
from bench.search.spread import DEFAULT_SCATTER, defaults_used, widened_by
from bench.search.study import Checked, Found, looks_ahead
from bench.vehicle.car import BY_NAME, written
from bench.vehicle.harm import at_share, harm, of_cars

if TYPE_CHECKING:
    from bench.vehicle.results import Floats

# 2: the setting chosen has the least mean_aim_s, not mean_time_s. 3: no landing is null and not 0, a car that
# never gets there has no time; limits_kept is of the setting that is told.
SUMMARY_VERSION = 3
CALIBRATION = "calibration.toml"
_BINDS = 0.9 * (1 - MARGIN)  # a limit that the wanted share of cars comes this near to bounds what was found


def make_facts(found: Found, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a search, as plain values that JSON can hold; units end the keys.

    Keys stay; SUMMARY_VERSION grows when the meaning of one changes."""
    options, settings = found.options, found.settings
    written = found.taken or found.chosen
    return {
        **head(SUMMARY_VERSION, command_line),
        "vehicle": {
            "file": str(found.vehicle.path),
            "sha256": found.vehicle.digest,
            "name": found.vehicle.name,
            "warnings": found.vehicle.warnings,
        },
        "start": {
            "file": str(settings.start.path),
            "sha256": settings.start.digest,
            "image_crc32": f"{settings.start.crc:08x}",
        },
        "limits": [
            {"of": limit.kind.words, "most": limit.most / limit.kind.size, "unit": limit.kind.unit}
            for limit in options.limits
        ],
        "margin_percent": 100 * MARGIN,
        "aim": {"seconds_a_reversal": REVERSAL_S},
        "share_percent": 100 * options.share,
        "distance_ft": options.feet,
        "spread": {
            "road": options.road,
            "seed": options.seed,
            "cars": options.cars,
            "check_cars": options.check,
            "widened_by": widened_by(found.vehicle, settings.start) if options.wide else [],
            "default_scatter": [_scatter(found, name) for name in defaults_used(found.vehicle)],
        },
        "population": options.population,
        "generations": options.generations,
        "quick": options.quick,
        "runs": sum(course.runs for course in found.courses.each),
        "best_time_s_by_generation": found.courses.whole.best,
        "sought": options.wishes.as_asked(),
        "limits_kept": found.kept,
        "taken_row": found.row(found.taken) if found.taken else None,
        "image_crc32": f"{written.calibration.crc:08x}" if written else None,
        "settings": [
            {
                "key": s.key,
                "words": s.words,
                "unit": s.unit,
                "least": s.low,
                "greatest": s.high,
                "start": settings.written(i, settings.start_values[i]),
                "found": settings.written(i, (found.told.values or settings.start_values)[i]),
            }
            for i, s in enumerate(settings.all)
        ],
        "harm": _harm(found),
        "without": _figures(found, found.without),
        "with_start": _figures(found, found.start),
        "with_found": _figures(found, found.told),
        "trade_off": [_row(found, one) for one in found.checked],
        "without_look_ahead": without_look_ahead(found),
        "bounded_by": bounded_by(found),
        "warnings": list(found.told.calibration.warnings),
        "model": MODEL,
        "cautions": CAUTIONS,
    }


def _harm(found: Found) -> list[str]:
    """What gets worse against the start and against no control, over the cars of the check."""
    feet, share = found.options.feet, found.options.share
    word = "taken" if found.taken else "found" if found.kept else "nearest to the limits"
    told = of_cars(f"the setting {word}", found.told.scores, feet, share)
    sides = (("the start", found.start), ("no control", found.without))
    return harm(told, [of_cars(name, one.scores, feet, share) for name, one in sides])


def _scatter(found: Found, name: str) -> str:
    scatter = DEFAULT_SCATTER[name]
    size = f"{100 * scatter.size:g} %" if scatter.relative else written(name, scatter.size)
    return f"{BY_NAME[name].path.replace('_', ' ').replace('.', ' ')} {size}"


def _figures(found: Found, one: Checked) -> dict[str, Any]:
    """Shares and percentiles over the cars of the check."""
    d, s, limits = one.driven, one.scores, found.options.limits
    without, start = found.without.driven, found.start.driven
    questions: dict[str, Any] = {"within_limits": excess(d, limits) <= 0}
    for limit in limits:
        questions[f"{limit.kind.name}_kept"] = d.beyond(limit) <= 0
    questions |= {
        "turned_over": s["turned_over"] > 0,
        "never_landed": d.up > 0,
        "no_flight": s["flights"] == 0,
        "one_flight": s["flights"] == 1,
        "more_flights": s["flights"] > 1,
        "bar_touched": s["bar_force"] > 0,
        "nose_on_ground": s["clearance"] < 0,
        "fault_at_launch": s["fault_at_launch"] > 0,
        "out_of_service": s["out_of_service"] > OUT_SHARE * s["end_time"],
        "not_slower_than_without": d.time <= without.time,
        "better_than_start_in_lift_landing_and_time": (
            (d.lift < start.lift) & (d.landing < start.landing) & (d.time < start.time)
        ),
    }
    return {
        "shares": {name: round(float(np.mean(yes)), 6) for name, yes in questions.items()},
        "mean_time_s": round(one.judged.time_s, 6),
        "mean_aim_s": round(one.judged.aim_s, 6),
        "percentiles_5_50_95": {
            "time_s": _percentiles(np.where(d.failed > 0, np.inf, d.time)),
            "peak_lift_mm": _percentiles(d.lift * 1000),
            "landing_speed_mps": [value or None for value in _percentiles(d.landing)],
            "bar_force_kn": _percentiles(d.bar / 1000),
            "greatest_reduction_percent": _percentiles(s["peak_reduction"] / 10),
            "full_cut_s": _percentiles(s["full_cut"]),
            "command_reversals": _percentiles(d.reversals),
            "interventions": _percentiles(d.latches),
        },
    }


def _percentiles(values: Floats) -> list[float]:
    """The 5, 50 and 95 % points, each a value of a car; infinite where that car never did it."""
    return [round(at_share(values, share), 6) for share in (0.05, 0.5, 0.95)]


def _row(found: Found, one: Checked) -> dict[str, Any]:
    j = one.judged
    assert one.values is not None
    return {
        "chosen": one is (found.taken or found.chosen),
        "keeps_limits": j.over <= 0,
        "look_ahead": looks_ahead(one.values),
        "margin_percent": round(-100 * j.over, 6) if j.over < OVER else None,
        "mean_time_s": round(j.time_s, 6),
        "mean_aim_s": round(j.aim_s, 6),
        "peak_lift_mm": round(j.lift_m * 1000, 6),
        "landing_speed_mps": round(j.landing_mps, 6) or None,
        "bar_force_kn": round(j.bar_n / 1000, 6),
        "command_reversals": j.reversals,
        "interventions": j.latches,
        "within_limits": round(j.within, 6),
        "values": dict(zip((s.key for s in found.settings.all), one.values, strict=True)),
    }


def without_look_ahead(found: Found) -> str:
    """What the best setting without look-ahead comes to beside the one that is told, in a sentence; empty
    where none was sought."""
    plain = [one for one in found.checked if one.values is not None and not looks_ahead(one.values)]
    best = next((one for one in plain if one.judged.over <= 0), plain[0] if plain else None)
    if best is None or best is found.told or not found.settings.looks:
        return ""
    j, told = best.judged, found.told.judged
    kept = "keeps the limits" if j.over <= 0 else "does not keep the limits"
    return (
        f"Without look-ahead the best that was found (row {found.row(best)}) {kept}: {j.time_s:.3f} s"
        f" ({told.time_s:.3f}), lift {1000 * j.lift_m:.0f} mm ({1000 * told.lift_m:.0f}), landing"
        f" {KINDS[1].shown(j.landing_mps)} ({KINDS[1].shown(told.landing_mps)}), {j.reversals:.0f} reversals"
        f" ({told.reversals:.0f}). A smaller search than the other."
    )


def bounded_by(found: Found) -> list[str]:
    """What bounds the time, in sentences."""
    options, one = found.options, found.told
    cars = f"{options.check} cars"
    limits = each_car(options.limits)
    nearest, beyond = _nearest(one, limits), _beyond(one, limits)
    failed = float((one.driven.failed > 0).mean())
    if not found.kept:
        broken = [f"{limit.kind.words} in {_percent(b)}" for limit, b in zip(limits, beyond, strict=True)]
        broken += [
            f"{limit.kind.words} {limit.kind.shown(at_share(one.driven.of(limit.kind), 0.5))} in half of them"
            for limit in options.limits
            if limit.kind.in_half and at_share(one.driven.beyond(limit), 0.5) > 0
        ]
        which = f"Row {found.row(one)}, as asked for,"
        if found.taken is None:
            which = f"No setting was found that keeps the limits in {_percent(options.share)} of the cars."
            which += " The nearest one"
        text = f"{which} keeps them in {_percent(one.judged.within)} of {cars}; broken: {', '.join(broken)}"
        return [text + (f"; {_percent(failed)} turn over or never get there" if failed else "") + "."]
    place = int(np.argmax(nearest))
    limit = limits[place]
    reached = at_share(one.driven.of(limit.kind), options.share)
    stay = f"{_percent(options.share)} of the cars stay at or below {limit.kind.shown(reached)}"
    faster = [t for t in found.tried if t.judged.over > 0 and t.judged.time_s < _as_tried(found, one) - 5e-4]
    if one.judged.over >= _BINDS - 1:
        lines = [
            f"The limit on {limit.kind.words} bounds it: it is the nearest one in"
            f" {_percent(nearest[place])} of {cars} and broken in {_percent(beyond[place])}; {stay}, and"
            f" {limit.kind.shown(limit.most)} is allowed.{_kept_below(limit)}"
        ]
    else:
        lines = [
            f"No limit bounds it: the nearest one in most cars ({_percent(nearest[place])} of {cars}) is"
            f" {limit.kind.words}, and {stay}, where {limit.kind.shown(limit.most)} is allowed."
        ]
    if faster:
        best = min(faster, key=lambda t: (t.judged.time_s, t.values))
        gain = _as_tried(found, one) - best.judged.time_s
        lines.append(
            f"The fastest setting tried beyond what the search keeps to gains {gain:.3f} s and keeps to it in"
            f" {_percent(best.judged.within)} of its {options.cars} cars."
        )
    else:
        lines.append("Nothing tried beyond what the search keeps to is faster by a millisecond.")
    assert one.values is not None
    ends = [
        f"{setting.words} ({found.settings.written(i, value)})"
        for i, (setting, value) in enumerate(zip(found.settings.all, one.values, strict=True))
        if value in (setting.low, setting.high)
    ]
    if ends:
        lines.append(f"At an end of what was sought: {', '.join(ends)}.")
    slower = float((one.driven.time > found.without.driven.time).mean())
    if slower > 0:
        lines.append(f"It is slower than no control in {_percent(slower)} of {cars}.")
    return lines


def _kept_below(limit: Limit) -> str:
    (kept,) = tightened([limit])
    return f" The search kept to {limit.kind.shown(kept.most)}." if kept.most < limit.most else ""


def _as_tried(found: Found, one: Checked) -> float:
    """Its mean time with the cars of the search."""
    return next(t.judged.time_s for t in found.tried if t.values == one.values)


def _nearest(one: Checked, limits: Sequence[Limit]) -> list[float]:
    """For each limit, in what share of the cars it is the one farthest broken or nearest to it."""
    ratios = np.array([one.driven.beyond(limit) for limit in limits])
    return [float((ratios.argmax(axis=0) == i).mean()) for i in range(len(limits))]


def _beyond(one: Checked, limits: Sequence[Limit]) -> list[float]:
    return [float((one.driven.beyond(limit) > 0).mean()) for limit in limits]


def _percent(share: float) -> str:
    return f"{100 * share:.4g} %"
