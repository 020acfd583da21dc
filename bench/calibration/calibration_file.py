"""A compiled calibration as the rest of the bench uses it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench.calibration.builder import Built
from bench.calibration.ceilings import Ceilings
from bench.calibration.image import Values, number_of, row_of
from bench.calibration.quantity import Shown
from bench.errors import UserError
from controller.constants import AXIS_POINTS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CalibrationFile:
    """One calibration: its text, its image, its compiled values, and what it means in physical units.

    `digest` is the SHA-256 of the file's bytes, `crc` that of the image; `values` are by the names of
    controller.image.FIELDS, lists without the filling of the image. `warnings` say what looks wrong with it,
    `notes` what could not be checked.
    """

    path: Path
    text: str
    digest: str
    image: bytes
    crc: int
    values: Values
    warnings: list[str]
    notes: list[str]
    shown: list[Shown]
    built: Built

    @property
    def tick_us(self) -> int:
        """The controller's tick in microseconds."""
        return self.number("tick_us")

    @property
    def progress_unit(self) -> str:
        """ "km/h" or "ms": the unit of the maps' second axis."""
        return "ms" if self.number("progress_axis_kind") else "km/h"

    @property
    def progress_step(self) -> float:
        """What one step of the controller's progress is in the unit of the file."""
        return (1.0 if self.progress_unit == "ms" else 0.1) / self.built.progress_size

    def number(self, name: str) -> int:
        """The compiled value of a field that is one number."""
        return number_of(self.values, name)

    def row(self, name: str) -> list[int]:
        """The compiled values of a field that is a list."""
        return row_of(self.values, name)

    def height_to_counts(self, mm: npt.ArrayLike) -> Floats:
        """What the sensor reads at heights in mm, in counts before quantising; held outside its range."""
        import numpy as np

        heights = np.asarray(self.row("sensor_height"), float) / 16
        counts = np.asarray(self.row("sensor_counts"), float)
        if heights[0] > heights[-1]:
            heights, counts = heights[::-1], counts[::-1]
        return _along(heights, counts, np.asarray(mm, dtype=np.float64))

    def volts_to_counts(self, volts: npt.ArrayLike) -> Floats:
        """Counts before quantising for volts at the converter: an ideal one, whose step is the reference
        divided by the number of codes (12 bits over 5 V: 1.2207 mV).

        UserError where the file does not give the reference.
        """
        import numpy as np

        if self.built.volts_to_counts is None:
            what = "the converter's reference is not given, so volts cannot become counts"
            raise UserError(what, f"{self.path}: sensor", "add reference_v")
        return np.asarray(volts, dtype=np.float64) * float(self.built.volts_to_counts)

    def counts_to_height(self, counts: npt.ArrayLike) -> Floats:
        """Height in mm for counts, by straight lines between the calibrated points, ends held."""
        import numpy as np

        heights = np.asarray(self.row("sensor_height"), float) / 16
        points = np.asarray(self.row("sensor_counts"), float)
        return _along(points, heights, np.asarray(counts, dtype=np.float64))

    def lift_of_height_mm(self, mm: npt.ArrayLike) -> Floats:
        """Lift at the front axle in mm for a height at the sensor in mm, from the calibrated rest height."""
        import numpy as np

        gain = self.number("gain_q12") / 4096
        return (np.asarray(mm, dtype=np.float64) - self.number("rest") / 16) * gain

    @property
    def far_lift_mm(self) -> float:
        """The lift at the axle at the sensor's greatest height, in mm."""
        return float(self.lift_of_height_mm(max(self.row("sensor_height")) / 16))

    def map_cells(self, name: str) -> npt.NDArray[np.int64]:
        """The compiled cells of "reduction_map" or "retard_map", int64[lifts, progress points]."""
        import numpy as np

        cells = np.asarray(self.row(name), dtype=np.int64).reshape(-1, AXIS_POINTS)
        return cells[:, : self.number("progress_points")]

    @property
    def ceilings(self) -> Ceilings:
        """The ceilings in mm over km/h or ms: as given, or read off the maps.

        From maps, per progress point: the last lift before the value leaves 0 (NaN where it never does), and
        the lift where the reduction first is at its greatest.
        """
        return self.built.ceilings_mm or _ceilings_of(self)


def _along(axis: Floats, values: Floats, at: Floats) -> Floats:
    """A broken line, ends held. Multiplies before it divides, so that half a count stays half a count."""
    import numpy as np

    i = np.clip(np.searchsorted(axis, at, side="right"), 1, len(axis) - 1)
    low, high = axis[i - 1], axis[i]
    part = np.clip(at, axis[0], axis[-1]) - low
    return np.asarray(values[i - 1] + part * (values[i] - values[i - 1]) / (high - low), dtype=np.float64)


def _ceilings_of(cal: CalibrationFile) -> Ceilings:
    import numpy as np

    lift = np.asarray(cal.row("lift_axis"), float) / 16
    scale = 1 if cal.number("progress_axis_kind") else 10
    starts = []
    for name in ("retard_map", "reduction_map"):
        cells = cal.map_cells(name)
        first = np.maximum((cells > 0).argmax(axis=0) - 1, 0)
        starts.append(np.where((cells > 0).any(axis=0), lift[first], np.nan))
    reduction = cal.map_cells("reduction_map")
    full = np.where((reduction > 0).any(axis=0), lift[reduction.argmax(axis=0)], np.nan)
    return Ceilings(np.asarray(cal.row("progress_axis"), float) / scale, starts[0], starts[1], full)
