"""What a tuner would write with numpy and scipy for the same job, in floats, with no claim to exactness.

It has the sensor's curve, lost samples, median, low-pass, look-ahead, both maps and latches; it leaves out
the rules for a sensor that fails, other requests and cylinder events. It is only here to be measured against.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import RegularGridInterpolator
from scipy.signal import lfilter, medfilt

from bench.calibration.image import Values
from controller.constants import AXIS_POINTS

Floats = npt.NDArray[np.float64]


def run_script(values: Values, inputs: Mapping[str, npt.NDArray[Any]]) -> tuple[Floats, Floats]:
    """Reduction (0.1 %) and retard (0.1 degree) of each tick."""
    v: dict[str, Any] = dict(values)
    counts = inputs["counts"].astype(np.float64)
    points = v["sensor_points"]
    height = np.interp(counts, v["sensor_counts"][:points], v["sensor_height"][:points])

    # A lost sample keeps the height of the last good one.
    good = (counts >= v["window_low"]) & (counts <= v["window_high"])
    latest = np.maximum.accumulate(np.where(good, np.arange(len(counts)), 0))
    lift = (height[latest] - v["rest"]) * v["gain_q12"] / 4096
    share = v["lowpass_q12"] / 4096
    lift = lfilter([share], [1, share - 1], medfilt(lift, v["median_samples"]))

    # Look-ahead: mm/s, then 1/16 mm ahead.
    share = v["look_lowpass_q12"] / 4096
    speed = lfilter([share], [1, share - 1], np.gradient(lift)) / 16 * 1e6 / v["tick_us"]
    ahead = np.where(speed > 0, v["look_rising_q12"], v["look_falling_q12"]) / 4096
    entry = lift + speed * ahead

    rows, columns = v["lift_points"], v["progress_points"]
    axes = (np.array(v["lift_axis"][:rows]), np.array(v["progress_axis"][:columns]))
    place = np.stack(
        (np.clip(entry, axes[0][0], axes[0][-1]), np.clip(inputs["speed"], axes[1][0], axes[1][-1]))
    )
    active = (inputs["armed"] > 0) & (inputs["launch"] > 0)
    results = []
    for name, trigger, release in (
        ("reduction_map", "trigger", "release_q16"),
        ("retard_map", "retard_trigger", "retard_release_q16"),
    ):
        table = np.array(v[name], dtype=np.float64).reshape(AXIS_POINTS, AXIS_POINTS)[:rows, :columns]
        demand = RegularGridInterpolator(axes, table)(place.T)
        demand[~active | (demand < v[trigger])] = 0
        results.append(_latch(demand, v["hold_ticks"], v[release] / 65536))
    return results[0], results[1]


def _latch(demand: Floats, hold: int, release: float) -> Floats:
    """Keep the greatest demand for the hold, then let it fall."""
    output = np.empty_like(demand)
    value, left = 0.0, 0
    for i, wanted in enumerate(demand):
        if wanted >= value:
            value, left = wanted, hold
        elif left > 0:
            left -= 1
        else:
            value = max(wanted, value - release if release else 0.0)
        output[i] = value
    return output
