"""Claims about the reference, proved for all integers of their domain by running the real functions.

Each claim is a function that `Session.run` walks along every path; `CLAIMS` lists them with the rules that
they carry. What a claim needs of a state that is not the first one is an invariant of contracts.py, which
the units of bounds.py prove to be kept.
"""

from __future__ import annotations

import builtins
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, NamedTuple

from controller import constants as k
from tests.proofs import contracts, symbolic
from tests.proofs.bounds import HELPERS, INT32, UNITS, Remembering, any_controller, any_latch, number, segment
from tests.proofs.contracts import LIFT, SHARE, AnyCalibration, anything, demand, within
from tests.proofs.symbolic import (
    Array,
    Int,
    Session,
    constant,
    equal_products,
    every,
    greatest_of,
    implies,
    least_of,
    negation,
    nonnegative_product,
    replaced,
    session,
    some,
)

OF_THE_REFERENCE = frozenset({"accepted_ranges"})  # nothing is proved of the C core by these


class Claim(NamedTuple):
    """What is proved, of which rule, for which inputs."""

    text: str
    rules: tuple[str, ...]
    domain: str
    body: Callable[[Any], None]


CLAIMS: dict[str, Claim] = {}


def claim(text: str, rules: str, domain: str) -> Callable[[Callable[[Any], None]], Callable[[Any], None]]:
    def enter(body: Callable[[Any], None]) -> Callable[[Any], None]:
        CLAIMS[body.__name__] = Claim(text, tuple(rules.split()), domain, body)
        return body

    return enter


def prove(condition: Any, what: str) -> None:
    session().prove(condition, what)


def size_of(value: Any) -> Any:
    return -value if value < 0 else value


# -- helpers --------------------------------------------------------------------------------------------


@claim("clamp and saturate cut to their limits, exactly", "H2", "all int32, least <= greatest")
def helpers_clamp(to: Any) -> None:
    value, least, greatest = (number(name, INT32) for name in ("value", "least", "greatest"))
    session().assume(least <= greatest)
    result = to.function("fixed", "clamp")(value, least, greatest)
    prove(implies(value < least, result == least), "below")
    prove(implies(value > greatest, result == greatest), "above")
    prove(implies(within(value, least, greatest), result == value), "between")
    height = number("height", INT32)
    cut = to.function("fixed", "saturate")(height)
    prove(within(cut, *LIFT), "saturated")
    prove(implies(within(height, *LIFT), cut == height), "kept")
    prove(implies(height > k.LIFT_LIMIT, cut == k.LIFT_LIMIT), "above")
    prove(implies(height < -k.LIFT_LIMIT, cut == -k.LIFT_LIMIT), "below")


@claim("mul_q12 is value * factor / 4096, rounded half away from zero", "H2 H9", "its stated domain")
def helpers_mul_q12(to: Any) -> None:
    for i, (size, top) in enumerate(contracts.MUL_Q12):
        value, factor = number(f"value{i}", (-size, size)), number(f"factor{i}", (0, top))
        result = to.function("fixed", "mul_q12")(value, factor)
        exact = size_of(value) * factor
        rounded = -result if value < 0 else result
        prove(within(2 * exact - 8192 * rounded, -4096, 4095), "rounded half up in size")
        prove(rounded >= 0, "the sign of the value")
        # the same as contracts.mul_q12 tells its callers
        prove(within(result * 4096 - value * factor, -2048, 2048), "within half")


@claim(
    "mul_div is value * numerator / denominator, rounded half away from zero, and not larger than the value",
    "M1 H1 R1",
    "|value|, denominator <= 65535, 0 <= numerator <= denominator",
)
def helpers_mul_div(to: Any) -> None:
    value, denominator = number("value", (-65535, 65535)), number("denominator", (1, 65535))
    numerator = number("numerator", (0, 65535))
    session().assume(numerator <= denominator)
    result = to.function("fixed", "mul_div")(value, numerator, denominator)
    size = size_of(value)
    rounded = -result if value < 0 else result
    exact = size * numerator
    prove(within(2 * exact - 2 * (rounded * denominator), -denominator, denominator - 1), "rounded half up")
    session().assume(nonnegative_product(rounded - size - 1, denominator))
    session().assume(nonnegative_product(-rounded - 1, denominator))
    session().assume(nonnegative_product(size, denominator - numerator))
    prove(rounded <= size, "not larger")
    prove(rounded >= 0, "the sign of the value")


@claim(
    "round_div is value / divisor, rounded half away from zero",
    "H2 H9",
    "|value| < 2^30 - 32768, divisor <= 65536",
)
def helpers_round_div(to: Any) -> None:
    value, divisor = (
        number("value", (-contracts.ROUND_DIV, contracts.ROUND_DIV)),
        number("divisor", (1, 65536)),
    )
    result = to.function("fixed", "round_div")(value, divisor)
    rounded = -result if value < 0 else result
    size = size_of(value)
    prove(within(2 * size - 2 * (rounded * divisor), -divisor, divisor - 1), "rounded half up")
    prove(rounded >= 0, "the sign of the value")
    session().assume(nonnegative_product(rounded - size - 1, divisor))
    session().assume(nonnegative_product(size, divisor - 1))
    prove(rounded <= size, "not larger")


# -- what the image check accepts -----------------------------------------------------------------------


class _Fields:
    """Every field in its own range, with nothing known of how they fit."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        count, least, greatest = contracts.FIELD[name]
        value: Any = session().integer(name, least, greatest)
        if count > 1:
            value = Remembering(Array(name, count, least, greatest))
        setattr(self, name, value)
        return value


@claim(
    "an image that is accepted keeps every fact that the proofs take from it",
    "I1",
    "all values of all fields",
)
def accepted(to: Any) -> None:
    c = _Fields()
    told: list[tuple[str, Any, Any, bool]] = []

    def says(what: str) -> Any:
        def check(values: Any, points: Any) -> bool:
            answer = bool(session().fresh(0, 1) == 1)
            told.append((what, values, points, answer))
            return answer

        return check

    c.found_ends = None
    with to.standing_in(_rises=says("rises"), _falls=says("falls"), _is_order=says("order")):
        if not to.function("image", "_in_order")(c):
            return
    yes = [(what, values, points) for what, values, points, answer in told if answer]
    for axis, points in contracts.RISING.items():
        if not any(w == "rises" and v is getattr(c, axis) and n is getattr(c, points) for w, v, n in yes):
            prove(False, f"{axis} rises")
    if not any(w in ("rises", "falls") and v is c.sensor_height and n is c.sensor_points for w, v, n in yes):
        prove(False, "the sensor's heights rise or fall")
    if not any(w == "order" and v is c.firing_order and n is c.cylinders for w, v, n in yes):
        prove(False, "the firing order")
    for group in contracts.GROUPS:
        for fact in contracts.facts(c, group[0]):
            prove(fact, f"a fact of {group}")
    prove(c.median_samples % 2 == 1, "the median's samples are odd")


@claim("an axis passes as rising or falling only if it does all along", "I1", "all axes of 1 to 16 points")
def accepted_axes(to: Any) -> None:
    points = number("points", (0, 16))
    values = Remembering(Array("values", 16, -65535, 65535))
    checks = to.axis_checks()
    check, up = checks[int(number("which", (0, len(checks) - 1)))]
    with to.standing_in():
        passes = check(values, points)
    if passes:
        last = int(points)
        for i in range(1, last):
            steps = values[i] - values[i - 1]
            prove(steps > 0 if up else steps < 0, "all along")


@claim(
    "an image is accepted only if each value lies in its field's range",
    "I1",
    "every field, any value; of the reference alone",
)
def accepted_ranges(to: Any) -> None:
    if to.is_core:
        return  # its check is a table of its own, see OF_THE_REFERENCE
    image = to.modules["image"]
    # One field at a time, arrays cut to two values: the loop over fields and values treats all alike.
    name, code, count, least, greatest = image.FIELDS[int(number("field", (0, len(image.FIELDS) - 1)))]
    count = min(count, 2)
    length = image.HEADER_BYTES + (4 if code == "I" else 2) * count
    header = {4: k.IMAGE_VERSION, 6: length, 8: 0}

    def number_at(_: bytes, at: Any, size: int) -> Any:
        place = int(at)
        return header[place] if place in header else session().fresh(0, (1 << (8 * size)) - 1)

    changes = ((image, "FIELDS", ((name, code, count, least, greatest),)), (image, "LENGTH", length))
    into = image.Calibration()
    with (
        to.standing_in(_number=number_at, image_crc=lambda _: 0, _in_order=lambda _: True),
        replaced(*changes),
    ):
        verdict = image.read(image.MAGIC + bytes(length - 4), into)
    if verdict == k.IMAGE_OK:
        value = getattr(into, name)
        for one in [value] if count == 1 else value:
            prove(within(one, least, greatest), name)
    else:
        prove(verdict == k.IMAGE_RANGE, "the one reason left")


# -- interpolation --------------------------------------------------------------------------------------


def _lines(to: Any, name: str, limits: tuple[int, int]) -> None:
    points = number("points", (1, 16))
    axis = Array("axis", 16, 0, 65535, points, True)
    values = Remembering(Array("values", 16, *limits))
    at = number("at", INT32)
    asked: list[tuple[Int, Int, Int]] = []
    now = session()

    def mul_div(value: Any, numerator: Any, denominator: Any) -> Any:
        """What helpers_mul_div proves."""
        asked.append((value, numerator, denominator))
        demand("mul_div", within(value, -65535, 65535), within(numerator, 0, denominator))
        demand("mul_div", within(denominator, 1, 65535))
        result = now.fresh(value.least, value.greatest)
        now.assume(some(within(result, 0, value), within(result, value, 0)))
        now.assume(within(2 * (value * numerator) - 2 * (result * denominator), -denominator, denominator))
        return result

    with to.standing_in(mul_div=mul_div):
        result = to.interpolate(name == "height")(axis, values, points, at)
    if not asked:
        first = every(at <= axis[0], result == values[0])
        last = every(at > axis[points - 1], result == values[points - 1])
        prove(some(first, last), "an end is held")
        return
    ((step, numerator, width),) = asked
    i = next(i for i in range(1, 16) if (at - axis[i - 1]).terms == numerator.terms)
    low, high, a, b = axis[i - 1], axis[i], values[i - 1], values[i]
    prove(i < points, "a point of the line")
    prove(every((high - low) == width, (b - a) == step), "the two points beside the place")
    prove(every(at > low, at <= high), "beside the place")
    prove(within(result, least_of(a, b), greatest_of(a, b)), "between the values beside it")
    off = (result - a) * width - step * numerator
    prove(within(2 * off, -width, width), "within half a unit of the straight line")
    if at == high:
        equal_products(at, high, a, b)
        now.assume(nonnegative_product(result - b - 1, width))
        now.assume(nonnegative_product(b - result - 1, width))
        prove(result == b, "a point gives its own value")


@claim(
    "a broken line's value lies between the two beside it, within 1/2 of exact; ends are held",
    "H1 P3 R1",
    "all lines of 1 to 16 points, any place",
)
def lines(to: Any) -> None:
    _lines(to, "counts", (0, 65535))


@claim(
    "the sensor's height lies between the two points beside it, within 1/2 of exact; ends are held",
    "H1",
    "all curves of 1 to 16 points, any place",
)
def lines_of_heights(to: Any) -> None:
    _lines(to, "height", LIFT)


class _Corners:
    """Four cells of a table by the places that `_bilinear` reads."""

    def __init__(self, cell: Any, down: Any, right: Any) -> None:
        self.names = [cell, cell + right, cell + down, cell + down + right]
        self.values = [number(name, SHARE) for name in ("first", "second", "third", "fourth")]

    def __getitem__(self, at: Any) -> Any:
        for place, value in zip(self.names, self.values, strict=True):
            if place.terms == at.terms:
                return value
        raise LookupError(at)


def _blended(to: Any) -> tuple[Any, ...]:
    part, span = number("part", (0, 65534)), number("span", (1, 65534))
    across, width = number("across", (0, 65535)), number("width", (1, 65535))
    session().assume(part <= span)
    session().assume(across <= width)
    cell, down, right = number("cell", (0, 255)), number("down", (0, 16)), number("right", (0, 1))
    corners = _Corners(cell, down, right)
    result = to.bilinear(corners, cell, down, right, part, span, across, width)
    return corners.values, part, span, across, width, result


@claim(
    "a map's value lies between the least and the greatest of the four cells around it",
    "M1",
    "all cells, all places",
)
def maps_between(to: Any) -> None:
    (first, second, third, fourth), part, span, across, width, result = _blended(to)
    values = (first, second, third, fourth)
    least, most = least_of(*values), greatest_of(*values)
    now = session()
    quotients = [q for q, _ in now.divided.values()]
    if len(quotients) == 4:  # half of the span, both sides, the blend of both
        _, left, beside, _ = quotients
        for top, low in ((first, third), (second, fourth)):
            for side in (top, low):
                for weight in (span - part, part):
                    now.assume(nonnegative_product(most - side, weight))
                    now.assume(nonnegative_product(side - least, weight))
        for side in (left, beside):
            now.assume(nonnegative_product(side - most * 16 - 1, span))
            now.assume(nonnegative_product(least * 16 - side - 1, span))
            prove(within(side, least * 16, most * 16), "along the lift axis")
            for weight in (width - across, across):
                now.assume(nonnegative_product(most * 16 - side, weight))
                now.assume(nonnegative_product(side - least * 16, weight))
        now.assume(nonnegative_product(result - most - 1, width))
        now.assume(nonnegative_product(least - result - 1, width))
    prove(within(result, least, most), "between the cells")


@claim(
    "a map's value is within 17/32 of a unit of exact bilinear interpolation", "M1", "all cells, all places"
)
def maps_exact(to: Any) -> None:
    (first, second, third, fourth), part, span, across, width, result = _blended(to)
    now = session()
    rest, over = span - part, width - across
    one, two = first * rest + third * part, second * rest + fourth * part
    exact = one * over + two * across  # times 1 / (span * width)
    quotients = [q for q, _ in now.divided.values()]
    if len(quotients) == 4:
        _, left, beside, _ = quotients
        for side, sum_, weight in ((left, one, over), (beside, two, across)):
            off = side * span - 16 * sum_
            prove(within(2 * off, -span, span), "each side within half of a sixteenth")
            now.assume(nonnegative_product(span - 2 * off, weight))
            now.assume(nonnegative_product(span + 2 * off, weight))
        last = 16 * (result * width) - (left * over + beside * across)
        prove(within(2 * last, -16 * width, 16 * width), "the blend within half of a unit")
        now.assume(nonnegative_product(16 * width - 2 * last, span))
        now.assume(nonnegative_product(16 * width + 2 * last, span))
    else:
        equal_products(first, second, rest * across)
        equal_products(first, third, part * over)
        equal_products(first, fourth, part * across)
    whole = span * width
    off = 32 * (result * whole) - 32 * exact
    prove(within(off, -17 * whole, 17 * whole), "within 17/32 of a unit")


# -- latch ----------------------------------------------------------------------------------------------


class Tick:
    """One step of any latch from any state, and what it was before."""

    def __init__(self, to: Any, **instead: Any) -> None:
        self.latch = to.part("latch")
        anything(self.latch, "latch", **instead)
        self.before = {name: getattr(self.latch, name) for name in contracts.STATE["latch"]}
        self.value = number("value", SHARE)

    def __getattr__(self, name: str) -> Any:
        return self.before[name]

    def step(self, to: Any) -> Any:
        with to.standing_in():
            self.latch.call("step", self.value)
        return self.latch

    @property
    def ramp_from(self) -> Any:
        """Where the ramp stands, or would begin."""
        if some(self.state == k.RELEASE, self.state == k.FAULT_RELEASE):
            return self.ramp
        return self.output * 65536


HOLDING = (k.PEAK, k.HOLD)
ALL_LATCHES = "any trigger, hysteresis, hold, rate and mode; any reachable state; any demand"


def holding(state: Any) -> Any:
    return some(state == k.PEAK, state == k.HOLD)


@claim("the demand is the map's value, or 0 below the trigger with its hysteresis", "L1", ALL_LATCHES)
def latch_demand(to: Any) -> None:
    t = Tick(to)
    p = t.step(to)
    least = t.trigger - t.hysteresis
    prove(some(p.demand == 0, p.demand == t.value), "0 or the value")
    prove(implies(t.value >= t.trigger, p.demand == t.value), "above the trigger")
    prove(implies(t.value < least, p.demand == 0), "below trigger and hysteresis")
    kept = every(t.value >= least, t.triggered == 1)
    prove(implies(kept, p.demand == t.value), "triggered until below")
    prove(implies(every(t.value < t.trigger, t.triggered == 0), p.demand == 0), "not triggered before")


@claim("y >= d, and y rises only to a new d", "L9", ALL_LATCHES)
def latch_above(to: Any) -> None:
    t = Tick(to)
    p = t.step(to)
    prove(p.output >= p.demand, "y >= d")
    prove(implies(p.output > t.output, p.output == p.demand), "rises only to d")


@claim("at rest y = 0, and any demand latches", "L1", ALL_LATCHES)
def latch_rest(to: Any) -> None:
    t = Tick(to)
    session().assume(t.state == k.REST)
    p = t.step(to)
    prove(t.output == 0, "y = 0 at rest")
    asked = every(t.value > 0, t.value >= t.trigger)
    prove(implies(asked, every(p.state == k.PEAK, p.output == t.value)), "latches")
    prove(implies(p.demand == 0, every(p.state == k.REST, p.output == 0)), "stays at rest")


@claim("at the peak or holding, d >= p sets p = d and starts the hold again", "L2", ALL_LATCHES)
def latch_peak(to: Any) -> None:
    t = Tick(to)
    session().assume(holding(t.state))
    p = t.step(to)
    again = every(p.state == k.PEAK, p.output == p.demand, p.hold_left == t.hold)
    prove(implies(p.demand >= t.output, again), "again")


def _hold(to: Any, landing: int) -> None:
    """`since`: ticks since the last one that starts the hold; the invariant is since + hold_left = hold."""
    t = Tick(to, landing=constant(landing))
    since = number("since", (0, 1200001))
    session().assume(some(holding(t.state), t.state == k.KEPT))
    session().assume(since + t.hold_left == t.hold)
    p = t.step(to)
    starts = p.demand > 0 if landing else False
    if some(p.demand >= t.output, starts):
        prove(every(holding(p.state), p.hold_left == t.hold), "the hold starts again")
        prove(implies(p.demand < t.output, p.output == t.output), "and the output stays")
        return
    if since < t.hold:
        prove(every(p.state == k.HOLD, p.output == t.output), "the output stays")
        prove(since + 1 + p.hold_left == t.hold, "one tick of the hold is over")
    else:
        prove(since == t.hold, "never later")
        prove(
            every(p.output < t.output, some(p.state == k.RELEASE, p.state == k.REST)), "lower at tick H + 1"
        )


@claim(
    "hold from the peak: y stays for exactly H ticks after the last tick at the peak and is lower at H + 1",
    "L3 L9",
    "any H, rate, demand; induction over the ticks of the hold",
)
def latch_hold_from_peak(to: Any) -> None:
    _hold(to, k.FROM_PEAK)


@claim(
    "hold from landing: y stays for exactly H ticks after the last tick with any d and is lower at H + 1",
    "L3",
    "any H, rate, demand; induction over the ticks of the hold",
)
def latch_hold_from_landing(to: Any) -> None:
    _hold(to, k.FROM_LANDING)


@claim(
    "release: the ramp falls by exactly the rate (to 0 in one step) and is raised to d, y is it rounded down",
    "L4",
    ALL_LATCHES,
)
def latch_release(to: Any) -> None:
    t = Tick(to)
    before = t.ramp_from
    p = t.step(to)
    if p.state == k.RELEASE or (p.state == k.REST and t.state != k.REST):
        falls = before - t.release
        if t.release > 0 and falls > 0:
            ramp = greatest_of(falls, p.demand * 65536)
            prove(implies(p.state == k.RELEASE, p.ramp == ramp), "by the rate, and on from the demand")
            expected = greatest_of(falls >> 16, p.demand)
        else:
            prove(p.ramp == p.demand * 65536, "in one step")
            expected = p.demand
        prove(p.output == expected, "the ramp, or the demand where that is higher")
        prove(p.output <= t.output, "never rises")
        prove(implies(p.demand == 0, some(p.ramp < before, before == 0)), "gets nearer to 0 in every tick")


@claim("d above y latches again at any time; until then no new hold", "L5", ALL_LATCHES)
def latch_again(to: Any) -> None:
    t = Tick(to)
    p = t.step(to)
    prove(implies(p.demand > t.output, every(p.state == k.PEAK, p.output == p.demand)), "latches again")
    quiet = every(t.state == k.RELEASE, p.demand <= t.output)
    no_hold = every(p.hold_left == 0, some(p.state == k.RELEASE, p.state == k.REST), p.output <= t.output)
    prove(implies(quiet, no_hold), "no new hold")


@claim("H = 0, one step, from the peak: y equals d at every tick", "L6", ALL_LATCHES)
def latch_without_hold(to: Any) -> None:
    zero = constant(0)
    t = Tick(to, hold=zero, release=zero, landing=zero)
    p = t.step(to)
    prove(p.output == p.demand, "y = d")


@claim(
    "with a release rate y falls by no more than it, counted from any d met on the way", "L9 L7", ALL_LATCHES
)
def latch_falls(to: Any) -> None:
    t = Tick(to)
    before = t.ramp_from
    p = t.step(to)
    if t.release > 0:
        prove((before - t.release) < p.output * 65536 + 65536, "no faster than the rate, carried exactly")
        after = p.ramp if p.state == k.RELEASE else p.output * 65536
        prove(after >= p.output * 65536, "the next tick counts from what was met")
        prove(some(p.output == 0, after >= before - t.release), "and the next tick counts from there")
    prove(some(p.output == p.demand, p.output <= t.output), "never above both")


@claim("calibrating a retard to follow leaves it no trigger and no hold", "L7", "any calibration")
def latch_calibrated(to: Any) -> None:
    p = to.part("latch")
    trigger, hysteresis, hold = (
        number("trigger", SHARE),
        number("hysteresis", SHARE),
        number("hold", (0, 1200000)),
    )
    hold_from, release = number("hold from", (0, 1)), number("release", contracts.Q16)
    follows = number("follows", (0, 1))
    p.call("calibrate", trigger, hysteresis, hold, hold_from, release, follows)
    if follows == 1:
        prove(every(p.trigger == 0, p.hold == 0), "none")
        prove(negation(to.truth(p.landing)), "none")
    else:
        prove(every(p.trigger == trigger, p.hold == hold, p.release == release), "as calibrated")
        prove(implies(to.truth(p.landing), hold_from == k.FROM_LANDING), "as calibrated")


@claim(
    "with no demand any latch comes to rest, and rest is one state",
    "L8 L4",
    "any state; ticks left: the hold, then at most the ramp",
)
def latch_to_rest(to: Any) -> None:
    t = Tick(to)
    session().assume(t.value == 0)
    before = t.ramp_from
    p = t.step(to)
    if p.state == k.REST:
        fields = (p.output, p.hold_left, p.ramp, p.demand, p.triggered)
        prove(every(*(field == 0 for field in fields)), "rest is one state")
    elif p.state == k.RELEASE:
        prove(every(p.output > 0, p.ramp < before), "the ramp is shorter, and something is still taken")
    else:
        prove(every(p.state == k.HOLD, some(holding(t.state), t.state == k.KEPT)), "holds")
        prove(p.hold_left == t.hold_left - 1, "a tick less")


@claim(
    "a longer hold gives the same output up to the shorter one's first release",
    "L9",
    "any two holds, same inputs, from rest; induction over the ticks",
)
def latch_longer_hold(to: Any) -> None:
    short, long = to.part("latch"), to.part("latch")
    anything(short, "latch")
    hold = number("longer hold", (0, 1200000))
    session().assume(hold >= short.hold)
    for name in contracts.STATE["latch"]:
        setattr(long, name, getattr(short, name))
    long.hold = hold
    left = number("left of it", (0, 1200000))
    session().assume(some(short.state == k.REST, holding(short.state)))
    session().assume(left == (short.hold_left + hold - short.hold if holding(short.state) else 0))
    long.hold_left = left
    value = number("value", SHARE)
    with to.standing_in():
        short.call("step", value)
        if not some(short.state == k.REST, holding(short.state)):
            return
        if every(short.state == k.REST, short.output == 0, long.output > 0):
            return  # released in one step
        long.call("step", value)
    for name in ("state", "output", "demand", "triggered"):
        prove(getattr(short, name) == getattr(long, name), f"the same {name}")
    if holding(short.state):
        prove(long.hold_left - short.hold_left == hold - short.hold, "the rest of the hold")


@claim(
    "a fault keeps y, then lowers it by no more than its rate: never in one step",
    "H6",
    "any state, rates the image check accepts",
)
def latch_fault(to: Any) -> None:
    p = any_latch(to)
    y = p.output
    left = p.hold_left if p.state == k.KEPT else p.hold
    with to.standing_in():
        p.call("keep")
        prove(p.output == y, "kept")
        prove(implies(y > 0, p.state == k.KEPT), "kept")
        prove(implies(y > 0, p.hold_left == greatest_of(left - 1, 0)), "and each tick counts as hold")
    rate = number("rate", (1, 100 << 16))
    q = to.part("latch")
    anything(q, "latch", prefix="other ")
    before = q.output
    releasing = q.state == k.FAULT_RELEASE
    ramp = q.ramp if releasing else before * 65536
    with to.standing_in():
        q.call("let_go", rate)
    prove(q.output <= before, "never rises")
    prove(q.output >= before - 100, "at most a tenth of all torque in a tick")
    prove(implies(q.output > 0, q.ramp == ramp - rate), "by its rate")


@claim(
    "out of sight y is the larger of y and the map's greatest, and the hold does not run", "H5", ALL_LATCHES
)
def latch_out_of_sight(to: Any) -> None:
    p = any_latch(to)
    y = p.output
    most = number("greatest", SHARE)
    with to.standing_in():
        p.call("step_out_of_sight", most)
    prove(p.output == greatest_of(y, most), "the larger")
    prove(
        implies(p.output > 0, every(p.state == k.PEAK, p.hold_left == p.hold)), "the hold stands at its start"
    )


@claim("ticks out of sight that count as hold take just so much of it", "H10", ALL_LATCHES)
def latch_shortened(to: Any) -> None:
    p = any_latch(to)
    y, left, ticks = p.output, p.hold_left, number("ticks", (1, 1 << 25))
    with to.standing_in():
        p.call("shorten", ticks)
    prove(every(p.output == y, p.hold_left == greatest_of(left - ticks, 0)), "less hold, the same output")


@claim(
    "a slope moves towards its target, never past it, by exactly its rate, and so reaches it",
    "R1 H6",
    "any rates, target and reachable state",
)
def slope(to: Any) -> None:
    p = to.part("slope")
    anything(p, "slope")
    before, target = p.carried, number("target", SHARE)
    goal = target * 65536
    with to.standing_in():
        value = p.call("step", target)
    after = p.carried
    prove(value == p.value, "gives its value")
    prove(within(after - value * 65536, 0, 65535), "rounded down")
    prove(some(within(after, before, goal), within(after, goal, before)), "towards, never past")
    up = every(goal > before, p.up > 0, goal - before > p.up)
    down = every(goal < before, p.down > 0, before - goal > p.down)
    prove(implies(up, after == before + p.up), "up by its rate")
    prove(implies(down, after == before - p.down), "down by its rate")
    prove(implies(negation(some(up, down)), after == goal), "else there")


# -- low-pass -------------------------------------------------------------------------------------------


@claim(
    "the low-pass settles exactly on a constant input and stays: it never passes it, and while it is"
    " away 4096 * value + remainder gains at least 1 a sample",
    "H7",
    "all factors 1..4096, |input| and |value| <= 100000, any remainder",
)
def lowpass(to: Any) -> None:
    p = to.part("lowpass")
    anything(p, "lowpass")
    value, remainder, factor = p.value, p.remainder, p.factor
    target = number("target", (-k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT))
    p.call("step", target)
    gained = (p.value - value) * 4096 + p.remainder - remainder
    prove(gained == (target - value) * factor, "what is not added is carried, exactly")
    prove(some(within(p.value, value, target), within(p.value, target, value)), "towards, never past")
    prove(implies(target == value, every(p.value == target, p.remainder == remainder)), "there it stays")
    prove(implies(target > value, gained >= 1), "nearer in every sample")
    prove(implies(target < value, gained <= -1), "nearer in every sample")
    prove(within(p.remainder, -4095, 4095), "the remainder is less than one")


# -- cylinder events ------------------------------------------------------------------------------------


class Event:
    """One event of any cylinder of an engine with a known number, from any state.

    `total` is what the integral would be without wrapping: `turns` wraps more.
    """

    def __init__(self, to: Any) -> None:
        self.cylinders = int(number("cylinders", (1, k.CYLINDERS)))
        self.events = to.part("events")
        self.place = number("place", (0, self.cylinders - 1))
        self.before = number("mark", (0, k.EVENT_WRAPS - 1))
        self.bits = constant(int(number("bits", (1, 3))))
        self.written: dict[str, Any] = {}
        anything(
            self.events,
            "events",
            cylinders=constant(self.cylinders),
            bits=self.bits,
            place=_One(self.place),
            mark=_One(self.before, self.written, "mark"),
            skipped=_One(constant(0), self.written, "skipped"),
        )
        self.integral = self.events.integral
        self.reduction = number("reduction", SHARE)
        with to.standing_in():
            self.result = self.events.call("event", number("cylinder", (1, k.CYLINDERS)), self.reduction)

    def floor(self, total: Any) -> Any:
        """Cylinder's floor((I + 1000 place) / (1000 n)), not wrapped."""
        return (total + k.FULL * self.place) // (k.FULL * self.cylinders)


class _One:
    """A list of which one place is looked at."""

    def __init__(self, value: Any, written: dict[str, Any] | None = None, name: str = "") -> None:
        self.value, self.written, self.name = value, written, name

    def __getitem__(self, at: Any) -> Any:
        return self.value

    def __setitem__(self, at: Any, value: Any) -> None:
        assert self.written is not None
        self.written[self.name] = self.value = value


@claim(
    "an event skips exactly when floor((I + 1000 k) / 1000 n) has moved, I the sum of the reductions without"
    " wrapping; 0 skips none and 1000 all",
    "C1 C2 C3",
    "1 to 12 cylinders, any place, integral, mark and reduction",
)
def events_event(to: Any) -> None:
    e = Event(to)
    mark = e.written["mark"]
    turn = k.FULL * e.cylinders * k.EVENT_WRAPS
    grown = e.integral + e.reduction
    # The unwrapped sum differs from the integral by whole turns, and a turn moves the floor by EVENT_WRAPS.
    prove(some(e.events.integral == grown, e.events.integral == grown - turn), "wraps by whole turns")
    prove(e.floor(grown) % k.EVENT_WRAPS == mark, "the mark is the floor, wrapped")
    prove(e.floor(grown + turn) == e.floor(grown) + k.EVENT_WRAPS, "a turn more, so many floors more")
    moved = mark != e.before
    skips = some(e.reduction >= k.FULL, every(moved, e.reduction > 0))
    prove(implies(skips, e.result == e.bits), "skips")
    prove(implies(negation(skips), e.result == 0), "fires")
    prove(e.written["skipped"] == e.result, "kept for the cycle")
    with to.standing_in():
        spark = e.events.call("spark", number("spark of", (1, k.CYLINDERS)))
    both = every(e.bits >= k.SPARK_OFF, e.result != 0)
    prove(implies(both, spark == k.SPARK_OFF), "the spark of the cycle says the same")
    prove(implies(negation(both), spark == 0), "the spark of the cycle says the same")


@claim(
    "over any number of its cycles each cylinder's skipped count is within 1 of its share",
    "C2",
    "1 to 12 cylinders, any r, number of cycles and sum before",
)
def events_cylinder(to: Any) -> None:
    """With events_event: in a cycle at constant r the sum grows by n r <= 1000 n, so the floor moves by 0 or
    1 (never by EVENT_WRAPS, which would look like 0), and skipped counts are differences of floors.
    """
    cylinders = int(number("cylinders", (1, k.CYLINDERS)))
    cycle = k.FULL * cylinders
    reduction, start = number("reduction", SHARE), number("start", (0, 1 << 40))
    step = (start + cylinders * reduction) // cycle - start // cycle
    prove(within(step, 0, 1), "0 or 1 in a cycle")
    grown = number("n r times the cycles", (0, 1 << 60))
    count = (start + grown) // cycle - start // cycle
    prove(within(count * cycle - grown, 1 - cycle, cycle - 1), "within 1 of the share")


# -- what a map is looked up with ---------------------------------------------------------------------


def _around(at: Any, axis: Any, points: Any, first: Any, inside: Any) -> None:
    """Proves that a place lies between a point of an axis and the next, or at a point, or beyond an end."""
    if inside:
        prove(every(first + 1 < points, axis[first] < at, at < axis[first + 1]), "between two points")
        return
    below = every(first == 0, at <= axis[0])
    above = every(first == points - 1, at >= axis[points - 1])
    prove(some(below, above, at == axis[first]), "at a point, or beyond an end")


@claim(
    "a map is looked up in the four cells around the place; beyond its ends in the last ones",
    "M1",
    "all maps",
)
def maps_place(to: Any) -> None:
    c = AnyCalibration()
    p = to.part("maps")
    anything(p, "maps", c)
    lift, progress = number("lift", LIFT), number("progress", (0, k.ELAPSED_LIMIT))
    asked: list[tuple[Any, ...]] = []

    def bilinear(*arguments: Any) -> Any:
        asked.append(arguments)
        return constant(len(asked))

    with to.standing_in(segment=segment, bilinear=to.bilinear_as(bilinear)):
        p.call("look", lift, progress)
    (reduction, *place), (retard, *again) = asked
    if reduction is not c.reduction_map or retard is not c.retard_map:
        prove(False, "each map for its own")
    prove(every(p.reduction == 1, p.retard == 2), "each map for its own")
    prove(every(*(one == other for one, other in zip(place, again, strict=True))), "both at one place")
    cell, down, right, part, span, across, width = place
    row, column = cell // k.AXIS_POINTS, cell % k.AXIS_POINTS
    prove(every(some(down == 0, down == k.AXIS_POINTS), some(right == 0, right == 1)), "the cells beside")
    if down == k.AXIS_POINTS:
        prove(every(part == lift - c.lift_axis[row], span == c.lift_axis[row + 1] - c.lift_axis[row]), "part")
    else:
        prove(part == 0, "at a row")
    _around(lift, c.lift_axis, c.lift_points, row, down == k.AXIS_POINTS)
    axis = c.progress_axis
    if right == 1:
        prove(every(across == progress - axis[column], width == axis[column + 1] - axis[column]), "across")
    else:
        prove(across == 0, "at a column")
    _around(progress, axis, c.progress_points, column, right == 1)


@claim(
    "out of sight the greatest value is that of the rows from one on: none is above it, one is equal",
    "H5",
    "all maps of up to 16 rows, any column and place in it",
)
def maps_greatest(to: Any) -> None:
    c = AnyCalibration()
    p = to.part("maps")
    anything(p, "maps", c)
    row = number("row", (0, k.AXIS_POINTS))
    read: dict[Any, Any] = {}

    class Table:
        def __getitem__(self, at: Any) -> Any:
            key = tuple(sorted(at.terms.items()))
            if key not in read:
                read[key] = session().fresh(*SHARE)
            return read[key]

    table = Table()
    with to.standing_in():
        most = p.call("_greatest", table, row, *([c.lift_points] if to.is_core else []))
        rows = 0
        values = []
        while row + rows < c.lift_points:
            cell = (row + rows) * k.AXIS_POINTS + p.column
            left, right = table[cell], table[cell + p.right]
            total = left * (p.width - p.across) + right * p.across
            values.append((total * 16 + 8 * p.width) // (16 * p.width))
            rows += 1
    for value in values:
        session().assume(nonnegative_product(value - most - 1, p.width))
        session().assume(nonnegative_product(most - value - 1, p.width))
        prove(value <= most, "none is above it")
    prove(some(*(value == most for value in values)) if values else most == 0, "one is equal")


# -- height -------------------------------------------------------------------------------------------


@claim(
    "which samples are used, what a fall is, when a fault and out of sight begin and end",
    "H1 H3 H4 H5 H6",
    "any calibration, reachable state, counts and speed",
)
def height_sample(to: Any) -> None:
    c = AnyCalibration()
    h = to.part("height")
    anything(h, "height", c)
    old = {name: getattr(h, name) for name in contracts.STATE["height"]}
    before = SimpleNamespace(**old)
    counts, launched, taking = number("counts", INT32), to.flag("launched"), to.flag("taking")
    heights: list[Any] = []
    followed: list[Any] = []

    def line(*arguments: Any) -> Any:
        heights.append(contracts.interpolate(*arguments))
        return heights[-1]

    def back(part: Any) -> Any:
        """What height_jump and height_chain are proved of, and no more is known of here."""
        followed.append(session().fresh(0, 1))
        return followed[-1]

    nothing = {name: lambda *_: None for name in ("height__follow_jump", "height__follow_chain")}
    with to.standing_in(interpolate=line, height__back=back, **nothing):
        held = h.call("_judge", counts, launched, taking, number("rest in use", LIFT), to.flag("falling"))
    (height,) = heights
    returned = followed[0] == 1 if followed else constant(0) == 1
    seen = within(counts, c.window_low, c.window_high)
    change = height - before.good
    agreed = h.agreeing >= c.agree_samples
    # What came back by a chain or a jump (H10, H11) starts anew; the rest is told here.
    known = every(before.acquired == 1, before.out_of_sight == 0, negation(returned))
    moved = negation(h.good == before.good)
    run, torque = to.is_set(launched), to.is_set(taking)

    prove(implies(every(moved, negation(returned)), every(seen, h.good == height)), "a height seen")
    unseen = every(h.used == before.used, negation(moved), h.agreeing == 0)
    prove(implies(every(negation(seen), negation(returned)), unseen), "not seen, not used")
    taken = every(known, moved)
    up = some(agreed, change <= least_of(before.allowance_up + before.rate, k.ALLOWANCE_LIMIT))
    prove(implies(every(taken, change > 0), up), "upwards within the allowance, or agreed")
    jumps = every(known, moved, change > h.allowance_up + before.rate + k.ALLOWANCE_LIMIT)
    prove(negation(jumps), "heights are no further apart")
    unasked = some(agreed, -change <= before.unasked_fall)
    prove(implies(every(taken, change < 0), unasked), "downwards as far as is not asked about, or agreed")
    far = every(known, seen, -change > before.allowance_down + before.rate)
    told = every(negation(moved), some(h.faulted == 1, h.out_of_sight == 1))
    prove(implies(every(far, torque), told), "a large fall while taking is no sample but a fault")
    begins = every(before.out_of_sight == 0, h.out_of_sight == 1)
    allowed = every(run, before.faulted == 0, h.faulted == 0, negation(moved))
    prove(implies(begins, allowed), "out of sight begins after launch, with no fault, on a sample not used")
    fell = every(seen, -change > before.allowance_down)
    prove(implies(begins, some(h.waited >= c.agree_samples, fell)), "by `agree` not used, or by a large fall")
    waits = every(known, run, before.faulted == 0, before.good >= before.near, negation(moved), h.used == 0)
    prove(implies(waits, some(h.bad == before.bad, seen)), "near the end what is lost does not count")
    ends = every(before.out_of_sight == 1, h.out_of_sight == 0, negation(returned))
    near = every(seen, height >= before.near, h.near_agreeing >= c.agree_samples, h.good == height)
    prove(implies(ends, near), "out of sight ends by agreeing samples near the end")
    fails = every(known, before.faulted == 0, h.faulted == 1)
    prove(
        implies(fails, some(h.bad == c.confirm_samples, every(torque, fell))),
        "a fault begins at confirm, or by a fall",
    )
    heals = every(known, before.faulted == 1, h.faulted == 0)
    healed = every(seen, before.healing + 1 >= c.heal_samples)
    prove(implies(heals, healed), "a fault ends by used samples in a row")
    lost = every(known, before.faulted == 1, negation(moved), negation(seen))
    prove(implies(lost, h.healing == 0), "one that is not used begins the row anew")
    first = every(before.acquired == 0, h.acquired == 1)
    prove(implies(first, every(seen, h.agreeing >= c.heal_samples)), "from power-up by agreeing ones")
    counts_as_hold = every(returned, before.out_of_sight == 1)
    prove(implies(negation(counts_as_hold), held == 0), "nothing else counts as hold")


@claim(
    "a chain grows only by samples that look like a nose at rest, each near the one before, and needs three"
    " times as many where no nose could be",
    "H10",
    "any calibration, reachable state, height, rest and fall",
)
def height_chain(to: Any) -> None:
    c = AnyCalibration()
    h = to.part("height")
    anything(h, "height", c)
    chain, least, greatest = h.chain, h.chain_least, h.chain_greatest
    low, high, needed, good = h.chain_least_counts, h.chain_greatest_counts, h.chain_needed, h.good
    session().assume(some(chain == 0, every(least <= greatest, low <= high)))
    counts, height = number("counts", contracts.COUNT), number("height", LIFT)
    step, rest, fall = number("step", (0, 65534)), number("rest in use", LIFT), number("fall", (1, 1 << 29))
    with to.standing_in(height__nose_fall=lambda *_: fall):
        h.call("_follow_chain", counts, height, step, rest, to.flag("falling"))
    rests = within(height - rest, -k.RETURN_BELOW, k.RETURN_ABOVE)
    prove(implies(negation(rests), h.chain == 0), "ends away from rest")
    # A quarter of the rate, rounded down.
    joins = every(chain > 0, (step - c.allowance) * 4 <= h.rate)
    prove(implies(every(rests, joins), every(h.chain == chain + 1, h.chain_needed == needed)), "grows")
    begins = every(rests, negation(joins))
    prove(implies(begins, h.chain == 1), "or begins anew")
    could_be = good - height <= fall
    times = 1 if could_be else k.RETURN_LONGER
    prove(implies(begins, h.chain_needed == c.return_samples * times), "where a nose could be, or for longer")
    prove(implies(rests, every(h.chain_least <= height, height <= h.chain_greatest)), "its spread")
    prove(
        implies(rests, every(h.chain_least_counts <= counts, counts <= h.chain_greatest_counts)), "its spread"
    )
    spread = every(h.chain_least <= least, h.chain_greatest >= greatest)
    prove(implies(every(rests, joins), spread), "its spread only grows")
    anew = every(h.chain_least == height, h.chain_greatest == height)
    prove(implies(begins, anew), "a spread anew")


@claim(
    "a sensor comes back by a chain long enough that spreads more than a frozen reading, or by `heal`"
    " agreeing samples near the height before a provisional jump, and by nothing else",
    "H10 H11",
    "any calibration and reachable state",
)
def height_back(to: Any) -> None:
    c = AnyCalibration()
    h = to.part("height")
    anything(h, "height", c)
    left, jumped = h.jump_left, h.jump_agreeing
    height = number("a height", LIFT)
    seen = to.flag("seen")
    with to.standing_in():
        h.call("_follow_jump", height, seen)
        reach = c.allowance + h.rate * h.fall_samples
        near = within(height - h.jump_from, -reach, reach)
        counts = every(to.is_set(seen), left > 0, near)
        prove(implies(negation(counts), h.jump_agreeing == 0), "only near that height, while provisional")
        more = jumped + 1 if h.agreeing > 1 else 1
        prove(implies(counts, h.jump_agreeing == more), "in a row")
        h.chain = number("chain by now", contracts.CHAIN)
        session().assume(h.chain <= h.chain_needed)
        chain, needed = h.chain, h.chain_needed
        samples = h.call("_back")
    wide = every(
        h.chain_greatest - h.chain_least > k.RETURN_SPREAD,
        h.chain_greatest_counts - h.chain_least_counts > k.RETURN_COUNTS,
    )
    healed = h.jump_agreeing >= c.heal_samples
    rested = every(chain > 0, chain >= needed, wide)
    if samples > 0:
        prove(some(healed, rested), "by nothing else")
        prove(samples == (h.jump_agreeing if healed else chain), "so many samples")
    else:
        prove(negation(some(healed, rested)), "when either is there")


@claim(
    "a reading is stuck after its time within the band with the car moving, and heals only by leaving it",
    "H8",
    "any calibration, reachable state and speed",
)
def height_stuck(to: Any) -> None:
    c = AnyCalibration()
    h = to.part("height")
    anything(h, "height", c)
    stuck, samples, reseed = h.stuck, h.stuck_samples, h.reseed
    away = h.good - h.stuck_at
    leaves = some(h.stuck_known == 0, negation(within(away, -c.stuck_band, c.stuck_band)))
    speed, taking = number("car speed", contracts.SPEED), to.flag("taking")
    moving = speed > c.stuck_speed
    with to.standing_in():
        h.call("_watch_stuck", speed, taking)
        bits = h.call("failures", taking)
    due = every(negation(leaves), moving, c.stuck_samples > 0, h.stuck_samples >= c.stuck_samples)
    prove(implies(every(stuck == 0, h.stuck == 1), due), "stuck when it is due")
    prove(implies(due, h.stuck == 1), "stuck when it is due")
    prove(implies(every(stuck == 1, negation(leaves)), h.stuck == 1), "heals only by leaving the band")
    prove(implies(leaves, every(h.stuck == 0, h.stuck_samples == 0, h.stuck_at == h.good)), "a band anew")
    counted = every(negation(leaves), moving, samples < 65535)
    prove(implies(counted, h.stuck_samples == samples + 1), "each sample in motion counts")
    prove(implies(negation(some(leaves, moving)), h.stuck_samples == 0), "a standing car begins anew")
    fault = every(h.stuck == 1, negation(to.is_set(taking)), h.out_of_sight == 0, h.good < h.near)
    with_sensor = k.FAULT_SENSOR if h.faulted == 1 else 0
    prove(
        bits == with_sensor + (k.FAULT_STUCK if fault else 0), "a fault only with nothing taken and in range"
    )
    healed = every(stuck == 1, leaves, negation(to.is_set(taking)))
    prove(implies(negation(healed), h.reseed == reseed), "filters go on")
    prove(implies(healed, h.reseed == 1), "filters begin anew after a fault")


# -- lift ---------------------------------------------------------------------------------------------


@claim("the median of 1, 3 or 5 is the middle one", "H7", "any values")
def lift_median(to: Any) -> None:
    p = to.part("lift")
    p.calibration = AnyCalibration()
    count = 2 * int(number("half", (0, 2))) + 1
    p.calibration.median_samples = constant(count)
    values = [number(f"value{i}", LIFT) for i in range(k.MEDIAN_SAMPLES)]
    p.recent = values
    with to.standing_in():
        middle = p.call("_median")
    z3 = symbolic.z3
    for holds in (lambda v: v.term <= middle.term, lambda v: v.term >= middle.term):
        enough = z3.Sum([z3.If(holds(v), 1, 0) for v in values[:count]]) >= count // 2 + 1
        prove(symbolic.Bool(enough), "half of them on each side")
    prove(some(*(v == middle for v in values[:count])), "one of them")


@claim("a lost sample never lowers the lift at which the maps are entered", "H9", "any lift, speed and times")
def lift_miss(to: Any) -> None:
    c = AnyCalibration()
    p = to.part("lift")
    p.calibration, p.value, p.entry = c, number("value", LIFT), number("entry", LIFT)
    speed = to.part("lowpass")
    anything(speed, "lowpass")
    p.speed = speed
    # Both ways of the greater of speed and 0, as what follows is then reckoned from the speed itself.
    both_ways = [(to.modules["lift"], "lift_max" if to.is_core else "max", builtins.max)]
    if to.is_core:
        both_ways.append((to.modules["fixed"], "lift_abs", size_of))
    with to.standing_in(), replaced(*both_ways):
        p.call("_look", speed.value)
        before = p.entry
        p.call("miss")
    prove(p.entry >= before, "not lowered")
    prove(implies(speed.value > 0, p.entry == before), "a rising speed stays")
    prove(implies(speed.value <= 0, p.entry == p.value), "a falling one counts as 0")
    prove(implies(p.value < c.look_from, p.entry == p.value), "nothing is added below the least lift")


# -- progress -----------------------------------------------------------------------------------------


@claim(
    "before launch progress is its source; after it moves towards it, never past, by its rates at most",
    "P1 P3",
    "any calibration, state and inputs",
)
def progress_limited(to: Any) -> None:
    c = AnyCalibration()
    p = to.part("progress")
    anything(p, "progress", c)
    before, previous = p.limited_q12, p.previous
    speed, elapsed = number("speed", contracts.SPEED), number("elapsed", (0, k.ELAPSED_LIMIT))
    flag, launched = to.input_flag("flag"), to.flag("launched")
    with to.standing_in(**HELPERS):
        p.call("step", speed, flag, elapsed, launched, number("lift", LIFT), to.flag("out of sight"))
    set_ = to.is_set(flag) if to.is_core else flag != 0
    near = every(speed - previous < c.speed_step, previous - speed < c.speed_step)
    prove(implies(every(set_, near), p.valid == 1), "valid")
    prove(implies(negation(every(set_, near)), p.valid == 0), "not valid")
    source = elapsed if c.progress_axis_kind == k.BY_TIME else p.car_speed
    if not to.is_set(launched):
        prove(every(p.value == source, p.limited_q12 == source * 4096), "the source itself")
        prove(p.car_speed == (speed if p.valid == 1 else 0), "the speed where it is valid")
        return
    goal, after = source * 4096, p.limited_q12
    prove(some(within(after, before, goal), within(after, goal, before)), "towards, never past")
    prove(within(after - before, -c.progress_down_q12, c.progress_up_q12), "by its rates at most")
    prove(within(p.value * 4096 - after, -2047, 2048), "rounded")
    if c.speed_source == k.CAR_SPEED and p.airborne == 0 and p.valid == 1:
        prove(p.car_speed == speed, "a valid speed is used")


# -- the run --------------------------------------------------------------------------------------------


@claim(
    "the run ends exactly when the disarm has been steady for its time, and begins only armed and launched",
    "L8",
    "any calibration, reachable state and switches",
)
def run_begins_and_ends(to: Any) -> None:
    p, c, calls = any_controller(to)
    armed_before, launched_before, unarmed = p.armed, p.launched, p.unarmed_ticks
    armed, launch = to.flag("armed input"), to.flag("launch input")
    with to.standing_in(**HELPERS), to.parts_standing_in(calls):
        begins = p.call("_watch_run", armed, launch)
    begins = bool(begins)
    on = to.is_set(armed)
    steady = every(negation(on), armed_before == 1, unarmed + 1 >= c.disarm_ticks)
    prove(implies(on, every(p.armed == 1, p.unarmed_ticks == 0)), "armed counts at once, and ends the count")
    prove(
        implies(steady, every(p.armed == 0, p.launched == 0, p.keeping == 0, p.blind == 0)), "the run is over"
    )
    prove(implies(negation(some(on, steady)), p.armed == armed_before), "not before")
    prove(
        implies(every(launched_before == 1, negation(steady)), p.launched == 1), "a run ends by nothing else"
    )
    starts = every(launched_before == 0, p.armed == 1, to.is_set(launch))
    prove(implies(starts, every(begins, p.launched == 1)), "a run begins")
    prove(implies(negation(starts), negation(begins)), "by nothing else")


@claim(
    "a fault while taking keeps both latches for its hold, then lets them go; without launch d = 0",
    "H5 H6 L8",
    "any calibration, reachable state of the controller and its parts",
)
def torque_phases(to: Any) -> None:
    p, c, calls = any_controller(to)
    done: list[tuple[str, Any]] = []

    def records(name: str) -> Any:
        return lambda *arguments: done.append((name, arguments[-1] if arguments else None))

    gave_up: list[bool] = []

    def give_up(*_: Any) -> None:
        gave_up.append(True)

    calls["height"]["give_up"] = give_up
    if not to.is_core:
        p.height.give_up = give_up
    for name in ("step", "step_out_of_sight", "keep", "let_go"):
        calls["latch"][name] = records(name)
        if not to.is_core:
            for latch in (p.reduction, p.retard):
                setattr(latch, name, records(name))
    away = session().fresh(0, 1)
    causes = (0, k.FAULT_SENSOR, k.FAULT_STUCK, k.FAULT_SENSOR | k.FAULT_STUCK)
    failing = constant(causes[int(number("fails", (0, 3)))])
    p.failing = constant(causes[int(number("failed", (0, 3)))])
    p.height.out_of_sight = away
    launching, taking = to.flag("launching"), to.flag("taking")
    before, keeping, left = p.failing, p.keeping, p.keep_left
    calls["height"]["failures"] = lambda *_: failing
    if not to.is_core:
        p.height.failures = lambda *_: failing
    output = number("reduction's output", SHARE)
    p.reduction.output = output
    with to.standing_in(**HELPERS), to.parts_standing_in(calls):
        p.call("_watch_faults", launching, taking)
        keeps, keep_left = p.keeping, p.keep_left
        torque = to.is_set(taking)
        fresh = every((failing & ~before) > 0, p.launched == 1)
        prove(implies(every(fresh, torque), keeps == 1), "kept from now")
        prove(implies(some(keeps == 1, away == 1), keep_left <= left), "for what is left of the hold")
        rests = every(keeps == 0, away == 0)
        prove(implies(rests, keep_left == c.fault_hold_ticks), "which is whole again after that")
        prove(implies(every(away == 1, left > 0), keep_left == left - 1), "out of sight it runs too")
        prove(bool(gave_up) == bool(every(away == 1, left == 0)), "and ends in a fault")
        prove(
            implies(negation(every(failing > 0, torque)), keeps == 0),
            "no longer than the fault and what is taken",
        )
        goes_on = every(failing > 0, (failing & ~before) == 0, torque)
        prove(implies(goes_on, keeps == keeping), "a fault that goes on changes nothing")
        prove(implies(every(goes_on, keeps == 1, away == 0), keep_left == left), "nor the hold")
        blind = every(fresh, output < c.blind_reduction, negation(to.is_set(launching)))
        prove(implies(blind, p.blind == 1), "blind with less latched than the blind reduction")
        p.call("_take_torque")
    names = [name for name, _ in done]
    prove(len(names) == 2 and names[0] == names[1], "both latches alike")
    what, given = names[0], [value for _, value in done]
    prove(implies(away == 1, what == "step_out_of_sight"), "out of sight")
    if away == 0:
        if keeps == 1:
            prove(
                implies(keep_left > 0, what == "keep" and p.keep_left == keep_left - 1), "kept, one tick less"
            )
            prove(implies(keep_left == 0, what == "let_go"), "let go")
            if what == "let_go":
                rates = every(given[0] == c.fault_release_q16, given[1] == c.fault_retard_release_q16)
                prove(rates, "each at its own rate")
        else:
            prove(what == "step", "followed")
            live = every(p.launched == 1, p.failing == 0)
            prove(implies(negation(live), every(given[0] == 0, given[1] == 0)), "no demand")


# -- a curve request --------------------------------------------------------------------------------------


@claim(
    "a speed is used when no further from the last used one than the rate allows in the time waited; else"
    " the last one stays",
    "R1",
    "any calibration, reachable state and speed",
)
def request_speed(to: Any) -> None:
    p = to.part("curve_request")
    anything(p, "curve_request")
    p.points = constant(1)
    c = AnyCalibration()
    p.ms, p.rpm = c.engine_ms, c.engine_rpm
    for name in ("reduction", "retard"):
        inner = to.part("slope")
        anything(inner, "slope", prefix=name + " ")
        setattr(p, name, inner)
    speed, reach, rpm = p.speed, p.reach, number("rpm", (0, k.ROTATION_LIMIT))
    resting = to.flag("running")
    session().assume(negation(to.is_set(resting)))  # what a request asks for is of other claims
    with to.standing_in(**HELPERS, slope__step=lambda *_: session().fresh(*SHARE)):
        p.call("step", rpm, number("elapsed", (0, k.ELAPSED_LIMIT)), resting)
    may = least_of(reach + p.per_tick, k.ROTATION_LIMIT)
    near = within(rpm - speed, -may, may)
    prove(implies(near, every(p.speed == rpm, p.reach == 0)), "used")
    prove(implies(negation(near), every(p.speed == speed, p.reach == may)), "the last one stays")


# -- the command --------------------------------------------------------------------------------------


@claim(
    "of two that ask the stronger wins, the first of equals; limits cut the result", "R3 R4", "any requests"
)
def command(to: Any) -> None:
    p = to.part("command")
    anything(p, "command")
    asked, retard, who = p.asked_reduction, p.asked_retard, p.who
    more, later, reason = number("more", SHARE), number("later", SHARE), number("its reason", (0, 255))
    with to.standing_in():
        p.call("ask", more, later, reason, number("asker", (1, 16)))
        prove(
            every(
                p.asked_reduction == greatest_of(asked, more), p.asked_retard == greatest_of(retard, later)
            ),
            "the stronger",
        )
        prove(implies(more > asked, p.who == reason), "the stronger gives its reason")
        prove(implies(more <= asked, p.who == who), "the first of equals keeps its own")
        p.call("finish")
    prove(p.reduction == least_of(greatest_of(asked, more), p.reduction_limit), "cut to its limit")
    prove(p.retard == least_of(greatest_of(retard, later), p.retard_limit), "cut to its limit")
    prove(p.reason == p.who, "published")


# The image check reckons too, before the first tick: its bounds are found with the others.
UNITS["image_check"] = accepted
UNITS["image_axes"] = accepted_axes


def run_claim(name: str, to: Any) -> Session:
    now = Session()
    now.run(lambda: CLAIMS[name].body(to))
    return now
