"""Inputs of a case: short chapters, one after the other, of what a nose, its sensor and a driver may do.

Each input goes its own way; what is drawn is near the places where the calibration decides: its axes,
limits and thresholds, one unit off either side. Nothing here is a float, so equal seeds give equal inputs
everywhere.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from bench.calibration.image import Values, number_of, row_of
from bench.random import Random
from bench.replay.run import INPUT_TYPES
from bench.twin.generate import Ints, between, likely, noise, one_of


class _Sensor:
    """Heights and lifts as counts, by the calibrated curve."""

    def __init__(self, values: Values) -> None:
        self._values = values
        points = self.number("sensor_points")
        pairs = sorted(
            zip(self.row("sensor_height")[:points], self.row("sensor_counts")[:points], strict=True)
        )
        self._height = np.array([height for height, _ in pairs], dtype=np.int64)
        self._counts = np.array([counts for _, counts in pairs], dtype=np.int64)
        self.far = int(self._height[-1])

    def number(self, name: str) -> int:
        return number_of(self._values, name)

    def row(self, name: str) -> list[int]:
        return row_of(self._values, name)

    def counts(self, heights: Ints) -> Ints:
        """The counts at which the curve reaches heights, cut to the curve's ends."""
        inside = np.clip(heights, self._height[0], self.far)
        end = np.clip(np.searchsorted(self._height, inside), 1, len(self._height) - 1)
        low, high = self._height[end - 1], self._height[end]
        first, last = self._counts[end - 1], self._counts[end]
        counts: Ints = first + (inside - low) * (last - first) // (high - low)
        return counts

    def of_lift(self, lift: int) -> int:
        """The height at which the nose has a lift."""
        return self.number("rest") + lift * 4096 // self.number("gain_q12")


class _Nose:
    """The sensor's counts, chapter by chapter."""

    def __init__(self, source: Random, sensor: _Sensor) -> None:
        self.source = source
        self.sensor = sensor
        self.now = sensor.number("rest")
        self.parts: list[Ints] = []
        self.chapters: tuple[Callable[[], None], ...] = (
            self.stay, self.stay, self.move, self.move, self.climb, self.climb_out, self.climb_out, self.lose,
            self.jump, self.jump_out, self.fall, self.freeze, self.come_back, self.come_back, self.hop,
            self.glitch,
        )  # fmt: skip

    def _wobble(self, length: int, size: int) -> Ints:
        return noise(self.source.whole(1 << 30), length, 2 * size + 1) - size

    def _add(self, heights: Ints, wobble: int = 0) -> None:
        counts = self.sensor.counts(heights)
        if wobble:
            counts = counts + self._wobble(len(heights), wobble)
        self.parts.append(np.clip(counts, 0, 65535))
        self.now = int(heights[-1])

    def _flat(self, length: int, height: int, wobble: int) -> None:
        self._add(np.full(length, height, dtype=np.int64), wobble)

    def _way(self, length: int, target: int, wobble: int) -> None:
        steps = np.arange(1, length + 1, dtype=np.int64)
        self._add(self.now + (target - self.now) * steps // length, wobble)

    def _size(self) -> int:
        return one_of(self.source, (0, 0, 1, 1, 2, 3, 6))

    def _place(self) -> int:
        """A height where something is decided, or near it."""
        source, sensor = self.source, self.sensor
        near = sensor.far - sensor.number("near_end")
        rest, air = sensor.number("rest"), sensor.number("air_lift")
        lift = one_of(source, sensor.row("lift_axis")[: sensor.number("lift_points")])
        height = one_of(
            source,
            (rest, rest, sensor.of_lift(lift), sensor.of_lift(lift), sensor.of_lift(air), near, sensor.far,
             sensor.of_lift(air - sensor.number("air_hysteresis")),
             rest + between(source, -800, 1600), source.whole(max(1, sensor.far - rest)) + rest),
        )  # fmt: skip
        return height + between(source, -2, 2)

    def stay(self) -> None:
        """At one height, with a little noise."""
        self._flat(between(self.source, 2, 30), self.now, self._size())

    def move(self) -> None:
        """To another height at any pace."""
        self._way(one_of(self.source, (1, 2, 5, 12, 30, 60)), self._place(), self._size())

    def climb(self) -> None:
        """Up or down by single allowances."""
        rate = max(1, self.sensor.number("allowance_rate"))
        by = self.sensor.number("allowance") + rate * between(self.source, 0, 3) + between(self.source, -1, 1)
        self._flat(between(self.source, 1, 6), self.now + one_of(self.source, (by, by, -by)), 0)

    def climb_out(self) -> None:
        """Steadily towards the end of the range and beyond it; then the sensor reads anything."""
        sensor, source = self.sensor, self.source
        short = one_of(source, (0, sensor.number("near_end"), 2 * sensor.number("near_end"), 600))
        self._way(between(source, 34, 90), sensor.far - short, self._size() // 2)
        self.lose()
        if likely(source, 70):
            self.come_back()

    def lose(self) -> None:
        """Nothing to be seen: an end of the converter, noise, or a low reading."""
        source, most = self.source, self.sensor.number("adc_max")
        length = one_of(source, (between(source, 1, 8), between(source, 1, 40)))
        kind = source.whole(4)
        if kind == 0:
            counts = np.zeros(length, dtype=np.int64)
        elif kind == 1:
            counts = np.full(length, one_of(source, (most, most + 1, 65535)), dtype=np.int64)
        elif kind == 2:
            counts = noise(source.whole(1 << 30), length, most + 1)
        else:
            low = np.full(length, self.sensor.number("rest") - 40, dtype=np.int64)
            counts = self.sensor.counts(low) + self._wobble(length, 3)
        self.parts.append(np.clip(counts, 0, 65535))

    def jump(self) -> None:
        """A jump up for some samples, then back near where it was."""
        before = self.now
        self._flat(between(self.source, 2, 10), before + between(self.source, 200, 4000), self._size())
        if likely(self.source, 50):
            self.lose()
        self._flat(between(self.source, 4, 30), before + between(self.source, -60, 60), self._size())

    def jump_out(self) -> None:
        """A jump to the end of the range that is believed, nothing to be seen, and back to where it was."""
        before = self.now
        self._flat(between(self.source, 3, 8), self.sensor.far - self.source.whole(40), self._size() // 2)
        self.lose()
        self._flat(between(self.source, 4, 40), before + between(self.source, -60, 60), self._size() // 2)

    def fall(self) -> None:
        """A sudden fall, and whether it stays there."""
        before = self.now
        self._flat(between(self.source, 1, 8), before - between(self.source, 100, 4000), self._size())
        if likely(self.source, 50):
            self._flat(between(self.source, 1, 20), before, self._size())

    def freeze(self) -> None:
        """The very same reading, or one that wanders by next to nothing."""
        self._flat(between(self.source, 8, 40), self.now, one_of(self.source, (0, 0, 1)))

    def come_back(self) -> None:
        """Like a nose at rest on a moving car, or one that only looks so."""
        source = self.source
        at = self.sensor.number("rest") + one_of(
            source, (0, 0, between(source, -760, 1480), -720, 1440, -721, 1441)
        )
        length = between(source, 6, 60)
        size = one_of(source, (1, 5, 6, 8, 8, 20))
        sway = noise(source.whole(1 << 30), length, 2 * size + 1) - size
        self._add(np.full(length, at, dtype=np.int64) + sway, one_of(source, (0, 0, 1, 2)))

    def hop(self) -> None:
        """Up and down again."""
        target = self._place()
        before = self.now
        self._way(between(self.source, 3, 20), target, self._size())
        self._way(between(self.source, 3, 20), before, self._size())

    def glitch(self) -> None:
        """Single readings that are wrong."""
        self.move()
        part = self.parts[-1]
        hit = noise(self.source.whole(1 << 30), len(part), 256) < 60
        wrong = noise(self.source.whole(1 << 30), len(part), self.sensor.number("adc_max") + 1)
        self.parts[-1] = np.where(hit, wrong, part)

    def make(self, ticks: int) -> Ints:
        """counts[ticks]; it begins at rest for as long as the sensor takes to be believed."""
        sensor = self.sensor
        first = (sensor.number("heal_samples") + sensor.number("learn_window")) * sensor.number(
            "sample_ticks"
        )
        if likely(self.source, 90):
            far = one_of(self.source, (0, 0, 1, 2, 5, 20, sensor.number("learn_tolerance")))
            self.now += one_of(self.source, (1, -1)) * far + between(self.source, -2, 2)
            for _ in range(between(self.source, 1, 3)):
                self._flat(first + between(self.source, 1, 12), self.now, one_of(self.source, (0, 0, 1, 2)))
                self.now += between(self.source, -3, 3)
        while sum(map(len, self.parts)) < ticks:
            one_of(self.source, self.chapters)()
        return np.concatenate(self.parts)[:ticks]


def _pieces(source: Random, ticks: int, most: int, draw: Callable[[int, int], Ints]) -> Ints:
    """Pieces of 1 to `most` ticks; draw(length, last value) gives one."""
    parts = [np.zeros(0, dtype=np.int64)]
    made = last = 0
    while made < ticks:
        part = draw(between(source, 1, most), last)
        parts.append(part)
        made += len(part)
        last = int(part[-1])
    return np.concatenate(parts)[:ticks]


def _speed(source: Random, sensor: _Sensor, ticks: int) -> Ints:
    stuck, step = sensor.number("stuck_speed"), sensor.number("speed_step")

    def draw(length: int, last: int) -> Ints:
        kind = source.whole(8)
        if kind < 2:
            to = one_of(source, (0, 0, stuck, stuck + 1, last, last + step, last + step - 1, 20000, 20001))
            return np.full(length, min(to, 65535), dtype=np.int64)
        if kind == 2:
            return noise(source.whole(1 << 30), length, one_of(source, (3, 3000, 65536)))
        to = one_of(source, (last + 10, last + 200, 900, 1800, source.whole(3000), source.whole(20500)))
        return last + (to - last) * np.arange(1, length + 1, dtype=np.int64) // length

    speed = np.clip(_pieces(source, ticks, 60, draw), 0, 65535)
    if likely(source, 65):
        speed[: between(source, 10, 80)] = 0
    return speed


def _rotation(source: Random, sensor: _Sensor, who: str, ticks: int) -> Ints:
    points = sensor.number(f"{who}_points")
    curve = sensor.row(f"{who}_rpm")[:points] or [6000]
    line = sensor.row(f"{who}_over_rpm")[: sensor.number(f"{who}_line_points")]
    hysteresis = sensor.number(f"{who}_hysteresis")
    reach = 100 * sensor.number("tick_us") // 1000

    def draw(length: int, last: int) -> Ints:
        kind = source.whole(6)
        if kind == 0:
            by = one_of(source, (reach, reach + 1, 2 * reach, 3 * reach + 1, -reach, -reach - 1))
            return np.full(
                length, one_of(source, (last + by, last + by, 32766, 32767, 32768)), dtype=np.int64
            )
        if kind == 1 and likely(source, 30):
            return noise(source.whole(1 << 30), length, 65536)
        over = one_of(source, (0, 1, -hysteresis, -hysteresis - 1, 1 - hysteresis, *line, source.whole(1500)))
        to = one_of(source, curve) + over
        return last + (to - last) * np.arange(1, length + 1, dtype=np.int64) // length

    return np.clip(_pieces(source, ticks, 50, draw), 0, 65535)


def _switches(source: Random, sensor: _Sensor, ticks: int) -> tuple[Ints, Ints, Ints]:
    """(armed, launch, speed valid)"""
    off = sensor.number("disarm_ticks")
    armed = np.ones(ticks, dtype=np.int64)
    at = one_of(source, (0, 0, 0, source.whole(20), source.whole(90)))
    armed[:at] = 0
    for _ in range(source.whole(4)):
        length = one_of(source, (1, off - 1, off, off, off + 1, off + 20))
        at = source.whole(ticks)
        armed[at : at + length] = 0
    launch = np.zeros(ticks, dtype=np.int64)
    for _ in range(between(source, 1, 2)):
        at = between(source, 10, 90)
        launch[at : at + one_of(source, (1, 5, ticks, ticks))] = 1
    valid = np.ones(ticks, dtype=np.int64)
    for _ in range(source.whole(4)):
        at = source.whole(ticks)
        valid[at : at + between(source, 1, 40)] = 0
    return armed, launch, valid


def _requests(source: Random, ticks: int) -> dict[str, Ints]:
    names = ("request_reduction", "request_retard", "request_reason")
    made = {name: np.zeros(ticks, dtype=np.int64) for name in names}
    for _ in range(source.whole(5)):
        at, length = source.whole(ticks), between(source, 1, 40)
        values = (
            one_of(source, (0, 1, 250, 500, 750, 999, 1000, 1001, source.whole(1000), 65535)),
            one_of(source, (0, 1, 50, 100, 1000, 1001, source.whole(300), 65535)),
            one_of(source, (0, 15, 16, 17, 255, 256, source.whole(300), 65535)),
        )
        for name, value in zip(names, values, strict=True):
            made[name][at : at + length] = value
    return made


HORIZON = 400
"""Inputs of up to so many ticks are the beginning of those of so many."""


def make_inputs(source: Random, values: Values, asked: int) -> dict[str, Ints]:
    """Inputs of `asked` ticks for a calibration: an array[asked] for each input of a replay, and `tick`."""
    ticks = max(asked, HORIZON)
    sensor = _Sensor(values)
    armed, launch, valid = _switches(source, sensor, ticks)
    # Soon after its beginning each case comes to the number after 65535.
    numbers = 65535 - source.whole(50) + np.arange(ticks, dtype=np.int64)
    if likely(source, 20):
        numbers[source.whole(ticks) :] += one_of(source, (-1, 1, 2, 300))
    made = {
        "tick": numbers & 0xFFFF,
        "counts": _Nose(source, sensor).make(ticks),
        "speed": _speed(source, sensor, ticks),
        "speed_valid": valid,
        "engine": _rotation(source, sensor, "engine", ticks),
        "shaft": _rotation(source, sensor, "shaft", ticks),
        "armed": armed,
        "launch": launch,
        **_requests(source, ticks),
    }
    types: dict[str, type[np.unsignedinteger[Any]]] = {"tick": np.uint16, **INPUT_TYPES}
    return {name: made[name][:asked].astype(kind) for name, kind in types.items()}
