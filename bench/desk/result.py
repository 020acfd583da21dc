"""What a setting does, as the page draws it: the replayed run, and the predicted one where there is a car.

Everything is worked out by the same replay and the same model of the car as the commands use; the page only
draws. The paths behind the ceilings have ms since the launch shown, lifts in mm, progress in the ceilings'
own unit.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.desk.runs import Laid, laid_over
from bench.desk.source import Source
from bench.desk.words import on_page
from bench.document.message import message, thinned
from bench.document.window import AFTER_S, LEAST_S
from bench.replay.cells import cells
from bench.replay.figure import live
from bench.replay.figure_data import window
from bench.replay.findings import Findings, Launch, Replay, find
from bench.replay.key_figures import key_figures
from bench.replay.logged import Tolerance
from bench.replay.logged_agreement import delay_text, logged_facts
from bench.replay.logged_figure import disagrees
from bench.replay.readiness import LOUD, out_of_service, readiness
from bench.replay.remarks import make_remarks
from bench.vehicle.document import beside
from bench.vehicle.facts import figures_of
from bench.vehicle.figure import live as live_drive
from bench.vehicle.harm import harm, of_run
from bench.vehicle.results import Outcome, seen_in

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_ROUND_S = 0.5  # the time axis ends at a multiple of this, so that it stands still while a handle moves
_LOUD = ("no_launch", *LOUD)  # remarks that nobody may overlook
_HARM_FT = 660  # where the model's times are set side by side
_MOST_APART = 20  # stretches in which a log and the replay differ
_LONGEST_S = 8.0  # of a predicted run
_FIGURES = ("cut", "back", "interventions", "taken", "retard", "changes", "left", "car", "lift")


@dataclass(frozen=True)
class View:
    """Which launch is shown (from 1; 0 where there is none), and whether to the end of its run."""

    launch: int = 1
    whole: bool = False


def work_out(
    source: Source,
    cal: CalibrationFile,
    view: View,
    present: CalibrationFile | None = None,
    others: tuple[Laid, ...] = (),
) -> dict[str, Any]:
    """The picture of a calibration, as plain values for JSON; `present` is that of the file, which the model
    is told to be worse than; `others` are runs that lie over this one, aligned at their launch."""
    s = source.replay(cal)
    found = find(s)
    number = min(max(view.launch, 1), len(found.launches))
    launch = found.launches[number - 1] if found.launches else None
    bounds = _window(s, found, launch, view.whole)
    remarks = [(one.code in _LOUD, on_page(one.text)) for one in make_remarks(s, found)]
    first, stop, zero = bounds
    figures = {one.key: asdict(one) for one in key_figures(s, found, launch)}
    predicted = _predicted(source, cal, present)
    return {
        "image_crc32": f"{cal.crc:08x}",
        "tick_ms": cal.tick_us / 1000,
        "launches": [{"number": one.number, "time_s": one.time_s} for one in found.launches],
        "launch": number,
        "whole": view.whole,
        "strip": message(live(s, bounds)),
        "others": laid_over(others, cal, (first - zero) * s.tick_s, (stop - zero) * s.tick_s),
        "apart": _apart(s, launch, bounds),
        "path": _path(s, launch, bounds),
        "ceilings": ceilings(cal),
        "cells": None if cal.built.ceilings_mm is not None else _cells(s, launch, bounds),
        "figures": [figures[key] for key in _FIGURES if key in figures],
        "out_of_service": launch is not None
        and out_of_service(s.ticks["faults"][launch.tick : launch.end_tick]),
        "loud": [*(predicted or {}).get("harm", []), *(text for loud, text in remarks if loud)],
        "looks": [*(predicted or {}).get("readiness", []), *(text for loud, text in remarks if not loud)],
        "warnings": list(cal.warnings),
        "notes": [on_page(text) for text in (*source.trace.notes, *s.inputs.notes)],
        "predicted": predicted,
    }


def _apart(s: Replay, launch: Launch | None, bounds: tuple[int, int, int]) -> dict[str, Any] | None:
    """Where the car's own controller did otherwise than the replay, in seconds of the picture's axis, and by
    how much; None for a run that has no log of it."""
    logged = logged_facts(s, Tolerance())
    if logged is None:
        return None
    number = launch.number if launch else None
    _, stop, zero = bounds
    mine = [one for one in logged["stretches"] if one["launch"] == number]
    return {
        "delay": delay_text(logged),
        "stretches": [
            {
                "from": round((one["tick"] - zero) * s.tick_s, 6),
                "to": round((one["tick"] - zero) * s.tick_s + one["duration_s"], 6),
                "text": disagrees(one),
                "reason": one["reason"],
                "logged_reason": one["logged_reason"] or "",
            }
            for one in mine[:_MOST_APART]
            if one["tick"] < stop
        ],
        "in_all": len(mine),
    }


def _cells(s: Replay, launch: Launch | None, bounds: tuple[int, int, int]) -> dict[str, Any]:
    return cells(s, launch.tick if launch else bounds[0], bounds[1])


def ceilings(cal: CalibrationFile) -> dict[str, Any]:
    """The ceilings, given or read off the maps: progress in the file's unit and lifts in mm (None where a
    map never cuts)."""
    lines = cal.ceilings
    off = cal.built.map_off
    return {
        "progress": _plain(lines.progress / cal.built.progress_size),
        "retard_from": _plain(lines.retard_from),
        "reduction_from": _plain(lines.reduction_from),
        "reduction_full": _plain(lines.full),
        "given": cal.built.ceilings_mm is not None,
        "off_percent": None if off is None else round(100 * off.off, 1),
        "sensor_end_mm": round(cal.far_lift_mm, 1),
    }


def _plain(values: npt.NDArray[np.float64]) -> list[float | None]:
    return [None if math.isnan(v) else round(v, 3) for v in values.tolist()]


def _window(s: Replay, found: Findings, launch: Launch | None, whole: bool) -> tuple[int, int, int]:
    """The ticks drawn, [first, last), and the tick from which time counts."""
    if launch is None:
        return 0, s.run.n, s.inputs.lead
    first, stop = window(s, found, launch)
    if whole:
        return first, launch.end_tick, launch.tick
    shown_s = math.ceil((stop - launch.tick) * s.tick_s / _ROUND_S) * _ROUND_S
    return first, min(launch.end_tick, launch.tick + round(shown_s / s.tick_s)), launch.tick


def _path(s: Replay, launch: Launch | None, bounds: tuple[int, int, int]) -> dict[str, Any]:
    """The run's own lift over progress, as it lies behind the ceilings, and whether torque was taken."""
    first, stop, zero = bounds
    start = launch.tick if launch else first
    kept = start + thinned(s.ticks["lift"][start:stop])
    scale = 1.0 if s.calibration.progress_unit == "ms" else 0.1
    progress = s.ticks["progress"][kept] * scale / s.calibration.built.progress_size
    return {
        "t": np.round((kept - zero) * s.tick_s * 1000, 1).tolist(),
        "p": np.round(progress, 2).tolist(),
        "v": np.round(s.ticks["lift"][kept] / 16, 1).tolist(),
        "cut": (s.ticks["reduction"][kept] > 0).astype(int).tolist(),
    }


def _predicted(
    source: Source, cal: CalibrationFile, present: CalibrationFile | None
) -> dict[str, Any] | None:
    if source.vehicle is None:
        return None
    driven = source.predict(cal)
    if isinstance(driven, str):
        return {"why_not": driven}
    without, controlled = driven
    until = _until(without, controlled)
    others = [of_run("no control", without, _HARM_FT)]
    if present is not None and present.image != cal.image:
        others.insert(0, of_run("the calibration of the file", source.present(present), _HARM_FT))
    worse = harm(of_run("this setting", controlled, _HARM_FT), others)
    return {
        "harm": [f"In the model: {text}" for text in worse],
        "strip": message(live_drive(without, controlled, until)),
        "path": _driven(controlled, cal, until),
        "rows": beside(figures_of(without), figures_of(controlled)),
        "readiness": [one.text for one in readiness(seen_in(controlled), cal, "Predicted run")],
    }


def _until(*outcomes: Outcome) -> float:
    """Where the picture ends: shortly after the last landing, in seconds."""
    ends = [LEAST_S]
    for outcome in outcomes:
        flying = np.flatnonzero(outcome.columns["gap"] > 0)
        if len(flying):
            ends.append(float(outcome.columns["time"][flying[-1]]) + AFTER_S)
    return min(math.ceil(max(ends) / _ROUND_S) * _ROUND_S, _LONGEST_S)


def _driven(outcome: Outcome, cal: CalibrationFile, until_s: float) -> dict[str, Any]:
    """The predicted lift over progress, as _path gives the replayed one."""
    columns = outcome.columns
    time = columns["time"] * 1000
    inside = (time >= -1e-6) & (time <= 1000 * until_s)
    lift = columns["lift"][inside] * 1000
    kept = thinned(lift)
    time = time[inside]
    by_time = cal.progress_unit == "ms"
    progress = time if by_time else columns["velocity"][inside] * 3.6
    return {
        "t": np.round(time[kept], 1).tolist(),
        "v": np.round(lift[kept], 1).tolist(),
        "p": np.round(progress[kept] / cal.built.progress_size, 2).tolist(),
        "cut": (columns["reduction"][inside][kept] > 0).astype(int).tolist(),
    }
