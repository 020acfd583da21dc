"""What the replay tests share: calibrations from compiled values, and traces written as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bench.calibration import CalibrationFile
from bench.calibration.build import Built
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
