"""What the replay tests share: calibrations from compiled values, and traces written as CSV."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from bench.calibration import CalibrationFile
from bench.calibration.builder import Built
from bench.calibration.image import pack, unpack
from controller.constants import AXIS_POINTS
from tests.support import values

_POINTS = {
    **dict.fromkeys(("sensor_counts", "sensor_height"), "sensor_points"),
    **dict.fromkeys(("run_ms", "run_speed"), "run_points"),
    **dict.fromkeys(("engine_ms", "engine_rpm"), "engine_points"),
    **dict.fromkeys(("shaft_ms", "shaft_rpm"), "shaft_points"),
    **dict.fromkeys(("engine_over_rpm", "engine_reduction", "engine_retard"), "engine_line_points"),
    **dict.fromkeys(("shaft_over_rpm", "shaft_reduction", "shaft_retard"), "shaft_line_points"),
    "lift_axis": "lift_points",
    "progress_axis": "progress_points",
    "firing_order": "cylinders",
}


def compiled(**changes: int | list[int]) -> CalibrationFile:
    """The plain calibration of tests.support with some compiled values changed, as if read from a file."""
    image = pack(values(**changes))
    plain = unpack(image)
    for name, points in _POINTS.items():
        row, count = plain[name], plain[points]
        assert isinstance(row, list)
        assert isinstance(count, int)
        plain[name] = row[:count]
    for name in ("reduction_map", "retard_map"):
        cells, rows = plain[name], plain["lift_points"]
        assert isinstance(cells, list)
        assert isinstance(rows, int)
        plain[name] = cells[: rows * AXIS_POINTS]
    crc = int.from_bytes(image[8:12], "little")
    return CalibrationFile(Path("plain.toml"), "", "", image, crc, plain, [], [], [], Built())


def write_trace(path: Path, header: str, rows: Sequence[Sequence[object]]) -> Path:
    """A CSV file with these rows; no header line where `header` is empty."""
    lines = ([header] if header else []) + [",".join(str(cell) for cell in row) for row in rows]
    path.write_text("\n".join(lines) + "\n")
    return path


# A small calibration as a person would write it: a sensor with a reading each millisecond over 0 to 500 mm.
FILE = """\
[car]
droop_mm = 60
[sensor]
adc_max_counts = 4095
reference_v = 5.0
window_counts = [40, 4055]
curve_counts = [0, 4095]
curve_height_mm = [0, 500]
rest_height_mm = 130
axle_gain = 1
period_ms = 1
noise_mm = 3
fastest_mm_per_ms = 5
confirm_ms = 20
heal_ms = 50
near_end_mm = 25
[filter]
median_samples = 3
time_constant_ms = 4
[progress]
by = "speed"
speed_from = "car"
rise_kmh_per_s = 300
fall_kmh_per_s = 50
largest_step_kmh = 20
[progress.expected]
elapsed_ms = [0, 5000]
speed_kmh = [0, 250]
[ceilings]
speed_kmh = [0, 250]
retard_from_mm = [80, 80]
reduction_from_mm = [120, 120]
reduction_full_mm = [250, 250]
greatest_reduction_percent = 60
greatest_retard_deg = 12
[latch]
trigger_percent = 2
trigger_hysteresis_percent = 1
hold_ms = 300
hold_from = "peak"
release_percent_per_s = 400
[latch.retard]
follows_map = false
trigger_deg = 1
trigger_hysteresis_deg = 0.5
release_deg_per_s = 60
[engine_ceiling]
elapsed_ms = [0, 3000]
speed_rpm = [8500, 8500]
after_end = "hold"
before_launch = false
hysteresis_rpm = 50
over_rpm = [0, 400]
reduction_percent = [5, 50]
retard_deg = [2, 10]
release_percent_per_s = 300
release_deg_per_s = 100
[limits]
reduction_percent = 75
retard_deg = 15
[cylinders]
count = 8
firing_order = [1, 8, 4, 3, 6, 5, 7, 2]
skips = "both"
"""

# The same car, seen by a sensor with 50 readings a second about a rest height of 250 mm, by time.
SLOW_FILE = """\
[sensor]
adc_max_counts = 4095
window_counts = [40, 4055]
curve_counts = [0, 4095]
curve_height_mm = [0, 500]
rest_height_mm = 250
axle_gain = 1
period_ms = 20
noise_mm = 3
fastest_mm_per_ms = 1
confirm_ms = 100
heal_ms = 200
near_end_mm = 65
[filter]
median_samples = 1
time_constant_ms = 20
[progress]
by = "time"
[ceilings]
elapsed_ms = [0, 40000]
retard_from_mm = [30, 30]
reduction_from_mm = [50, 50]
reduction_full_mm = [120, 120]
greatest_reduction_percent = 60
greatest_retard_deg = 12
[latch]
hold_ms = 300
hold_from = "peak"
release = "step"
[latch.retard]
follows_map = true
release_deg_per_s = 60
[limits]
reduction_percent = 75
retard_deg = 15
[cylinders]
count = 8
firing_order = [1, 8, 4, 3, 6, 5, 7, 2]
skips = "both"
"""


def flight(seconds: float = 4.0, top_mm: float = 230.0) -> list[tuple[float, float, float, float]]:
    """Rows (time s, height mm, speed km/h, engine rpm) at 1 ms: launch at 1 s, one flight from 1.4 to 2.6 s,
    an engine that runs past 8500 rpm near the end."""
    rows = []
    for i in range(round(seconds * 1000)):
        t = i / 1000
        run = max(0.0, t - 1.0)
        phase = min(max((run - 0.4) / 1.2, 0.0), 1.0)
        height = 130 + top_mm * math.sin(math.pi * phase) ** 2
        rows.append((t, round(height, 3), round(90 * run, 3), round(4500 + 1600 * run)))
    return rows
