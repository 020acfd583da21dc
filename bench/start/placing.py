"""What follows from the answers: where the ceilings lie, the look-ahead, the sensor's keys, the engine's
torque.

The ceilings and the look-ahead are those that served a spread of modelled cars best and dropped none hard:
full cut where the sensor ends, a cut that begins shortly below, a look-ahead that reaches back to the
droop. Measured in a model, on no real car.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, pi

from bench.errors import UserError
from bench.start.questions import BY_NAME, QUESTIONS, numbers

RISE_M_PER_S = 0.7  # how fast a nose rises that needs a cut
LOOK_AHEAD_MS = (250, 400)
LEAST_ROOM_MM = 60  # between the droop and the sensor's end, at the axle
FASTEST_MM_PER_MS = 4  # no nose rises or falls faster
NEAR_END_MM = 25  # at least
START_SHARE = 0.85  # where the cut begins, as a share of the lift at the sensor's end
FALL = (1.0, 0.90, 0.77, 0.65)  # of the ceilings at SPEEDS_KMH: nothing is known of lift by air
SPEEDS_KMH = (0, 80, 160, 250)
RETARD_SHARE = 0.85
TORQUE_SHAPE = (
    (0.25, 0.62),
    (0.40, 0.84),
    (0.55, 0.97),
    (0.68, 1.0),
    (0.82, 0.95),
    (1.0, 0.84),
    (1.15, 0.62),
)
"""Speed as a share of that of the best power, torque as a share of the most: a common shape, no source."""


@dataclass(frozen=True)
class Start:
    """Everything that the files say, in their units (mm, kg, N m, rpm, ms). `guessed`: names of questions
    whose answers stand in."""

    name: str
    guessed: frozenset[str]
    mass: float
    front_weight: float
    wheelbase: float
    cg_ahead: float
    cg_height: float
    droop: float
    rear_radius: float
    front_radius: float
    bar: tuple[float, float] | None
    sensor_ahead: float
    sensor_rest: float
    sensor_volts: tuple[float, float]
    sensor_range: tuple[float, float]
    sensor_period: float
    reference: float
    adc_max: int
    axle_gain: float
    end_lift: float
    start_lift: float
    look_ahead: int
    confirm: float
    torque: tuple[tuple[int, int], ...]
    stall_torque: int
    launch_speed: float
    gears: tuple[float, ...]
    final_drive: float
    shift_speed: float
    firing_order: tuple[int, ...]
    agree: int
    near_end: int

    def ceiling(self, at_rest: float) -> list[int]:
        """A line of the ceilings over SPEEDS_KMH, mm."""
        return [round(at_rest * share) for share in FALL]


def place(answers: Mapping[str, str]) -> Start:
    """What the answers come to. Raises UserError where they do not fit each other."""
    guessed = frozenset(q.name for q in QUESTIONS if not answers.get(q.name))
    given = {name: numbers(BY_NAME[name], text) for name, text in answers.items() if text and name != "name"}
    mass, front, wheelbase = (given[name][0] for name in ("mass", "front_weight", "wheelbase"))
    if front >= mass:
        what = f"{front:g} kg on the front wheels is not less than the whole car, {mass:g} kg"
        raise UserError(what, BY_NAME["front_weight"].option, "the two front scales, added up")
    ahead, rest = given["sensor_ahead"][0], given["sensor_rest"][0]
    volts, heights = given["sensor_volts"], given["sensor_range"]
    far = max(heights)
    if not min(heights) <= rest < far:
        reads = f"{min(heights):g} to {far:g} mm"
        what = f"at rest the sensor is {rest:g} mm high, outside of what it reads, {reads}"
        raise UserError(what, BY_NAME["sensor_rest"].option, "a height within its range")
    if volts[0] == volts[1] or heights[0] == heights[1]:
        raise UserError("the two points are one", BY_NAME["sensor_volts"].option, "two different ones")
    droop = given["droop"][0]
    gain = wheelbase / (wheelbase + ahead)
    period = given.get("sensor_period", [10.0])[0]
    agree = 3 if period <= 2 else 2
    near_end = max(NEAR_END_MM, ceil(FASTEST_MM_PER_MS * period * (agree + 1)))
    end = (far - rest) * gain
    if end < droop + LEAST_ROOM_MM:
        what = f"the sensor ends {end:.0f} mm above rest at the axle, and the springs alone give {droop:g} mm"
        right = f"a sensor that sees the axle rise by {droop + LEAST_ROOM_MM:g} mm or more"
        raise UserError(what, BY_NAME["sensor_range"].option, right)
    if near_end >= far - min(heights):
        what = f"the fastest nose crosses {near_end} mm in {agree + 1} readings, and the sensor sees no more"
        right = f"more readings a second, or a range of more than {near_end} mm"
        raise UserError(what, BY_NAME["sensor_period"].option, right)
    begin = max(START_SHARE * end, droop + 40)
    power, at_rpm = given["power"]
    launch = given["launch_speed"][0]
    torque = _torque(power, at_rpm)
    bar = given["bar"]
    if len(bar) == 1 and bar[0] != 0:
        raise UserError("needs two numbers", BY_NAME["bar"].option, "behind the axle, over the ground; or 0")
    order = tuple(round(number) for number in given["firing_order"])
    if sorted(order) != list(range(1, len(order) + 1)):
        what = f"{', '.join(map(str, order))} does not name each cylinder once"
        raise UserError(what, BY_NAME["firing_order"].option, f"each of 1 to {len(order)}")
    reference, bits = given.get("adc", [5.0, 12.0])
    look_ahead = min(max((begin - droop) / RISE_M_PER_S, LOOK_AHEAD_MS[0]), LOOK_AHEAD_MS[1])
    return Start(
        name=answers.get("name") or "My car", guessed=guessed, mass=mass, front_weight=front,
        wheelbase=wheelbase, cg_ahead=front / mass * wheelbase,
        cg_height=given.get("cg_height", [min(0.21 * wheelbase, 650.0)])[0], droop=droop,
        rear_radius=given["tyres"][0],
        front_radius=given["tyres"][1], bar=(bar[0], bar[1]) if len(bar) == 2 else None, sensor_ahead=ahead,
        sensor_rest=rest, sensor_volts=(volts[0], volts[1]), sensor_range=(heights[0], heights[1]),
        sensor_period=period, reference=reference, adc_max=2 ** round(bits) - 1, axle_gain=gain, end_lift=end,
        start_lift=begin, look_ahead=round(look_ahead), confirm=max(20.0, 2 * period), torque=torque,
        stall_torque=_torque_at(torque, launch), launch_speed=launch, gears=tuple(given["gears"]),
        final_drive=given["final_drive"][0], shift_speed=given.get("shift_speed", [at_rpm])[0],
        firing_order=order, agree=agree, near_end=near_end,
    )  # fmt: skip


def _torque(power: float, at_rpm: float) -> tuple[tuple[int, int], ...]:
    """Speeds and torques of the usual shape whose power (kW) at `at_rpm` is that given."""
    share = dict(TORQUE_SHAPE)[1.0]
    most = power * 1000 / (at_rpm * pi / 30) / share
    return tuple((round(at_rpm * x, -1), round(most * y)) for x, y in TORQUE_SHAPE)  # type: ignore[misc]


def _torque_at(torque: tuple[tuple[int, int], ...], rpm: float) -> int:
    """On the line through the points, their ends held."""
    for (x0, y0), (x1, y1) in pairwise(torque):
        if rpm <= x1:
            return round(y0 + (y1 - y0) * max(0.0, rpm - x0) / (x1 - x0))
    return torque[-1][1]
