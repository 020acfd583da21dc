"""The sections of a calibration file about progress, maps and ceilings."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.calibration import ceilings as ceil
from bench.calibration.builder import ANGLE, LIFT, Q12, SHARE, SPEED, Builder
from bench.calibration.quantity import Quantity, Table
from bench.calibration.reader import Section
from controller.constants import (
    AXIS_POINTS,
    BY_SPEED,
    BY_TIME,
    CAR_SPEED,
    CURVE_POINTS,
    ELAPSED_LIMIT,
    FRONT_WHEEL_SPEED,
    LIFT_LIMIT,
    LOOKBACK_SLOTS,
)

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


class MapSections(Builder):
    """From lift and progress to reduction and retard."""

    def progress(self) -> None:
        file, v = self.file, self.file.values
        s = file.section("progress", required=True)
        by = s.choice("by", ("speed", "time"))
        self.by_speed = by == "speed"
        v["progress_axis_kind"] = BY_SPEED if self.by_speed else BY_TIME
        source = "car"
        if self.by_speed:
            source = s.choice("speed_from", ("car", "front_wheel"))
            for key, name, default in (("rise", "progress_up_q12", 150), ("fall", "progress_down_q12", 50)):
                q = s.number(key, "km/h/s", default=default)
                file.put(name, q, SPEED * Q12 * self.built.tick_ms / 1000)
        else:
            # The time since launch never jumps, so there is nothing to limit.
            v.update(progress_up_q12=ELAPSED_LIMIT * Q12, progress_down_q12=ELAPSED_LIMIT * Q12)
        v["speed_source"] = CAR_SPEED if source == "car" else FRONT_WHEEL_SPEED
        file.put("speed_step", s.number("largest_step", "km/h", default=20), SPEED)
        self.expected()
        self.air(needed=source == "front_wheel")
        s.finish()

    def expected(self) -> None:
        """Speed over the time since launch, for when no valid speed is there (P3)."""
        file, v = self.file, self.file.values
        s = file.section("progress.expected", required=self.by_speed)
        if not file.has("progress.expected"):
            v.update(run_points=1, run_ms=[0], run_speed=[0])
            return
        elapsed = s.numbers("elapsed", "ms", most=CURVE_POINTS)
        speed = s.numbers("speed", "km/h", most=CURVE_POINTS)
        v["run_points"] = self.over_time("run_ms", elapsed)
        file.put("run_speed", speed, SPEED)
        self.same_length(speed, elapsed)
        s.finish()

    def air(self, *, needed: bool) -> None:
        """When the front wheels turn freely (P2)."""
        file, v = self.file, self.file.values
        s = file.section("progress.air", required=needed)
        if not file.has("progress.air"):
            v.update(air_lift=LIFT_LIMIT, air_hysteresis=0, spin_up_ticks=0, lookback_ticks=1)
            return
        file.put("air_lift", s.number("lift", "mm"), LIFT)
        file.put("air_hysteresis", s.number("hysteresis", "mm", default=10), LIFT)
        self.ticks("spin_up_ticks", s.number("spin_up", "ms", default=200))
        lookback = s.number("lookback", "ms", default=100)
        file.put("lookback_ticks", lookback, 1 / self.built.tick_ms / LOOKBACK_SLOTS)
        s.finish()
        if not needed:
            file.warn("[progress.air] is not used, because the speed is not from a front wheel")

    def maps(self) -> None:
        file, v = self.file, self.file.values
        v.update(lift_axis=[0], progress_axis=[0], reduction_map=[], retard_map=[])
        maps, ceilings = file.section("maps"), file.section("ceilings")
        if file.has("maps") and file.has("ceilings"):
            file.wrong(("ceilings",), "says the same as [maps]", "one of the two sections")
        elif file.has("maps"):
            self.read_maps(maps)
        elif file.has("ceilings"):
            self.read_ceilings(ceilings)
        else:
            file.wrong(("ceilings",), "section is missing", "add [ceilings] or [maps]")
        axes = [v["lift_axis"], v["progress_axis"]]
        for name, axis in zip(("lift_points", "progress_points"), axes, strict=True):
            assert isinstance(axis, list)
            v[name] = len(axis)

    def progress_points(self, s: Section) -> tuple[Quantity, list[int]]:
        if self.by_speed:
            q = s.numbers("speed", "km/h", most=AXIS_POINTS)
        else:
            q = s.numbers("elapsed", "ms", most=AXIS_POINTS)
        scale = SPEED if self.by_speed else 1
        points = self.file.put("progress_axis", q, scale)
        self.rises(q, points, scale)
        self.built.progress_sign, self.built.progress_size = q.sign, float(q.size)
        return q, points

    def read_maps(self, s: Section) -> None:
        file, v = self.file, self.file.values
        lift = s.numbers("lift", "mm", most=AXIS_POINTS)
        rows = file.put("lift_axis", lift, LIFT)
        self.rises(lift, rows, LIFT)
        self.built.lift_sign, self.built.lift_size = lift.sign, float(lift.size)
        progress, _ = self.progress_points(s)
        for name, base, unit, scale in (
            ("reduction_map", "reduction", "%", SHARE),
            ("retard_map", "retard", "deg", ANGLE),
        ):
            table = s.table(base, unit, lift, progress)
            v[name] = self.padded(name, table, scale)
        s.finish()

    def padded(self, name: str, table: Table, scale: int) -> list[int]:
        """Cells row by row, each row filled up to the controller's width."""
        cells: list[int] = []
        for row in table.rows:
            compiled = self.file.put(name, row, scale)
            table.good = table.good and row.good
            cells += compiled + [0] * (AXIS_POINTS - len(compiled))
        return cells

    def read_ceilings(self, s: Section) -> None:
        file = self.file
        progress, points = self.progress_points(s)
        lifts = [
            s.numbers(key, "mm", most=AXIS_POINTS)
            for key in ("retard_from", "reduction_from", "reduction_full")
        ]
        compiled = [file.put("lift_axis", q, LIFT) for q in lifts]
        for q in lifts:
            self.same_length(q, progress)
        self.built.lift_sign, self.built.lift_size = lifts[2].sign, float(lifts[2].size)
        reduction = s.number("greatest_reduction", "%")
        retard = s.number("greatest_retard", "deg")
        (most,) = file.put("reduction_limit", reduction, SHARE)
        (most_deg,) = file.put("retard_limit", retard, ANGLE)
        limit = s.number("largest_difference", "%", default=8)
        if limit.good and limit.value <= 0:
            file.wrong(limit.path, f"{limit.written(limit.value)} is not above 0", "a few percent", limit)
        for q, start in zip(lifts[:2], compiled[:2], strict=True):
            if not (q.good and lifts[2].good and len(start) == len(compiled[2])):
                continue
            for i, (a, full) in enumerate(zip(start, compiled[2], strict=True)):
                if a >= full:
                    right = f"below reduction_full there, {q.written(Fraction(full, LIFT))}"
                    file.wrong((*q.path, i), f"{q.written(q.values[i])} is too high", right)
                    q.good = False
        s.finish()
        if all(q.good for q in (progress, *lifts, reduction, retard, limit)):
            self.fit(points, compiled, most, most_deg, limit)

    def fit(
        self, points: list[int], lifts: list[list[int]], reduction: int, retard: int, limit: Quantity
    ) -> None:
        import numpy as np

        v = self.file.values
        given = ceil.Ceilings(np.array(points, float), *(np.array(row, float) for row in lifts))
        made = ceil.fit(given, reduction, retard, float(limit.value) / 100)
        if made.off * 100 > limit.value:
            reached = limit.written(math.ceil(made.off * 1000) / 10)
            what = f"{AXIS_POINTS} by {AXIS_POINTS} map points do not follow these ceilings so closely"
            right = f"at least {reached}, or ceilings that slant less"
            self.file.wrong(limit.path, what, right)
            return
        v["lift_axis"] = made.lift.tolist()
        v["progress_axis"] = made.progress.tolist()
        v["reduction_map"] = _flat(made.reduction)
        v["retard_map"] = _flat(made.retard)
        self.built.map_off = made
        scale = float(SPEED if self.by_speed else 1)
        self.built.ceilings_mm = ceil.Ceilings(
            given.progress / scale,
            given.retard_from / LIFT,
            given.reduction_from / LIFT,
            given.full / LIFT,
        )


def _flat(cells: npt.NDArray[np.int64]) -> list[int]:
    flat: list[int] = []
    for row in cells.tolist():
        flat += row + [0] * (AXIS_POINTS - len(row))
    return flat
