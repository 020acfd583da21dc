"""A scripted nose: heights, switches and engine speed over time, as the inputs that a device is fed with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bench.calibration.image import read_image
from bench.errors import UserError
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records
from bench.random import Random
from bench.replay.run import UNITS_PER_EVENT
from controller.maps import Maps

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Floats = npt.NDArray[np.float64]

NOISE_MM = 0.25  # a reading that never moves is none
_BELOW_END_MM = 6 * NOISE_MM  # the nose stays so far below the last height that the window lets through
_PROGRESS_MS = 1000  # where the maps go by time: about when a step looks at them
RISE_MM_PER_S = 150.0  # a nose lifted by hand
FALL_MM_PER_S = 1000.0  # and let down: quicker than any hold ends, slower than a nose falls


class Nose:
    """Writes a script, piece by piece. Heights are in mm at the sensor; the nose begins at rest."""

    def __init__(self, calibration: CalibrationFile, seed: int = 1) -> None:
        self.calibration = calibration
        self.rest = calibration.number("rest") / 16
        window = [calibration.number(name) for name in ("window_low", "window_high")]
        self.top = float(calibration.counts_to_height(window).max()) - _BELOW_END_MM
        self._random = Random(seed)
        self._at = self.rest
        self._heights: list[Floats] = []
        self._switches: list[int] = []
        self._lengths: list[int] = []
        self._lost: list[bool] = []
        self._engine: list[int] = []
        self._request: list[int] = []

    def ticks(self, ms: float) -> int:
        """So many ticks, one at least."""
        return max(1, round(ms * 1000 / self.calibration.tick_us))

    def stay(
        self,
        ms: float,
        *,
        armed: bool = False,
        launch: bool = False,
        plugged: bool = True,
        engine: int = 0,
        request: int = 0,
    ) -> None:
        """Stay for so long; an unplugged sensor reads 0 counts or, where that is a height, its greatest."""
        self._move(np.full(self.ticks(ms), self._at), armed, launch, plugged, engine, request)

    def go(self, to_mm: float, mm_per_s: float = RISE_MM_PER_S, *, armed: bool, launch: bool) -> None:
        """Move evenly to a height."""
        ticks = self.ticks(1000 * abs(to_mm - self._at) / mm_per_s)
        self._move(np.linspace(self._at, to_mm, ticks + 1)[1:], armed, launch, True, 0, 0)
        self._at = to_mm

    def _move(
        self, heights: Floats, armed: bool, launch: bool, plugged: bool, engine: int, request: int
    ) -> None:
        self._heights.append(heights)
        self._lengths.append(len(heights))
        self._switches.append(SPEED_VALID | (ARMED if armed else 0) | (LAUNCH if launch else 0))
        self._lost.append(not plugged)
        self._engine.append(engine)
        self._request.append(request)

    def records(self) -> Records:
        """INPUT records of all that was written."""
        cal = self.calibration
        heights = np.concatenate(self._heights)
        noise = np.array([NOISE_MM * self._random.normal() for _ in heights])
        counts = np.clip(np.floor(cal.height_to_counts(heights + noise) + 0.5), 0, cal.number("adc_max"))
        lost = np.repeat(self._lost, self._lengths)
        counts[lost] = 0 if cal.number("window_low") > 0 else cal.number("adc_max")
        records = np.zeros(len(heights), INPUT)
        records["counts"] = counts
        records["switches"] = np.repeat(self._switches, self._lengths)
        records["engine"] = np.repeat(self._engine, self._lengths)
        records["request_reduction"] = np.repeat(self._request, self._lengths)
        records["request_reason"] = np.where(records["request_reduction"] > 0, 16, 0)
        turned = np.cumsum(records["engine"].astype(np.int64) * (cal.number("cylinders") * cal.tick_us))
        records["events"] = np.diff(turned // UNITS_PER_EVENT, prepend=0)
        return records

    def height_for(self, share: float) -> float:
        """The least height at which the maps ask for this share of the most that they ask for below the top.

        UserError where they ask for nothing there.
        """
        maps = maps_of(self.calibration)
        heights = np.arange(self.rest, self.top, 0.5)
        asked = np.array([_reduction(maps, self.calibration, mm) for mm in heights])
        most = asked.max(initial=0)
        if most < max(self.calibration.number("trigger"), 1) + 5:
            what = f"on a standing car nothing is cut below {self.top:.0f} mm, where the sensor ends"
            where = f"{self.calibration.path}: ceilings"
            raise UserError(what, where, "lower ceilings at the first speed, or a sensor that sees further")
        return float(heights[int(np.argmax(asked >= share * most))])


def _reduction(maps: Maps, calibration: CalibrationFile, mm: float) -> int:
    progress = _PROGRESS_MS if calibration.number("progress_axis_kind") else 0
    maps.look(round(float(calibration.lift_of_height_mm(mm)) * 16), progress)
    return maps.reduction


def maps_of(calibration: CalibrationFile) -> Maps:
    """The reference's maps of a calibration."""
    return Maps(read_image(calibration.image))


def settle_ms(calibration: CalibrationFile) -> float:
    """How long at most until nothing is taken any more: hold, release and the disarm time, ms."""
    hold = calibration.number("hold_ticks")
    most = {
        "release_q16": int(calibration.map_cells("reduction_map").max()),
        "retard_release_q16": int(calibration.map_cells("retard_map").max()),
    }
    rates = {name: calibration.number(name) for name in most}
    release = max((most[name] * 65536 / rate for name, rate in rates.items() if rate), default=0.0)
    return (hold + release + calibration.number("disarm_ticks")) * calibration.tick_us / 1000 + 100
