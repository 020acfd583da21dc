"""The maps of a calibration as tables: plain numbers, and below each how long a run was there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from bench.document.blocks import Map

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

TITLES = {"reduction_map": "Cut, % of the cylinder events", "retard_map": "Retard, °"}
_LEAST_MS = 5  # what is shorter is not written into a cell
_NOTE = (
    "Below each number: how long the run was in the cell with the lift that look-ahead expects, and after −"
    " how much of that at full torque was taken. The line is the run's way over the cells."
)


def has_maps(calibration: CalibrationFile) -> bool:
    """Whether its file gives maps rather than ceilings."""
    return calibration.built.ceilings_mm is None


def maps(calibration: CalibrationFile, name: str, cells: Mapping[str, Any] | None) -> Iterator[Map]:
    """Both maps in the file's units; `cells` is what bench.replay.cells says of a run, None for none."""
    built = calibration.built
    lifts = [v / 16 / built.lift_size for v in calibration.row("lift_axis")]
    scale = calibration.progress_step
    points = [v * scale for v in calibration.row("progress_axis")]
    below = _below(cells) if cells else ()
    way = {"lifts": lifts, "points": points, "p": cells["p"], "v": cells["v"]} if cells else None
    for key, title in TITLES.items():
        yield Map(
            f"{name}-{key.removesuffix('_map')}", title, f"lift, {built.lift_sign}", built.progress_sign,
            [plain(v) for v in lifts], [plain(v) for v in points],
            [[plain(v / 10) for v in row] for row in calibration.map_cells(key).tolist()],
            below, way, _NOTE if cells else "",
        )  # fmt: skip


def plain(value: float) -> str:
    """A number of a map as a person writes it."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _below(cells: Mapping[str, Any]) -> list[list[str]]:
    return [
        [_stay(there, taken) for there, taken in zip(*rows, strict=True)]
        for rows in zip(cells["ms"], cells["taken_ms"], strict=True)
    ]


def _stay(there_ms: float, taken_ms: float) -> str:
    if there_ms <= _LEAST_MS:
        return ""
    taken = f" −{taken_ms / 1000:.2f}" if taken_ms > _LEAST_MS else ""
    return f"{there_ms / 1000:.2f} s{taken}"
