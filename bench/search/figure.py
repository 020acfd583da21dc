"""The figures of a search: the trade-off, the cars of the check, the ceilings before and after."""

from __future__ import annotations

from math import isfinite
from typing import Any, Literal

import numpy as np

from bench.document.blocks import Group, Points
from bench.search.limits import KINDS, Kind, landing_text
from bench.search.study import Checked, Found
from bench.vehicle.results import cut_starts

Mark = Literal["cross", "square", "chosen", "run-0", "run-1", "run-2", "run-3"]


def _marks(found: Found) -> list[tuple[Checked, Mark, str]]:
    text = "taken" if found.taken else "chosen" if found.chosen else "nearest, limits not kept"
    return [
        (found.without, "cross", "without control"),
        (found.start, "square", "start"),
        (found.told, "chosen", text),
    ]


def _judged_text(found: Found, judged: Any, values: Any, cars: int) -> str:
    text = (
        f"{judged.time_s:.3f} s, lift {judged.lift_m * 1000:.0f} mm, landing"
        f" {landing_text(judged.landing_mps)}, bar {judged.bar_n / 1000:.1f} kN,"
        f" {judged.reversals:.0f} reversals; limits kept in {100 * judged.within:.1f} % of {cars} cars"
    )
    if values is None:
        return text
    written = ", ".join(
        f"{setting.words} {found.settings.written(i, value)}"
        for i, (setting, value) in enumerate(zip(found.settings.all, values, strict=True))
    )
    return f"{text}. {written}"


def trade_off(found: Found, kind: Kind, facts: dict[str, Any]) -> Points:
    """Time over a figure: all that was tried in the cars of the search, the rest in those of the check."""

    def at(judged: Any) -> float:
        value = {"lift": judged.lift_m, "landing": judged.landing_mps}[kind.name]
        return round(float(value) / kind.size, 4)

    # a nose that never comes down has no place along the speed of its landing
    known = [t for t in found.tried if isfinite(at(t.judged))]
    groups: list[Group] = []
    for inside, text in ((False, "tried, beyond what the search keeps to"), (True, "tried, within it")):
        tried = [t for t in known if (t.judged.over <= 0) is inside]
        groups.append(
            Group(
                f"{text} ({len(tried)})",
                [at(t.judged) for t in tried],
                [round(t.judged.time_s, 5) for t in tried],
                "solid" if inside else "pale",
                [_judged_text(found, t.judged, t.values, found.options.cars) for t in tried],
            )
        )
    x, y = least_times([(at(t.judged), round(t.judged.time_s, 5)) for t in known if t.judged.over <= 0])
    if len(x) > 1:
        groups.append(Group("the least time at each", x, y, "line", joined=True))
    rows = [(n, one) for n, one in enumerate(found.checked) if isfinite(at(one.judged))]
    groups.append(
        Group(
            "checked: rows of the table",
            [at(one.judged) for _, one in rows],
            [round(one.judged.time_s, 5) for _, one in rows],
            "run-1",
            [_judged_text(found, one.judged, one.values, found.options.check) for _, one in rows],
            [f"front-{n}" for n, _ in rows],
        )
    )
    marks = [mark for mark in _marks(found) if isfinite(at(mark[0].judged))]
    for one, look, text in marks:
        tip = f"{text}: {_judged_text(found, one.judged, one.values, found.options.check)}"
        groups.append(Group(text, [at(one.judged)], [round(one.judged.time_s, 5)], look, [tip]))
    limits: list[tuple[Literal["x", "y"], float, str]] = [
        ("x", limit.most / kind.size, f"limit, {limit.kind.shown(limit.most)}")
        for limit in found.options.limits
        if limit.kind is kind
    ]
    shown = [one.judged for one, *_ in marks] + [one.judged for _, one in rows]
    right = max([at(judged) for judged in shown] + [value for _, value, _ in limits], default=1.0)
    times = [judged.time_s for judged in shown] or [0.0]
    low, high = min(times), max(times)
    return Points(
        f"time-{kind.name}",
        f"Time and {kind.words}, that {facts['share_percent']:g} % of the cars stay at or below",
        f"{kind.words}, {kind.unit}",
        f"mean time to {facts['distance_ft']} ft, s",
        groups,
        limits,
        x_range=(0.0, 1.08 * right),
        y_range=(low - 0.08 * (high - low) - 1e-3, high + 0.25 * (high - low) + 1e-3),
        height=380,
    )


def least_times(points: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """The corners of the steps through those points (figure, time) than which none is better in both."""
    x: list[float] = []
    y: list[float] = []
    for figure, time in sorted(points):
        if not y:
            x, y = [figure], [time]
        elif time < y[-1]:
            x += [figure, figure]
            y += [y[-1], time]
    return x, y


def cars(found: Found) -> Points:
    """Each car of the check: lift and landing."""
    lift, landing = KINDS[:2]
    groups = []
    looks: tuple[Literal["run-1", "run-2", "run-0"], ...] = ("run-1", "run-2", "run-0")
    for (one, _mark, text), look in zip(_marks(found), looks, strict=True):
        x, y = one.driven.of(lift) / lift.size, one.driven.of(landing) / landing.size
        down = np.isfinite(y)
        tips = [
            f"{text}, car {n + 1}: lift {a:.0f} mm, landing {landing_text(b)}, bar {bar / 1000:.1f} kN,"
            f" {time:.3f} s"
            for n, (a, b, bar, time) in enumerate(zip(x, y, one.driven.bar, one.driven.time, strict=True))
            if isfinite(b)
        ]
        never = int(np.count_nonzero(~down))
        words, x, y = (f"{text}, {never} never land" if never else text), x[down], y[down]
        groups.append(
            Group(words, [round(v, 3) for v in x.tolist()], [round(v, 4) for v in y.tolist()], look, tips)
        )
    limits: list[tuple[Literal["x", "y"], float, str]] = [
        (
            "x" if limit.kind is lift else "y",
            limit.most / limit.kind.size,
            f"limit on {limit.kind.words}, {limit.kind.shown(limit.most)}",
        )
        for limit in found.options.limits
        if limit.kind in (lift, landing)
    ]
    return Points(
        "cars",
        "Each car: peak lift and landing speed",
        "peak lift, mm",
        "landing speed, m/s",
        groups,
        limits,
        height=360,
    )


def ceilings(found: Found) -> Points:
    """Where the cut starts and is full, over progress."""
    groups = []
    start = found.settings.start
    rows: tuple[tuple[Any, str, Mark, Mark], ...] = (
        (start, "start", "run-2", "run-3"),
        (found.told.calibration, "found" if found.kept else "nearest", "run-1", "run-0"),
    )
    for calibration, text, first_look, full_look in rows:
        progress, _, full = cut_starts(calibration)
        first = calibration.ceilings.reduction_from
        for words, levels, look in (("first cut", first, first_look), ("full cut", full, full_look)):
            known = np.isfinite(levels)
            x, y = progress[known].tolist(), levels[known].tolist()
            tips = [
                f"{text}: {words} at {b:.0f} mm, {a:g} {calibration.progress_unit}"
                for a, b in zip(x, y, strict=True)
            ]
            groups.append(Group(f"{text}: {words}", x, y, look, tips, joined=True))
    return Points(
        "ceilings",
        "The ceilings, before and after",
        f"progress, {start.progress_unit}",
        "lift at the front axle, mm",
        groups,
        height=320,
    )
