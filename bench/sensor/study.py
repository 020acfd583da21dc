"""All recordings of a sensor together: its curve from the one with known heights, then what all show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from bench.errors import UserError
from bench.sensor import measured
from bench.sensor.curve import Curve, fit
from bench.sensor.recording import STANDS_KMH, Floats, Recording, spread, take
from bench.trace.text import plural

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.model import Trace

LEAST_LEFT_MM = 1.0  # a curve that leaves less than this is good enough


@dataclass(frozen=True)
class Known:
    """Heights that a person knows: `given` in mm, and what they are: "blocks" under the sensor, "lifts" of
    the front axle, or "distances" from the sensor to what it sees; `rest_mm` is the sensor's height over the
    ground with the car standing on it (None: as calibrated)."""

    given: tuple[float, ...]
    kind: str = "blocks"
    rest_mm: float | None = None


@dataclass(frozen=True)
class Study:
    """What the recordings show; None where they do not. `blocks` is the recording of known heights, which are
    `known_mm` at the sensor, in its order. `rest` is (mm, reading). `fastest_mm_per_s` is over all."""

    calibration: CalibrationFile
    recordings: list[Recording]
    blocks: Recording | None
    known_mm: list[float]
    curve: Curve | None
    noise: measured.Noise | None
    period_s: float | None
    rest: tuple[float, float] | None
    fastest_mm_per_s: float
    delay: measured.Delay | None

    @property
    def readings(self) -> tuple[float, float]:
        """Least and greatest good reading of all recordings."""
        good = [one.reading[one.good] for one in self.recordings]
        return min(float(one.min()) for one in good), max(float(one.max()) for one in good)

    @property
    def nothings(self) -> list[float]:
        """What it reads when it sees nothing, in counts, in each recording where it did."""
        return sorted({
            one.nothing for one in self.recordings if one.nothing is not None and one.unit == "count"
        })  # fmt: skip


def study(
    traces: Sequence[Trace], others: Sequence[Trace | None], calibration: CalibrationFile, known: Known
) -> Study:
    """Take readings and measure. `others` are the same files with the other channel as their height, where a
    delay is asked for and they have it."""
    recordings = [take(trace, calibration) for trace in traces]
    if len({one.unit for one in recordings}) > 1:
        what = "has readings of the sensor, another file has heights in mm"
        raise UserError(what, recordings[0].path, "give the same kind of channel of all")
    blocks, heights, curve = None, [], None
    if known.given:
        which = _with_heights(recordings, known)
        heights = _at_sensor(known, calibration)
        if recordings[which].unit == "count":
            curve = _curve(recordings[which], heights)
            recordings = [_by_curve(one, curve) for one in recordings]
        blocks = recordings[which]
    noise = measured.noise(recordings)
    sigma = noise.sigma_mm if noise else 0.0
    periods = [one for one in map(measured.period_s, recordings) if one is not None]
    period = float(np.median(periods)) if periods else None
    # Blocks are pushed in at once: that is no movement.
    moved = [measured.fastest_mm_per_s(one, sigma, period) for one in recordings if one is not blocks]
    delay = _delay(recordings, [take(trace, calibration) if trace else None for trace in others])
    rest = _rest(recordings, blocks)
    return Study(
        calibration, recordings, blocks, heights, curve, noise, period, rest, max(moved, default=0.0), delay
    )


def _with_heights(recordings: Sequence[Recording], known: Known) -> int:
    """The number of the recording that has as many plateaus as there are heights."""
    many = len(known.given)
    found = [i for i, one in enumerate(recordings) if len(one.plateaus) == many]
    if len(found) == 1:
        return found[0]
    if found:
        names = ", ".join(recordings[i].path.name for i in found)
        raise UserError(f"fit several recordings: {names}", "--heights", "give the recordings one by one")
    one = max(recordings, key=lambda one: len(one.plateaus))
    stood = ", ".join(f"{p.height_mm:.0f} mm from {one.time_s[p.start]:.1f} s" for p in one.plateaus[:12])
    what = f"{plural(many, 'height')} given, {plural(len(one.plateaus), 'plateau')} found ({stood})"
    right = "a height for each plateau, in their order; hold each for a second, and move on quickly"
    raise UserError(what, f"{one.path}: --heights", right)


def _at_sensor(known: Known, calibration: CalibrationFile) -> list[float]:
    """The known heights as the sensor's height over what it sees, mm."""
    rest = calibration.number("rest") / 16 if known.rest_mm is None else known.rest_mm
    if known.kind == "blocks":
        return [rest - mm for mm in known.given]
    if known.kind == "lifts":
        gain = calibration.number("gain_q12") / 4096
        return [rest + mm / gain for mm in known.given]
    return list(known.given)


def _curve(blocks: Recording, heights: Sequence[float]) -> Curve:
    readings = np.array([one.reading for one in blocks.plateaus])
    order = np.argsort(readings)
    steps = np.diff(np.array(heights)[order])
    if len(set(readings.tolist())) < len(readings) or not ((steps > 0).all() or (steps < 0).all()):
        pairs = ", ".join(f"{mm:g} mm: {x:.0f}" for mm, x in zip(heights, readings, strict=True))
        what = f"the readings do not go one way with the heights ({pairs})"
        raise UserError(what, f"{blocks.path}: --heights", "the heights in the order of the plateaus")
    sigmas = [spread(blocks.height_mm[one.start : one.stop])[0] for one in blocks.plateaus]
    within = max(LEAST_LEFT_MM, float(np.median(sigmas)))
    return fit(readings, np.array(heights, dtype=np.float64), within)


def _by_curve(one: Recording, curve: Curve) -> Recording:
    """A recording whose heights are those of a new curve, which goes on straight beyond its ends: noise at an
    end is noise all the same."""
    height = along(curve, one.reading)
    plateaus = [replace(p, height_mm=float(along(curve, np.array([p.reading]))[0])) for p in one.plateaus]
    return replace(one, height_mm=height, plateaus=plateaus)


def along(curve: Curve, reading: Floats) -> Floats:
    """Heights in mm of readings[n]; beyond the curve's ends its outer pieces go on."""
    x, y = curve.readings, curve.heights
    i = np.clip(np.searchsorted(x, reading, side="right"), 1, len(x) - 1)
    return np.asarray(y[i - 1] + (reading - x[i - 1]) * (y[i] - y[i - 1]) / (x[i] - x[i - 1]))


def _rest(recordings: Sequence[Recording], blocks: Recording | None) -> tuple[float, float] | None:
    """From recordings of a car that only stands; else from where a run began."""
    found = [one.plateaus[0] for one in recordings if one.stands and one is not blocks]
    if not found:
        for one in recordings:
            begun = one.plateaus[0] if one.plateaus else None
            if begun is not None and (one.speed_kmh[begun.start : begun.stop] <= STANDS_KMH).all():
                found.append(begun)
    if not found:
        return None
    return float(np.mean([p.height_mm for p in found])), float(np.mean([p.reading for p in found]))


def _delay(recordings: Sequence[Recording], others: Sequence[Recording | None]) -> measured.Delay | None:
    """Of the recording in which both move most alike."""
    found = [measured.delay(mine, its) for mine, its in zip(recordings, others, strict=False) if its]
    return max((one for one in found if one), key=lambda one: abs(one.correlation), default=None)
