"""What a speed really is: the road's, or one of the drive shaft or a front wheel that was taken for it."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from bench.trace.spans import spans

Floats = npt.NDArray[np.float64]

SHAFT_NOISE = 3.0  # m/s: what a shaft's speed may be off by where tyres spin
_AIR_MM, _AIR_S = 100.0, 0.25  # of lift, and how long: less tells nothing
_COASTS = 0.2  # times the acceleration before
_EARLY_S, _LATE_S = (0.15, 0.8), 1.0  # tyres slip much in the one, and little in the last part of a run
_LEAST_KMH = 5.0
_FASTEST = 60.0  # m/s2: a car that is driven by its tyres has never reached it (common knowledge, no source)
_SAME = 0.01  # of the ratio: slip alone changes it by more


def source(
    time: Floats, speed: Floats, lift_mm: Floats, shaft_rpm: Floats | None
) -> Literal["road", "shaft", "front"]:
    """What the speed (m/s) is, float64[n] each, NaN where unknown; `shaft_rpm` None where it was not
    logged."""
    if _spins(time, speed) or (shaft_rpm is not None and _turns_with(time, speed, shaft_rpm)):
        return "shaft"
    return "front" if _coasts(time, speed, lift_mm) else "road"


def _spins(time: Floats, speed: Floats) -> bool:
    """Whether it rises faster than any car on wheels."""
    with np.errstate(invalid="ignore"):
        return bool(np.count_nonzero(speed > _FASTEST * np.maximum(time, 0.2)) > 3)


def _coasts(time: Floats, speed: Floats, lift_mm: Floats) -> bool:
    """Whether it stops rising while the front wheels are high in the air."""
    for first, last in spans(lift_mm > _AIR_MM):
        inside = np.flatnonzero(np.isfinite(speed[first:last])) + first
        if len(inside) < 4 or time[inside[-1]] - time[inside[0]] < _AIR_S or time[inside[0]] <= 0:
            continue
        before = speed[inside[0]] / time[inside[0]]
        in_air = np.polyfit(time[inside], speed[inside], 1)[0]
        if before > 0 and in_air < _COASTS * before:
            return True
    return False


def _turns_with(time: Floats, speed: Floats, shaft_rpm: Floats) -> bool:
    """Whether it is one share of the shaft's speed all along: tyres under power slip more at first."""
    known = np.isfinite(speed) & np.isfinite(shaft_rpm) & (speed * 3.6 > _LEAST_KMH) & (shaft_rpm > 0)
    early = known & (time >= _EARLY_S[0]) & (time <= _EARLY_S[1])
    late = known & (time >= time[-1] - _LATE_S) & (time > _EARLY_S[1] + _LATE_S)
    if min(np.count_nonzero(early), np.count_nonzero(late)) < 8:
        return False
    first, then = (float(np.median(speed[part] / shaft_rpm[part])) for part in (early, late))
    return abs(first / then - 1) < _SAME
