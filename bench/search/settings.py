"""The few numbers that a search moves, and the calibration that they make."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.calibration import CalibrationMistakes, compile_text
from bench.calibration.rewrite import Rewriter
from bench.errors import UserError
from bench.search.wishes import KEYS, LOOKS, Wishes

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

Values = tuple[int, ...]

STEP_FROM = 2500  # %/s; a release this fast is written as one step
_LOOKS = (200, 300)  # ms
_LEAST_HOLD_MS = 20  # with look-ahead: without a hold a noisy sensor makes hundreds of reversals
_FIRST_HOLD_MS = 40
# The first numbers of a start with look-ahead; see traces/demo.toml, which gives the reason of each.
_CUT_FROM_SHARE = 0.92  # of the lift where the sensor ends: there the cut starts
_FALL_SHARE = 0.4  # of that lift
_FIRST_REDUCTION = 50  # %
_RISE_MM_PER_MS = 0.7  # of a nose on its way up
_SMOOTH_MS = 30  # for a sensor with more than 3 mm of noise
_FALL_MM = 120
# Where a key of KEYS alone stands in a file; what is fixed is left there as it is written.
_ALONE = {
    "greatest_reduction_percent": ("ceilings.greatest_reduction_percent",),
    "hold_ms": ("latch.hold_ms",),
    "release_percent_per_s": ("latch.release", "latch.release_percent_per_s"),
    "look_rising_ms": ("look_ahead.rising_ms",),
    "look_falling_ms": ("look_ahead.falling_ms",),
    "look_time_ms": ("look_ahead.time_constant_ms",),
}
_LINES = ("ceilings.reduction_from_mm", "ceilings.retard_from_mm", "ceilings.reduction_full_mm")
_FLOOR_MM = 60  # the lowest lift at which a cut may start where the file does not say how far the wheels hang


@dataclass(frozen=True)
class Setting:
    """One number that is sought: what it is, its unit, and its range. `fine`: sought the more finely the
    lower it is. Values are multiples of `step`."""

    key: str
    words: str
    unit: str
    low: int
    high: int
    step: int = 1
    fine: bool = False

    def value(self, share: float) -> int:
        """The value at a share (0 to 1) of the range."""
        exact = self.low + (self.high - self.low) * (share * share if self.fine else share)
        return min(self.high, max(self.low, self.step * math.floor(exact / self.step + 0.5)))

    def share(self, value: float) -> float:
        """The share of the range at which a value lies; 0 or 1 for one beyond it."""
        if self.high == self.low:
            return 0.0
        share = min(1.0, max(0.0, (value - self.low) / (self.high - self.low)))
        return math.sqrt(share) if self.fine else share


class Settings:
    """The numbers sought around one calibration, which must give ceilings.

    The shape of the ceilings over progress stays the file's: their first point moves with the start at rest,
    their last one lies lower by the fall, those between in proportion. They do not rise with progress unless
    the file's do, nor fall by less than the file's: the model knows no aerodynamic lift, and would not see
    what is wrong with a nose that is high at speed. Retard keeps its distance.
    """

    def __init__(self, start: CalibrationFile, wishes: Wishes | None = None) -> None:
        self.wishes = wishes = wishes or Wishes()
        given = start.built.ceilings_mm
        if given is None:
            right = "give [ceilings], as traces/demo.toml has them"
            raise UserError("has maps and no ceilings, and a search moves ceilings", start.path, right)
        self.start = start
        self._rewriter = Rewriter(start.text)
        first, last = float(given.reduction_from[0]), float(given.reduction_from[-1])
        drop = given.reduction_from[0] - given.reduction_from
        along = given.progress - given.progress[0]
        shape = drop / drop[-1] if first != last else along / max(float(along[-1]), 1e-9)
        self._shape = [float(v) for v in shape]
        self._before = [float(v) for v in given.reduction_from - given.retard_from]
        widths = given.full - given.reduction_from
        self._widths = [float(v) for v in widths / widths[0]]
        self._far = math.floor(start.far_lift_mm)
        droop = start.built.droop_mm
        self._ground = math.ceil(droop) if droop is not None else _FLOOR_MM
        most = min(100, start.number("reduction_limit") // 10)
        lowest, highest = self._ground + 10, max(self._ground + 20, int(0.93 * self._far))
        self._lowest = min(lowest, round(first), round(last))
        least_fall = min(max(0, round(first - last)), _FALL_MM, highest - lowest)
        release = start.number("release_q16")
        rate = STEP_FROM if release == 0 else release * 1e5 / (65536 * start.tick_us)
        self.start_values: Values = tuple(
            round(v)
            for v in (
                first,
                first - last,
                float(widths[0]),
                max(start.map_cells("reduction_map").max(), 10) / 10,
                start.number("hold_ticks") * start.tick_us / 1000,
                min(rate, STEP_FROM),
                _look_ms(start, "rising"),
                _look_ms(start, "falling"),
                _smooth_ms(start),
            )
        )
        usual = (
            ("cut starts, at rest", "mm", lowest, highest, 1, False),
            ("lower at the end by", "mm", least_fall, min(_FALL_MM, highest - lowest), 1, True),
            ("from start to full cut", "mm", 20, max(60, self._far - lowest), 1, False),
            ("greatest reduction", "%", min(5, most), most, 1, False),
            ("hold", "ms", 0, 800, 5, True),
            ("release", "%/s", 50, STEP_FROM, 10, True),
            ("look-ahead, rising", "ms", 0, 400, 5, False),
            ("look-ahead, falling", "ms", 0, 400, 5, False),
            ("look-ahead, smoothed", "ms", 5, 50, 1, False),
        )
        # The range takes in what the file has, so that the search can begin there.
        self.all = tuple(
            Setting(
                key, words, unit, *wishes.bounds(key, min(low, own), max(high, own), own), step,
                fine and wishes.near is None,
            )
            for key, (words, unit, low, high, step, fine), own in zip(
                KEYS, usual, self.start_values, strict=True
            )
        )  # fmt: skip

    @property
    def looks(self) -> bool:
        """Whether look-ahead is among what is sought."""
        return any(s.high > 0 for s in self.all if s.key in LOOKS)

    @property
    def first_tries(self) -> list[Values]:
        """The start, the start with look-ahead and a short hold, and what the rules of thumb give for this
        sensor."""
        *cut, _, release, _, _, smooth = self.start_values
        from_mm = round(_CUT_FROM_SHARE * self._far)
        look = round((from_mm - self._ground) / _RISE_MM_PER_MS)
        thumb = (
            from_mm, round(_FALL_SHARE * from_mm), self._far - from_mm, _FIRST_REDUCTION, _FIRST_HOLD_MS,
            STEP_FROM, look, 0,
        )  # fmt: skip
        return [
            self.start_values,
            *((*cut, _FIRST_HOLD_MS, release, look, 0, smooth) for look in _LOOKS),
            *((*thumb, smoothed) for smoothed in (smooth, _SMOOTH_MS)),
        ]

    def values(self, shares: Sequence[float]) -> Values:
        """The values at shares of the ranges, with no less than a short hold where there is look-ahead and
        the hold is not asked to be shorter."""
        *cut, hold, release, rising, falling, smooth = (
            s.value(share) for s, share in zip(self.all, shares, strict=True)
        )
        if rising or falling:
            hold = max(hold, min(_LEAST_HOLD_MS, self.all[KEYS.index("hold_ms")].high))
        return (*cut, hold, release, rising, falling, smooth)

    def shares(self, values: Values) -> list[float]:
        """The shares of the ranges at which values lie."""
        return [s.share(value) for s, value in zip(self.all, values, strict=True)]

    def text(self, values: Values) -> str:
        """The calibration's text with these values, everything else and the comments as they were."""
        return self._rewriter.set(self._changes(values))

    def calibration(self, values: Values) -> CalibrationFile | None:
        """The calibration with these values; None where it is not legal, as where maps cannot follow its
        ceilings. It draws no warning of a kind that the start does not draw."""
        try:
            return compile_text(self.text(values), self.start.path)
        except CalibrationMistakes:
            return None

    def written(self, number: int, value: int) -> str:
        """One value as a person reads it."""
        setting = self.all[number]
        if setting.key == "release_percent_per_s" and value >= STEP_FROM:
            return "one step"
        return f"{value} {setting.unit}"

    def _changes(self, values: Values) -> dict[str, Any]:
        at_rest, fall, width, most, hold, release, rising, falling, smooth = values
        starts, retards, fulls = [], [], []
        for shape, before, wide in zip(self._shape, self._before, self._widths, strict=True):
            start = max(round(at_rest - fall * shape), self._lowest)
            starts.append(start)
            retards.append(min(start, max(round(start - before), self._ground)))
            # beyond the sensor's end nothing is told apart
            fulls.append(min(round(start + width * wide), max(self._far, start + 1)))
        one_step = release >= STEP_FROM
        fixed = self.wishes.fixed
        kept = [name for key in fixed for name in _ALONE.get(key, ())]
        if {"start_at_rest_mm", "fall_mm", "width_mm"} <= set(fixed):
            kept += _LINES
        changes: dict[str, Any] = {
            "ceilings.reduction_from_mm": starts,
            "ceilings.retard_from_mm": retards,
            "ceilings.reduction_full_mm": fulls,
            "ceilings.greatest_reduction_percent": most,
            "latch.hold_ms": hold,
            "latch.release": "step" if one_step else None,
            "latch.release_percent_per_s": None if one_step else release,
            "look_ahead.rising_ms": rising,
            "look_ahead.falling_ms": falling,
            "look_ahead.time_constant_ms": smooth,
        }
        return {name: value for name, value in changes.items() if name not in kept}


def _look_ms(start: CalibrationFile, way: str) -> float:
    return start.number(f"look_{way}_q12") * 1000 / (16 * 4096)


def _smooth_ms(start: CalibrationFile) -> float:
    """The time constant of the look-ahead's speed: the pole is 1 - exp(-T/tau), T the sensor's period."""
    pole = start.number("look_lowpass_q12") / 4096
    period_ms = 1000 * 4096 / 16 / start.number("look_speed_q12")
    return 0.0 if pole >= 1 else -period_ms / math.log1p(-pole)
