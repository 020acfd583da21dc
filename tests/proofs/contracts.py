"""What the proofs of parts take from one another: calibrations, stand-ins for what was proved, invariants.

A stand-in proves what the function demands of its caller and gives back any result that the function was
proved to give: the proof of a caller need not walk through its callees again.
"""

from __future__ import annotations

from typing import Any

from controller import constants as k
from controller.image import FIELDS
from tests.proofs.symbolic import (
    Array,
    every,
    greatest_of,
    implies,
    least_of,
    session,
    some,
)

FIELD = {name: (count, least, greatest) for name, _, count, least, greatest in FIELDS}

# An axis, and the field that says how many of its points count; the image check wants them to rise.
RISING = {
    "sensor_counts": "sensor_points",
    "run_ms": "run_points",
    "lift_axis": "lift_points",
    "progress_axis": "progress_points",
    "engine_ms": "engine_points",
    "engine_over_rpm": "engine_line_points",
    "shaft_ms": "shaft_points",
    "shaft_over_rpm": "shaft_line_points",
}

# Fields that the image check ties to one another: the first one that is asked for brings its group.
GROUPS = (
    ("window_low", "window_high", "adc_max"),
    ("sensor_points", "sensor_height", "rest", "near_end"),
    ("hold_ticks", "fault_hold_ticks"),
)


class AnyCalibration:
    """Every calibration that the image check accepts, field by field as it is looked at.

    The facts beyond the fields' own ranges are those of `facts`, which `claims.accepted` proves of the real
    check.
    """

    def __init__(self) -> None:
        self._groups: set[str] = set()
        self.found_ends: Any = None

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        for group in GROUPS:
            if name in group and group[0] not in self._groups:
                self._groups.add(group[0])
                for member in group:
                    getattr(self, member)
                for fact in facts(self, group[0]):
                    session().assume(fact)
                return getattr(self, name)
        value = self._made(name)
        setattr(self, name, value)
        return value

    def _made(self, name: str) -> Any:
        count, least, greatest = FIELD[name]
        if count == 1:
            return session().integer(name, least, greatest)
        if name in RISING:
            return Array(name, count, least, greatest, getattr(self, RISING[name]), True)
        if name == "sensor_height":
            up = session().integer("sensor_height rises", 0, 1)
            return Array(name, count, least, greatest, self.sensor_points, (up == 1).term)
        return Array(name, count, least, greatest)


def facts(c: Any, group: str) -> list[Any]:
    """What an accepted calibration keeps besides each field's range and the order of axes."""
    if group == "window_low":
        return [c.window_low < c.window_high, c.window_high <= c.adc_max]
    if group == "hold_ticks":
        return [c.fault_hold_ticks >= c.hold_ticks]
    low, high = ends(c)
    return [high - low <= k.LIFT_LIMIT, low <= c.rest, c.rest <= high, c.near_end < high - low]


def ends(c: Any) -> tuple[Any, Any]:
    """The least and the greatest height of the sensor's curve."""
    if c.found_ends:
        return c.found_ends
    first, last = c.sensor_height[0], c.sensor_height[c.sensor_points - 1]
    c.found_ends = least_of(first, last), greatest_of(first, last)
    return c.found_ends


def within(value: Any, least: Any, greatest: Any) -> Any:
    return every(value >= least, value <= greatest)


def demand(what: str, *conditions: Any) -> None:
    """What a function asks of its caller."""
    session().prove(every(*conditions), f"demanded by {what}")


# -- helpers of fixed.py (proved in claims.helpers) -----------------------------------------------------


def clamp(value: Any, least: Any, greatest: Any) -> Any:
    demand("clamp", greatest - least >= 0)
    return greatest_of(least, least_of(greatest, value))


def saturate(value: Any) -> Any:
    return greatest_of(-k.LIFT_LIMIT, least_of(k.LIFT_LIMIT, value))


# |value| and factor up to these: what is asked of mul_q12. The second is for the lift's speed.
MUL_Q12 = ((2**22 - 1, 65536), (2 * k.LIFT_LIMIT, 512000))


def mul_q12(value: Any, factor: Any) -> Any:
    demand(
        "mul_q12",
        factor >= 0,
        some(*(every(within(value, -size, size), factor <= top) for size, top in MUL_Q12)),
    )
    most = (max(-value.least, value.greatest) * factor.greatest + 2048) >> 12
    result = session().fresh(-most, most)
    exact = value * factor
    for fact in (
        within(result * 4096 - exact, -2048, 2048),
        implies(value >= 0, result >= 0),
        implies(value <= 0, result <= 0),
    ):
        session().assume(fact)
    return result


ROUND_DIV = 65536 * 16383  # the longest learning window, all of it at the greatest spread


def round_div(value: Any, divisor: Any) -> Any:
    demand("round_div", divisor > 0, divisor <= 65536, within(value, -ROUND_DIV, ROUND_DIV))
    most = max(-value.least, value.greatest)
    result = session().fresh(-most, most)
    exact = result * divisor
    for fact in (
        within(2 * exact - 2 * value, -divisor, divisor),
        implies(value >= 0, result >= 0),
        implies(value <= 0, result <= 0),
    ):
        session().assume(fact)
    return result


def interpolate(axis: Any, values: Any, points: Any, at: Any) -> Any:
    """Between the least and the greatest of the values; of a line that rises or falls, between its ends."""
    demand("interpolate", points >= 1)
    if axis.points is None or axis.points is not points:
        demand(f"interpolate: {axis.name} rises", False)
    demand("interpolate", axis.greatest - axis.least <= 65535, values.greatest - values.least <= 65535)
    result = session().fresh(values.least, values.greatest)
    if values.points is not None:
        first, last = values[0], values[points - 1]
        session().assume(within(result, least_of(first, last), greatest_of(first, last)))
    return result


# -- state ---------------------------------------------------------------------------------------------

FLAG = (0, 1)
LIFT = (-k.LIFT_LIMIT, k.LIFT_LIMIT)
SPEED = (0, k.SPEED_LIMIT)
SHARE = (0, k.FULL)
Q16 = (0, k.FULL << 16)
COUNT = (0, 65535)
ALLOWANCE = (1, k.ALLOWANCE_LIMIT)
CHAIN = (0, k.RETURN_LONGER * k.WAIT_LIMIT)

# Fields of each part that change or are set from the calibration, and their ranges; "*": an array of so many.
STATE: dict[str, dict[str, tuple[int, ...]]] = {
    "height": {
        "far": LIFT,
        "near": (-2 * k.LIFT_LIMIT, k.LIFT_LIMIT),
        "period_us": (500, 500000),
        "rate": ALLOWANCE,
        "fall_samples": (1, 40),
        "unasked_fall": (4, 4 * k.LIFT_LIMIT),
        "good": LIFT,
        "acquired": FLAG,
        "used": FLAG,
        "reseed": FLAG,
        "waited": COUNT,
        "gap": COUNT,
        "allowance_up": ALLOWANCE,
        "allowance_down": ALLOWANCE,
        "previous": LIFT,
        "agreeing": COUNT,
        "near_agreeing": COUNT,
        "bad": (0, k.WAIT_LIMIT),
        "healing": (0, k.WAIT_LIMIT),
        "faulted": FLAG,
        "fall": FLAG,
        "out_of_sight": FLAG,
        "jump_from": LIFT,
        "jump_left": (0, k.WAIT_LIMIT),
        "jump_agreeing": (0, k.WAIT_LIMIT),
        "chain": CHAIN,
        "chain_needed": CHAIN,
        "chain_least": LIFT,
        "chain_greatest": LIFT,
        "chain_least_counts": COUNT,
        "chain_greatest_counts": COUNT,
        "stuck": FLAG,
        "stuck_known": FLAG,
        "stuck_at": LIFT,
        "stuck_samples": COUNT,
        "trend_count": (0, k.TREND_SAMPLES),
        "trend_next": (0, k.TREND_SAMPLES - 1),
        "trend": (*LIFT, k.TREND_SAMPLES),
    },
    "lowpass": {
        "factor": (1, 4096),
        "value": (-k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT),
        "remainder": (-4095, 4095),
    },
    "lift": {
        "rest": LIFT,
        "moved": FLAG,
        "learn_count": (0, 65535),
        "learn_first": LIFT,
        "learn_sum": (-65535 * 16383, 65535 * 16383),
        "learn_least": (-16383, 0),
        "learn_greatest": (0, 16383),
        "latest": LIFT,
        "recent": (*LIFT, k.MEDIAN_SAMPLES),
        "recent_next": (0, k.MEDIAN_SAMPLES - 1),
        "value": LIFT,
        "entry": LIFT,
    },
    "progress": {
        "previous": SPEED,
        "valid": FLAG,
        "car_speed": SPEED,
        "airborne": FLAG,
        "spin_left": COUNT,
        "air_base": SPEED,
        "air_curve": SPEED,
        "history": (*SPEED, k.LOOKBACK_SLOTS),
        "history_next": (0, k.LOOKBACK_SLOTS - 1),
        "history_wait": (0, 999),
        "limited_q12": (0, k.ELAPSED_LIMIT << 12),
        "value": (0, k.ELAPSED_LIMIT),
    },
    "maps": {
        "column": (0, k.AXIS_POINTS - 1),
        "across": (0, 65535),
        "width": (1, 65535),
        "right": FLAG,
        "reduction": SHARE,
        "retard": SHARE,
    },
    "latch": {
        "trigger": SHARE,
        "hysteresis": SHARE,
        "hold": (0, 1200000),
        "landing": FLAG,
        "release": Q16,
        "demand": SHARE,
        "triggered": FLAG,
        "state": (0, 5),
        "output": SHARE,
        "hold_left": (0, 1200000),
        "ramp": Q16,
    },
    "slope": {"up": Q16, "down": Q16, "carried": Q16, "value": SHARE},
    "curve_request": {
        "hysteresis": (0, k.ROTATION_LIMIT),
        "after_end": (0, 1),
        "per_tick": (50, 1000),
        "active": FLAG,
        "speed": (0, k.ROTATION_LIMIT),
        "reach": (0, k.ROTATION_LIMIT),
    },
    "command": {
        "reduction_limit": SHARE,
        "retard_limit": SHARE,
        "asked_reduction": SHARE,
        "asked_retard": SHARE,
        "who": (0, 255),
        "asking": (0, 31),
        "reduction": SHARE,
        "retard": SHARE,
        "reason": (0, 255),
        "askers": (0, 31),
    },
    "events": {
        "cylinders": (1, k.CYLINDERS),
        "bits": (1, 3),
        "integral": (0, k.CYLINDERS * k.FULL * k.EVENT_WRAPS - 1),
        "place": (-1, k.CYLINDERS - 1, k.CYLINDERS + 1),
        "mark": (0, k.EVENT_WRAPS - 1, k.CYLINDERS),
        "skipped": (0, 3, k.CYLINDERS),
    },
    "controller": {
        "end_lift": LIFT,
        "started": FLAG,
        "tick": (0, k.TICK_NUMBER_MASK),
        "sample_wait": (0, 999),
        "armed": FLAG,
        "unarmed_ticks": (0, 65534),
        "launched": FLAG,
        "elapsed_ms": (0, k.ELAPSED_LIMIT),
        "elapsed_us": (0, 999),
        "failing": (0, 15),
        "fault_at_launch": FLAG,
        "keeping": FLAG,
        "keep_left": (0, 1200000),
        "blind": FLAG,
        "out_of_sight_ticks": COUNT,
        "faults": (0, 2047),
    },
}


def anything(part: Any, kind: str, c: Any = None, prefix: str | None = None, **instead: Any) -> None:
    """Gives a part any state that keeps its invariants."""
    now = session()
    if prefix is None:
        prefix = kind + "."
    for name, limits in STATE[kind].items():
        if not part.has(name):
            continue
        if name in instead:
            value = instead[name]
        elif len(limits) == 3:
            value = Array(prefix + name, limits[2], limits[0], limits[1])
        else:
            value = now.integer(prefix + name, *limits)
        setattr(part, name, value)
    if c is not None and part.has("calibration"):
        part.calibration = c
    for _, fact in invariants(part, kind, c):
        now.assume(fact)


def kept(part: Any, kind: str, c: Any = None) -> None:
    """Proves that a part's state keeps its invariants."""
    now = session()
    for name, limits in STATE[kind].items():
        if len(limits) == 2 and part.has(name):
            now.prove(
                within(_number(getattr(part, name)), *limits), f"{kind}.{name} keeps {limits[0]}..{limits[1]}"
            )
    for what, fact in invariants(part, kind, c):
        now.prove(fact, f"{kind}: {what}")


def _number(value: Any) -> Any:
    return int(value) if isinstance(value, bool) else value


def invariants(p: Any, kind: str, c: Any) -> list[tuple[str, Any]]:
    """What a part's state keeps besides each field's range."""
    if kind == "height":
        low, high = ends(c)
        return [
            ("the far end", p.far == high),
            ("near the end", p.near == p.far - c.near_end),
            ("the good height is on the curve", within(p.good, low, high)),
            ("bad counts to confirm", p.bad <= c.confirm_samples),
            ("no height accepted is a fault", implies(p.acquired == 0, p.faulted == 1)),
            ("out of sight is no fault", implies(p.out_of_sight == 1, p.faulted == 0)),
            ("a jump is provisional for a time", p.jump_left <= c.return_samples),
            ("enough that agree heal", p.jump_agreeing < c.heal_samples),
            ("what a chain needs", p.chain_needed <= k.RETURN_LONGER * c.return_samples),
            ("a chain that is long enough ends", some(p.chain == 0, p.chain < p.chain_needed)),
        ]
    if kind == "lift":
        low, high = ends(c)
        count, total, first = p.learn_count, p.learn_sum, p.learn_first
        spread = c.learn_spread * count
        return [
            ("the rest height is on the curve", within(p.rest, low, high)),
            ("the window is not full", some(count == 0, count < c.learn_window)),
            ("the spread of the window", p.learn_greatest - p.learn_least <= c.learn_spread),
            ("the sum is within count spreads", within(total, -spread, spread)),
            ("the window begins on the curve", some(count == 0, within(first, low, high))),
            ("the mean is on the curve", within(total + count * first, count * low, count * high)),
            ("the median's next place", p.recent_next < c.median_samples),
        ]
    if kind == "progress":
        return [("the mark's wait", p.history_wait < c.lookback_ticks)]
    if kind == "maps":
        return [
            ("inside the column", p.across <= p.width),
            ("the column's right", p.column + p.right <= k.AXIS_POINTS - 1),
        ]
    if kind == "latch":
        holding = some(p.state == k.PEAK, p.state == k.HOLD)
        releasing = some(p.state == k.RELEASE, p.state == k.FAULT_RELEASE)
        return [
            ("at least the demand", p.output >= p.demand),
            ("the hold", p.hold_left <= p.hold),
            ("only a hold is left over", some(holding, p.state == k.KEPT, p.hold_left == 0)),
            ("rest", implies(p.state == k.REST, every(p.output == 0, p.hold_left == 0, p.ramp == 0))),
            ("nothing taken is rest", implies(p.output == 0, p.state == k.REST)),
            ("the ramp is not above", implies(releasing, p.ramp < p.output * 65536 + 65536)),
            ("the ramp is not below", implies(releasing, p.ramp >= p.output * 65536)),
        ]
    if kind == "slope":
        return [("value", within(p.carried - p.value * 65536, 0, 65535))]
    if kind == "events":
        return [("the integral wraps", p.integral < p.cylinders * (k.FULL * k.EVENT_WRAPS))]
    if kind == "controller":
        return [
            ("the wait for a sample", p.sample_wait < c.sample_ticks),
            ("the disarming", p.unarmed_ticks < c.disarm_ticks),
            ("what is kept is left of the hold", p.keep_left <= c.fault_hold_ticks),
        ]
    return []


class Loose:
    """A part of the controller of which nothing is known but its fields' ranges, whenever one looks."""

    def __init__(self, kind: str, **methods: Any) -> None:
        self.__dict__.update(methods)
        self.__dict__["_kind"] = kind

    def __getattr__(self, name: str) -> Any:
        limits = STATE[self._kind].get(name)
        if limits is None or len(limits) == 3:
            raise AttributeError(f"{self._kind}.{name}")
        return session().fresh(*limits)
