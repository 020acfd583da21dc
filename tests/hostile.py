"""Calibrations and inputs nobody thought of, and integers that notice when they grow too large."""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import Any

from hypothesis import strategies as st

from bench.calibration.image import Values, pack
from controller import Calibration, Controller, read
from controller.constants import FULL, LIFT_LIMIT, MAP_CELLS
from controller.image import FIELDS
from tests.support import values

LIMIT = 1 << 30
RANGES = {name: (count, least, greatest) for name, _, count, least, greatest in FIELDS}


class Bounded(int):
    """An integer whose sums, differences, products and shifts stay below 2**30, or the test fails."""

    def _checked(self, result: int) -> Bounded:
        assert -LIMIT < result < LIMIT, f"intermediate {result} reaches 2**30"
        return Bounded(result)

    def __add__(self, other: int) -> Bounded:
        return self._checked(int(self) + int(other))

    def __sub__(self, other: int) -> Bounded:
        return self._checked(int(self) - int(other))

    def __rsub__(self, other: int) -> Bounded:
        return self._checked(int(other) - int(self))

    def __mul__(self, other: int) -> Bounded:
        return self._checked(int(self) * int(other))

    def __lshift__(self, other: int) -> Bounded:
        return self._checked(int(self) << int(other))

    def __rlshift__(self, other: int) -> Bounded:
        return self._checked(int(other) << int(self))

    def __rshift__(self, other: int) -> Bounded:
        return Bounded(int(self) >> int(other))

    def __floordiv__(self, other: int) -> Bounded:
        return Bounded(int(self) // int(other))

    def __rfloordiv__(self, other: int) -> Bounded:
        return Bounded(int(other) // int(self))

    def __mod__(self, other: int) -> Bounded:
        return Bounded(int(self) % int(other))

    def __rmod__(self, other: int) -> Bounded:
        return Bounded(int(other) % int(self))

    def __and__(self, other: int) -> Bounded:
        return Bounded(int(self) & int(other))

    def __neg__(self) -> Bounded:
        return Bounded(-int(self))

    def __abs__(self) -> Bounded:
        return Bounded(abs(int(self)))

    __radd__ = __add__
    __rmul__ = __mul__
    __rand__ = __and__


def bounded_controller(calibration: Values) -> Controller:
    """A controller whose calibration values are all Bounded."""
    made = Controller()
    image = pack(calibration)
    assert made.load(image) == 0
    into = Calibration()
    assert read(image, into) == 0
    for name in RANGES:
        value = getattr(into, name)
        setattr(into, name, [Bounded(x) for x in value] if isinstance(value, list) else Bounded(value))
    made._build(into)
    return made


def _rising(rng: random.Random, points: int, least: int, greatest: int) -> list[int]:
    """Strictly rising values; often the whole range, often the smallest steps."""
    kind = rng.randrange(3)
    if kind == 0:
        start = rng.randint(least, greatest - points + 1)
        return list(range(start, start + points))
    inner = sorted(rng.sample(range(least + 1, greatest), max(points - 2, 0)))
    if kind == 1 or points == 1:
        return [least, *inner, greatest][:points]
    return sorted(rng.sample(range(least, greatest + 1), points))


def _any_value(rng: random.Random, least: int, greatest: int) -> int:
    kind = rng.randrange(4)
    if kind == 0:
        return least
    if kind == 1:
        return greatest
    if kind == 2:
        return min(greatest, least + int(2 ** rng.uniform(0, 12)))
    return rng.randint(least, greatest)


def any_calibration(rng: random.Random) -> Values:
    """Legal values of every field, extremes often, in legal order."""
    made: Values = {}
    for name, (count, least, greatest) in RANGES.items():
        row = [_any_value(rng, least, greatest) for _ in range(count)]
        made[name] = row[0] if count == 1 else row

    def one(name: str) -> int:
        value = made[name]
        assert isinstance(value, int)
        return value

    made["adc_max"] = max(one("adc_max"), 7)
    low, high = sorted(rng.sample((0, 1, 2, one("adc_max") - 1, one("adc_max")), 2))
    made["window_low"], made["window_high"] = low, high
    made["sensor_counts"] = _rising(rng, one("sensor_points"), 0, one("adc_max"))
    span = max(_any_value(rng, 8, LIFT_LIMIT), one("sensor_points"))
    bottom = rng.choice((-LIFT_LIMIT, LIFT_LIMIT - span, rng.randint(-LIFT_LIMIT, LIFT_LIMIT - span)))
    heights = _rising(rng, one("sensor_points"), bottom, bottom + span)
    least, greatest = heights[0], heights[-1]
    made["sensor_height"] = heights if rng.random() < 0.5 else heights[::-1]
    made["rest"] = rng.choice((least, greatest, rng.randint(least, greatest)))
    if greatest - least < 2:
        made["sensor_points"] = 2
        made["sensor_counts"] = [0, one("adc_max")]
        made["sensor_height"] = [least, least + 8] if least < 0 else [least - 8, least]
        made["rest"] = least
        greatest = least + 8
    made["near_end"] = min(one("near_end"), greatest - least - 1)
    made["median_samples"] = rng.choice((1, 3, 5))
    made["fault_hold_ticks"] = max(one("fault_hold_ticks"), one("hold_ticks"))
    made["run_ms"] = _rising(rng, one("run_points"), 0, 65535)
    made["lift_axis"] = _rising(rng, one("lift_points"), -LIFT_LIMIT, LIFT_LIMIT)
    made["progress_axis"] = _rising(rng, one("progress_points"), 0, 65535)
    for name in ("reduction_map", "retard_map"):
        made[name] = [rng.choice((0, FULL, rng.randint(0, FULL))) for _ in range(MAP_CELLS)]
    for name in ("engine", "shaft"):
        made[f"{name}_ms"] = _rising(rng, one(f"{name}_points"), 0, 65535)
        made[f"{name}_over_rpm"] = _rising(rng, one(f"{name}_line_points"), 0, 32767)
    order = list(range(1, one("cylinders") + 1))
    rng.shuffle(order)
    made["firing_order"] = order
    return made


def plausible_calibration(rng: random.Random) -> Values:
    """The plain calibration with what decides the course of a run varied within reason."""
    return values(
        hold_ticks=rng.choice((0, 1, 5, 40)),
        fault_hold_ticks=rng.choice((40, 80)),
        release_q16=rng.choice((0, 1, 1 << 14, 1 << 20)),
        retard_release_q16=rng.choice((0, 1 << 12, 1 << 18)),
        fault_release_q16=rng.choice((1 << 12, 1 << 18)),
        hold_from=rng.randrange(2),
        retard_follows=rng.randrange(2),
        sample_ticks=rng.choice((1, 1, 2, 7)),
        confirm_samples=rng.choice((3, 20)),
        heal_samples=rng.choice((3, 20)),
        allowance_rate=rng.choice((20, 80, 2000)),
        stuck_samples=rng.choice((0, 15)),
        stuck_speed=100,
        learn_window=rng.choice((0, 8)),
        median_samples=rng.choice((1, 3, 5)),
        lowpass_q12=rng.choice((200, 4096)),
        look_rising_q12=rng.choice((0, 13107)),
        look_falling_q12=rng.choice((0, 13107)),
        look_lowpass_q12=rng.choice((400, 4096)),
        progress_axis_kind=rng.randrange(2),
        speed_source=rng.randrange(2),
        spin_up_ticks=20,
        engine_points=rng.randrange(3),
        engine_ms=[0, 200],
        engine_rpm=[3000, 6000],
        engine_after_end=rng.randrange(2),
        engine_before_launch=rng.randrange(2),
        engine_release_q16=rng.choice((0, 1 << 14)),
        shaft_points=rng.randrange(3),
        shaft_ms=[0, 200],
        shaft_rpm=[300, 1000],
        reduction_limit=rng.choice((1000, 500)),
        disarm_ticks=20,
        cylinders=rng.randint(1, 8),
        firing_order=[1, 2, 3, 4, 5, 6, 7, 8],
    )


# A number draws a whole calibration: far cheaper than to draw each of 600 values.
_numbers = st.integers(0, 1 << 32)
extreme_calibrations = _numbers.map(lambda number: any_calibration(random.Random(number)))
plausible_calibrations = _numbers.map(lambda number: plausible_calibration(random.Random(number)))
calibrations = st.one_of(plausible_calibrations, extreme_calibrations)

INPUTS = (
    *("counts", "speed", "speed_valid", "engine", "shaft", "armed", "launch"),
    *("request_reduction", "request_retard", "request_reason"),
)
Inputs = tuple[int, ...]

_switch = st.sampled_from((1, 1, 1, 0))
_legal: tuple[st.SearchStrategy[int], ...] = (
    st.one_of(st.integers(0, 4095), st.sampled_from((0, 1065, 1065, 2500, 3500, 4000, 4095))),
    st.one_of(st.integers(0, 20000), st.integers(0, 300)),
    *(_switch, st.integers(0, 32767), st.integers(0, 32767), _switch, _switch),
    *(st.integers(0, FULL), st.integers(0, FULL), st.integers(0, 255)),
)
_wild = st.one_of(
    st.integers(-(2**40), 2**40), st.sampled_from((-1, 0, 1, 1001, 20001, 32768, 65535, 65536, 2**31))
)
_quiet = st.tuples(*_legal).map(lambda row: (*row[:7], 0, 0, 0))
_one_input = st.one_of(_quiet, st.tuples(*_legal))
# Each row of inputs is repeated, and the counts move on by a slope a tick: runs, not noise.
_length = st.one_of(st.integers(1, 5), st.integers(20, 60))
segments = st.lists(st.tuples(_length, st.integers(-120, 120), _one_input), min_size=1, max_size=14)
wild_segments = st.lists(
    st.tuples(_length, st.integers(-120, 120), st.one_of(_one_input, st.tuples(*[_wild] * len(INPUTS)))),
    min_size=1,
    max_size=14,
)
Segments = list[tuple[int, int, Inputs]]


def ticks(parts: Segments, start: int = 0) -> Iterable[Inputs]:
    """The inputs of every tick, tick number first (16 bits, from `start`)."""
    number = start
    for length, slope, row in parts:
        for i in range(length):
            yield (number & 0xFFFF, row[0] + slope * i, *row[1:])
            number += 1


def outputs(made: Controller) -> tuple[int, ...]:
    """Everything a step puts out."""
    command, down, late = made.command, made.reduction, made.retard
    return (
        *(command.reduction, command.retard, command.reason, command.askers, made.faults),
        *(down.demand, down.output, down.state, down.hold_left),
        *(late.demand, late.output, late.state, late.hold_left),
        *(made.height.good, made.lift.value, made.lift.entry, made.progress.value),
        *(made.elapsed_ms, made.out_of_sight_ticks),
    )


def fields_of(part: Any) -> Iterable[tuple[str, int | list[int]]]:
    """The state fields of a stage: numbers and arrays, without its calibration."""
    for name in type(part).__slots__:
        value = getattr(part, name)
        if not name.startswith("_") and isinstance(value, int | list):
            yield name, value
