"""The figures of a run that the book compares: lift, flights, landing, torque taken, times, sensor health."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.replay.codes import OUT_OF_SERVICE
from bench.trace.spans import spans
from bench.vehicle.results import FOOT, MARKS_FT
from controller import constants as c

if TYPE_CHECKING:
    from bench.replay.findings import Findings, Replay

FILE = "figures.json"
_LANDING_S = 0.040  # of the way down before the wheels are on the ground again
_STOOD_S = 2.0

Floats = npt.NDArray[np.float64]


def figures(s: Replay, found: Findings) -> dict[str, Any]:
    """The figures of the first launch of a replay, as plain values; None where there is no launch or nothing
    to tell one from."""
    if not found.launches:
        return {"launches": 0}
    launch = found.launches[0]
    start, stop = launch.tick, launch.end_tick
    lifts = [one for one in found.lifts if one.launch == 1]
    lift = s.ticks["lift"][start:stop] / 16
    landings = [_landing(lift, one.tick - start, one.in_air_s, s.tick_s) for one in lifts if not one.open_end]
    return {
        "launches": len(found.launches),
        "run_s": launch.run_s,
        "peak_lift_mm": round(launch.greatest_lift_mm, 1),
        "beyond_sensor": any(one.beyond for one in lifts),
        "flights": len(lifts),
        "in_air_s": round(sum(one.in_air_s for one in lifts), 3),
        "landing_m_per_s": round(max(landings), 2) if landings else None,
        "up_at_end": any(one.open_end for one in lifts),
        "torque_time_s": round(launch.full_cut_s, 3),
        "interventions": sum(one.launch == 1 for one in found.interventions),
        "reasons": sorted({one.reason for one in found.interventions if one.launch == 1}),
        "by_log_s": _times(s, start, stop),
        "sensor": _health(s, found, start, stop),
    }


def _landing(lift: Floats, first: int, lasts_s: float, tick_s: float) -> float:
    """How fast the nose comes down at the end of a flight, m/s: a straight line through the last moments."""
    end = first + round(lasts_s / tick_s)
    size = max(3, round(_LANDING_S / tick_s))
    part = lift[max(0, end - size) : end]
    if len(part) < 3:
        return 0.0
    slope = float(np.polyfit(np.arange(len(part)) * tick_s, part, 1)[0])
    return max(0.0, -slope / 1000)


def _times(s: Replay, start: int, stop: int) -> dict[str, float]:
    """The times to the marks by the log's road speed, s: from one foot on, about as far as a car rolls in the
    beam before a strip's clock starts (common practice, no source)."""
    speed = s.inputs.arrays["speed"][start:stop] / 36  # m/s
    valid = s.inputs.arrays["speed_valid"][start:stop] != 0
    if not valid.any():
        return {}
    way = np.cumsum(np.where(valid, speed, 0.0)) * s.tick_s
    first = int(np.searchsorted(way, FOOT))
    passed = {feet: int(np.searchsorted(way, (1 + feet) * FOOT)) for feet in MARKS_FT}
    return {
        str(feet): round((tick - first) * s.tick_s, 3) for feet, tick in passed.items() if tick < len(way)
    }


def _health(s: Replay, found: Findings, start: int, stop: int) -> dict[str, Any]:
    """What the height sensor was like: noise of the standing car (mm, one standard deviation), rest height,
    readings not used in the run, as a share, and how often and how long it was lost."""
    before = slice(max(0, start - round(_STOOD_S / s.tick_s)), start)
    height = np.asarray(s.calibration.counts_to_height(s.inputs.arrays["counts"][before]), dtype=np.float64)
    lost = s.inputs.lost[before]
    stood = height[~lost]
    noise = None
    if len(stood) >= 50:
        at = np.arange(len(stood), dtype=np.float64)
        left = stood - np.polyval(np.polyfit(at, stood, 1), at)  # a drift is no noise
        noise = round(float(1.4826 * np.median(np.abs(left))), 2)
    gone = s.bit(OUT_OF_SERVICE, slice(start, stop)) | s.inputs.lost[start:stop]
    return {
        "noise_mm": noise,
        "rest_mm": found.launches[0].rest_mm,
        "unused_share": round(float(s.bit(c.FAULT_UNUSED, slice(start, stop)).mean()), 5),
        "dropouts": len(spans(gone)),
        "lost_s": s.seconds(gone),
    }
