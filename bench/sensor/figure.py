"""The figures of a sensor's measurement: each recording with its plateaus, and the curve."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bench.document.blocks import Figure, Group, Jump, Level, Line, Panel, Place, Points, Series, Strip
from bench.document.columns import Column
from bench.sensor.recording import Recording
from bench.sensor.study import Study

_FINE_S, _FINE, _COARSE = 1000.0, 1e6, 1e3  # times as whole numbers: of a long recording in milliseconds


def figures(facts: dict[str, Any], study: Study) -> list[Figure]:
    """The curve, where there is one, then all recordings."""
    curve = list(_curve(facts))
    return [*curve, *(_strip(i, one, facts) for i, one in enumerate(study.recordings))]


def _strip(i: int, one: Recording, facts: dict[str, Any]) -> Strip:
    time = one.time_s - one.time_s[0]
    end = float(time[-1])
    per = _FINE if end < _FINE_S else _COARSE
    height = np.where(one.good, one.height_mm, np.nan)
    stands = np.full(len(height), np.nan)
    for p in one.plateaus:
        stands[p.start : p.stop] = p.height_mm
    columns = {
        "time": Column(np.round(time * per).astype(np.int32), per, "s", 3),
        "height": Column.of(height, 1, "mm"),
        "stands": Column.of(stands, 1, "mm"),
    }
    panel = Panel(
        "Height at the sensor", "mm",
        [Line("as read", "height", "dots"), Line("stands", "stands", "main")],
        [] if facts["rest_height_mm"] is None else [Level("rest", facts["rest_height_mm"], "limit-dotted")],
        height=240,
    )  # fmt: skip
    name = f"recording-{i + 1}"
    places = [
        Place(
            f"{p.height_mm:.0f} mm", f"stands from {time[p.start]:.1f} s",
            Jump(name, max(time[p.start] - 0.5, 0), min(time[p.stop - 1] + 0.5, end), float(time[p.start])),
        )
        for p in one.plateaus
    ]  # fmt: skip
    step = max(float(np.diff(time).min()), 1 / per)
    return Strip(
        name, f"Recorded: {Path(one.path).name}", {"run": Series(columns, step=step, along="time")}, [panel],
        (0.0, end), places=places,
    )  # fmt: skip


def _curve(facts: dict[str, Any]) -> Iterator[Points]:
    curve = facts["curve"]
    if curve is None or curve["points"] is None:
        return
    known = list(zip(curve["readings"], curve["known_mm"], curve["left_mm"], strict=True))
    groups = [
        Group(
            "measured", [x for x, _, _ in known], [y for _, y, _ in known], "square",
            [f"{y:.1f} mm at {x:.1f} counts, {left:+.1f} mm off the curve" for x, y, left in known],
        ),
        Group(
            "curve", [x for x, _ in curve["points"]], [y for _, y in curve["points"]], "line", joined=True
        ),
    ]  # fmt: skip
    yield Points("curve", "The curve", "reading, counts", "height, mm", groups)
