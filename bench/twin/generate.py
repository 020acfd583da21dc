"""Calibrations and inputs made from a source of whole numbers: mostly plausible, sometimes anything legal.

Equal sources give equal calibrations and inputs on every machine; nothing here is a float. An id of a case
(bench.twin.case) holds only what the source starts from, so a change here changes what old ids mean.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from bench.calibration.image import Values, number_of, row_of
from bench.replay.run import INPUT_TYPES
from controller.constants import AXIS_POINTS, CURVE_POINTS, CYLINDERS, FULL, LINE_POINTS, SENSOR_POINTS
from controller.fixed import interpolate
from controller.image import FIELDS

Ints = npt.NDArray[Any]
T = TypeVar("T")

_RANGES = {name: (least, greatest) for name, _, _, least, greatest in FIELDS}

# Where a field lies in calibrations that a person could have made; a tick is thought of as 1 ms. A field that
# is not listed is as likely to lie anywhere in its legal range. What has to fit another field is made below.
_PLAUSIBLE = {
    "gain_q12": (2048, 8192),
    "learn_window": (0, 300),
    "look_speed_q12": (4096 * 2, 4096 * 63),
    "progress_up_q12": (1 << 10, 5 << 12),
    "progress_down_q12": (1 << 10, 5 << 12),
    "hold_ticks": (0, 500),
    "release_q16": (0, 10 << 16),
    "retard_release_q16": (0, 10 << 16),
    "fault_release_q16": (1 << 10, 4 << 16),
    "fault_retard_release_q16": (1 << 10, 4 << 16),
    "blind_growth_q16": (1 << 12, 20 << 16),
    "engine_release_q16": (0, 10 << 16),
    "engine_retard_release_q16": (0, 10 << 16),
    "shaft_release_q16": (0, 10 << 16),
    "shaft_retard_release_q16": (0, 10 << 16),
    "tick_us": (500, 2000),
    "adc_max": (1023, 4095),
    "sample_ticks": (1, 20),
    "allowance": (8, 200),
    "allowance_rate": (4, 200),
    "confirm_samples": (2, 40),
    "heal_samples": (1, 60),
    "agree_samples": (2, 5),
    "return_samples": (1, 120),
    "stuck_band": (0, 64),
    "stuck_samples": (0, 400),
    "stuck_speed": (0, 600),
    "learn_spread": (0, 400),
    "learn_tolerance": (0, 800),
    "lowpass_q12": (200, 4096),
    "look_rising_q12": (0, 13107),
    "look_falling_q12": (0, 13107),
    "look_lowpass_q12": (100, 4096),
    "look_from": (-400, 1600),
    "speed_step": (5, 400),
    "run_points": (2, 6),
    "air_hysteresis": (0, 400),
    "spin_up_ticks": (0, 400),
    "lookback_ticks": (1, 20),
    "lift_points": (2, 8),
    "progress_points": (1, 6),
    "trigger": (0, 80),
    "trigger_hysteresis": (0, 80),
    "retard_trigger": (0, 40),
    "retard_trigger_hysteresis": (0, 40),
    "disarm_ticks": (20, 200),
    "blind_reduction": (0, 400),
    "blind_until_ms": (0, 5000),
    "engine_points": (0, 6),
    "engine_hysteresis": (0, 300),
    "engine_line_points": (1, 4),
    "shaft_points": (0, 6),
    "shaft_hysteresis": (0, 300),
    "shaft_line_points": (1, 4),
    "cylinders": (4, 10),
}


class Source(Protocol):
    """Where the choices come from."""

    def whole(self, below: int) -> int:
        """A whole number from 0 to below - 1."""


def between(source: Source, least: int, greatest: int) -> int:
    """A whole number from least to greatest."""
    return least + source.whole(greatest - least + 1)


def likely(source: Source, percent: int) -> bool:
    """True so often in a hundred; the source's least number means not."""
    return source.whole(100) >= 100 - percent


def one_of(source: Source, choices: Sequence[T]) -> T:
    """One of some things."""
    return choices[source.whole(len(choices))]


def noise(key: int, count: int, below: int) -> Ints:
    """int64[count], each from 0 to below - 1 (below < 2**32): the same for the same key."""
    x = np.arange(count, dtype=np.uint64) + np.uint64((key * 0x9E3779B97F4A7C15) & ((1 << 64) - 1))
    for factor in (0xD6E8FEB86659FD93, 0xCA5A826395121157):
        x ^= x >> np.uint64(32)
        x *= np.uint64(factor)
    x ^= x >> np.uint64(32)
    return ((x >> np.uint64(32)) * np.uint64(below) >> np.uint64(32)).astype(np.int64)


# ---- calibrations


class _Maker:
    """Makes the values of one calibration; of a hundred fields `wild` lie anywhere in their range."""

    def __init__(self, source: Source, wild: int) -> None:
        self.source = source
        self.wild = wild

    def number(self, name: str, least: int | None = None, greatest: int | None = None) -> int:
        """A value of a field, within its range and the limits given."""
        low, high = _RANGES[name]
        low = low if least is None else max(low, least)
        high = high if greatest is None else min(high, greatest)
        if likely(self.source, self.wild):
            return one_of(self.source, (low, high, between(self.source, low, high)))
        plain_low, plain_high = _PLAUSIBLE.get(name, (low, high))
        plain_low = min(max(plain_low, low), high)
        return between(self.source, plain_low, min(max(plain_high, plain_low), high))

    def rising(self, points: int, size: int, least: int, greatest: int) -> list[int]:
        """`points` values that rise strictly, filled up to `size` with values that nobody looks at."""
        spare = greatest - least - (points - 1)
        steps = sorted(self.source.whole(spare + 1) for _ in range(points))
        key = self.source.whole(1 << 30)
        filling: list[int] = (least + noise(key, size - points, greatest - least + 1)).tolist()
        return [least + step + i for i, step in enumerate(steps)] + filling

    def cells(self, count: int, greatest: int) -> list[int]:
        """`count` values from 0 to greatest."""
        key = self.source.whole(1 << 30)
        cells: list[int] = noise(key, count, greatest + 1).tolist()
        return cells


def make_values(source: Source) -> Values:
    """The values of a calibration whose image the controller accepts."""
    make = _Maker(source, one_of(source, (0, 0, 5, 30, 100)))
    values: Values = {}
    _sensor(make, values)
    _maps(make, values)
    _curves(make, values)
    _cylinders(make, values)
    for name, _, count, _, _ in FIELDS:
        if name not in values:
            assert count == 1
            values[name] = make.number(name)
    hold = values["hold_ticks"]
    assert isinstance(hold, int)
    values["fault_hold_ticks"] = make.number("fault_hold_ticks", hold, None if make.wild else hold + 2000)
    values["median_samples"] = one_of(source, (1, 3, 5))
    return {name: values[name] for name, *_ in FIELDS}


def _sensor(make: _Maker, values: Values) -> None:
    source = make.source
    wild = likely(source, make.wild)
    adc_max = make.number("adc_max")
    points = between(source, 2, min(SENSOR_POINTS, adc_max + 1))
    span = between(source, max(points - 1, 2), 32767) if wild else between(source, 4000, 12000)
    low = between(source, -32767, 32767 - span) if wild else 0
    inner = make.rising(points - 2, points - 2, 1, span - 1)
    heights = [low, *(low + step for step in inner), low + span]
    filling = make.cells(SENSOR_POINTS - points, 32767)
    if likely(source, 25):
        heights.reverse()
    window_low = between(source, 0, adc_max - 1) if wild else adc_max // 100
    values |= {
        "adc_max": adc_max,
        "window_low": window_low,
        "window_high": between(source, window_low + 1, adc_max) if wild else adc_max - adc_max // 100,
        "sensor_points": points,
        "sensor_counts": make.rising(points, SENSOR_POINTS, 0, adc_max)
        if wild
        else [adc_max * i // (points - 1) for i in range(points)] + make.cells(SENSOR_POINTS - points, 65535),
        "sensor_height": heights + filling,
        "rest": between(source, low, low + span) if wild else low + span // 4,
        "near_end": between(source, 1, span - 1) if wild else max(1, span // 16),
    }


def _maps(make: _Maker, values: Values) -> None:
    source = make.source
    wild = likely(source, make.wild)
    rows = make.number("lift_points")
    columns = make.number("progress_points")
    least, greatest = (-32767, 32767) if wild else (0, 6000)
    values |= {
        "lift_points": rows,
        "lift_axis": make.rising(rows, AXIS_POINTS, least, greatest),
        "progress_points": columns,
        "progress_axis": make.rising(columns, AXIS_POINTS, 0, 65535 if wild else 3000),
        "reduction_map": _map(make, rows, 1000 if wild else 900),
        "retard_map": _map(make, rows, 1000 if wild else 250),
        "air_lift": between(source, least, greatest),
    }


def _map(make: _Maker, rows: int, greatest: int) -> list[int]:
    """Cells that rise with the lift, or have any values."""
    if likely(make.source, 20):
        return make.cells(AXIS_POINTS * AXIS_POINTS, greatest)
    wobble = make.cells(AXIS_POINTS * AXIS_POINTS, greatest // 4)
    full = max(rows - 1, 1)
    cells = []
    for cell, change in enumerate(wobble):
        row = min(cell // AXIS_POINTS, full)
        cells.append(max(0, min(greatest, greatest * row // full + change - greatest // 8)))
    return cells


def _curves(make: _Maker, values: Values) -> None:
    source = make.source
    wild = likely(source, make.wild)
    points = make.number("run_points")
    values |= {
        "run_points": points,
        "run_ms": make.rising(points, CURVE_POINTS, 0, 65535 if wild else 8000),
        "run_speed": make.cells(CURVE_POINTS, 20000) if wild else sorted(make.cells(CURVE_POINTS, 3000)),
    }
    for who in ("engine", "shaft"):
        points = make.number(f"{who}_points")
        line = make.number(f"{who}_line_points")
        values |= {
            f"{who}_points": points,
            f"{who}_ms": make.rising(points, CURVE_POINTS, 0, 65535 if wild else 8000),
            f"{who}_rpm": make.cells(CURVE_POINTS, 32767 if wild else 9000),
            f"{who}_line_points": line,
            f"{who}_over_rpm": make.rising(line, LINE_POINTS, 0, 32767 if wild else 1500),
            f"{who}_reduction": make.cells(LINE_POINTS, FULL),
            f"{who}_retard": make.cells(LINE_POINTS, FULL if wild else 200),
        }


def _cylinders(make: _Maker, values: Values) -> None:
    cylinders = make.number("cylinders")
    order = list(range(1, cylinders + 1))
    for i in range(cylinders - 1, 0, -1):
        other = make.source.whole(i + 1)
        order[i], order[other] = order[other], order[i]
    values |= {"cylinders": cylinders, "firing_order": order + make.cells(CYLINDERS - cylinders, CYLINDERS)}


# ---- inputs


class _Channel:
    """One input on its way: straight lines from place to place, with noise and single wrong values."""

    def __init__(self, most: int, start: int) -> None:
        self.most = most
        self.now = start

    def piece(
        self, source: Source, length: int, target: int, loud: int, glitch: Callable[[int], Ints]
    ) -> Ints:
        """The values of `length` ticks on the way to the target; `loud` percent of pieces have wrong ones."""
        rise = target - self.now
        values = self.now + np.arange(1, length + 1, dtype=np.int64) * rise // length
        self.now = target
        size = one_of(source, (0, 0, 1, 3, 40)) if likely(source, 60) else 0
        if size:
            values += noise(source.whole(1 << 30), length, 2 * size + 1) - size
        if likely(source, loud):
            wrong = glitch(length)
            often = one_of(source, (1, 8, 64, 256))
            hit = noise(source.whole(1 << 30), length, 256) < often
            values = np.where(hit, wrong, values)
        return np.clip(values, 0, self.most)


class _Trace:
    """Makes inputs piece by piece."""

    def __init__(self, source: Source, values: Values) -> None:
        self.source = source
        self.values = values
        self.parts: dict[str, list[Ints]] = {}
        self.rest = self.counts_at(self._number("rest"))
        self.height = _Channel(65535, self.rest)
        self.speed = _Channel(65535, 0)
        self.engine = _Channel(65535, 3000)
        self.shaft = _Channel(65535, 0)
        self.tick = source.whole(1 << 16)

    def _number(self, name: str) -> int:
        return number_of(self.values, name)

    def _row(self, name: str) -> list[int]:
        return row_of(self.values, name)

    def counts_at(self, height: int) -> int:
        """The least reading at which the sensor's curve has reached a height."""
        axis, heights = self._row("sensor_counts"), self._row("sensor_height")
        points = self._number("sensor_points")
        rising = heights[0] < heights[points - 1]
        low, high = 0, self._number("adc_max")
        while low < high:
            middle = (low + high) // 2
            seen = interpolate(axis, heights, points, middle)
            if seen >= height if rising else seen <= height:
                high = middle
            else:
                low = middle + 1
        return low

    def _height_target(self) -> int:
        source = self.source
        kind = source.whole(10)
        if kind < 3:
            return self.rest
        if kind < 6:
            lift = one_of(source, self._row("lift_axis")[: self._number("lift_points")])
            return self.counts_at(self._number("rest") + lift * 4096 // self._number("gain_q12"))
        last = self._number("sensor_points") - 1
        far = max(self._row("sensor_height")[0], self._row("sensor_height")[last])
        if kind < 8:
            return self.counts_at(far - self._number("near_end") * source.whole(3) // 2)
        return one_of(source, (0, self._number("adc_max"), source.whole(self._number("adc_max") + 1)))

    def _height_glitch(self, length: int) -> Ints:
        key = self.source.whole(1 << 30)
        most = self._number("adc_max")
        kind = self.source.whole(5)
        if kind == 0:
            return np.zeros(length, dtype=np.int64)
        if kind == 1:
            return np.full(length, most)
        if kind == 2:
            return np.where(np.arange(length) & 1, self.rest, most)
        return noise(key, length, most + 1 if kind == 3 else 65536)

    def _any_glitch(self, length: int) -> Ints:
        return noise(self.source.whole(1 << 30), length, one_of(self.source, (1, 3000, 65536)))

    def _switch(self, length: int, on: int, loud: int) -> Ints:
        values = np.full(length, on, dtype=np.int64)
        if likely(self.source, loud):
            often = one_of(self.source, (1, 8, 64))
            values ^= noise(self.source.whole(1 << 30), length, 256) < often
        return values

    def _request(self, length: int) -> dict[str, Ints]:
        source = self.source
        names = ("request_reduction", "request_retard", "request_reason")
        if not likely(source, 15):
            return {name: np.zeros(length, dtype=np.int64) for name in names}
        if likely(source, 20):
            return {name: noise(source.whole(1 << 30), length, 65536) for name in names}
        most = dict(zip(names, (1200, 300, 300), strict=True))
        return {name: np.full(length, source.whole(below)) for name, below in most.items()}

    def _rotation(self, who: str, channel: _Channel, length: int) -> Ints:
        source = self.source
        points = self._number(f"{who}_points")
        near = one_of(source, self._row(f"{who}_rpm")[:points]) if points else 6000
        target = max(0, near + between(source, -800, 1500)) if likely(source, 80) else source.whole(40000)
        return channel.piece(source, length, target, 5, self._any_glitch)

    def add(self, length: int, height: int | None = None, armed: int = 1, launch: int = 1) -> None:
        """One more piece; without a height it goes anywhere."""
        source = self.source
        quiet = height is not None
        speed = 0 if quiet else one_of(source, (0, self.speed.now, 300, 900, 1800, source.whole(21000)))
        target = self._height_target() if height is None else height
        ticks = self.tick + np.arange(length, dtype=np.int64)
        if likely(source, 5):
            ticks += np.cumsum(noise(source.whole(1 << 30), length, 256) < 2) * between(source, -3, 3)
        self.tick = int(ticks[-1]) + 1
        piece = {
            "tick": ticks & 0xFFFF,
            "counts": self.height.piece(source, length, target, 0 if quiet else 30, self._height_glitch),
            "speed": self.speed.piece(source, length, speed, 10, self._any_glitch),
            "speed_valid": self._switch(length, 0 if likely(source, 8) else 1, 15),
            "engine": self._rotation("engine", self.engine, length),
            "shaft": self._rotation("shaft", self.shaft, length),
            "armed": self._switch(length, armed, 8),
            "launch": self._switch(length, launch, 5),
            **self._request(length),
        }
        for name, values in piece.items():
            self.parts.setdefault(name, []).append(values)


def make_inputs(source: Source, values: Values, ticks: int) -> dict[str, Ints]:
    """Inputs of `ticks` ticks for a calibration: an array[ticks] for each input of a replay, and `tick`.

    Most begin as a run does, at rest until the sensor is believed and then launched. What follows goes from
    height to height, with readings lost, stuck or wrong, switches that chatter, and now and then a disarm.
    """
    trace = _Trace(source, values)
    heal, every, learn = values["heal_samples"], values["sample_ticks"], values["learn_window"]
    assert isinstance(heal, int)
    assert isinstance(every, int)
    assert isinstance(learn, int)
    made = 0
    if likely(source, 90):
        made = min(2000, (heal + one_of(source, (0, learn)) + 2) * every)
        trace.add(made, trace.rest, armed=1, launch=0)
    while made < ticks:
        length = one_of(source, (1, 3, 20, 60, 150, 400)) + source.whole(50)
        if likely(source, 6):
            trace.add(length, armed=0, launch=source.whole(2))
        else:
            trace.add(length)
        made += length
    types: dict[str, type[np.unsignedinteger[Any]]] = {"tick": np.uint16, **INPUT_TYPES}
    return {name: np.concatenate(trace.parts[name])[:ticks].astype(kind) for name, kind in types.items()}
