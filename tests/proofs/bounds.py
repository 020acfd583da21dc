"""No intermediate of the controller reaches 2**30, for any calibration, input and reachable state.

Each unit below runs one function on every state that keeps the invariants of its part (contracts.py) and on
every argument that its callers may give, notes the bound of each operation, and proves that the state keeps
the invariants. Calls from part to part are stood in for by what was proved of the callee. That the state
after power-up keeps the invariants is proved of `reset`, so by induction over the ticks every reachable state
does. `nodes.py` finds any operation of the source that was left out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller import constants as k
from tests.proofs import contracts
from tests.proofs.contracts import (
    COUNT,
    FLAG,
    LIFT,
    SHARE,
    SPEED,
    AnyCalibration,
    Loose,
    anything,
    demand,
    ends,
    kept,
    within,
)
from tests.proofs.symbolic import (
    LIMIT,
    Array,
    Int,
    NotProved,
    Session,
    equal_products,
    every,
    greatest_of,
    implies,
    least_of,
    nonnegative_product,
    session,
    some,
)

Unit = Callable[[Any], None]
UNITS: dict[str, Unit] = {}

INT32 = (-(1 << 31), (1 << 31) - 1)

HELPERS = {
    "clamp": contracts.clamp,
    "saturate": contracts.saturate,
    "mul_q12": contracts.mul_q12,
    "round_div": contracts.round_div,
    "interpolate": contracts.interpolate,
}


def unit(function: Unit) -> Unit:
    UNITS[function.__name__] = function
    return function


def number(name: str, limits: tuple[int, ...]) -> Any:
    return session().integer(name, limits[0], limits[1])


# -- fixed.py -------------------------------------------------------------------------------------------


@unit
def fixed_clamp(to: Any) -> None:
    clamp = to.function("fixed", "clamp")
    value, least, greatest = (number(name, INT32) for name in ("value", "least", "greatest"))
    session().assume(least <= greatest)
    clamp(value, least, greatest)
    to.function("fixed", "saturate")(number("height", INT32))


@unit
def fixed_mul_q12(to: Any) -> None:
    for i, (size, top) in enumerate(contracts.MUL_Q12):
        to.function("fixed", "mul_q12")(number(f"value{i}", (-size, size)), number(f"factor{i}", (0, top)))


@unit
def fixed_mul_div(to: Any) -> None:
    value, denominator = number("value", (-65535, 65535)), number("denominator", (1, 65535))
    numerator = number("numerator", (0, 65535))
    session().assume(numerator <= denominator)
    to.function("fixed", "mul_div")(value, numerator, denominator)


@unit
def fixed_round_div(to: Any) -> None:
    size = contracts.ROUND_DIV
    to.function("fixed", "round_div")(number("value", (-size, size)), number("divisor", (1, 65536)))


def _line(to: Any, name: str, limits: tuple[int, int]) -> None:
    """Any line of up to 16 points; mul_div is stood in for by its bound."""

    def mul_div(value: Any, numerator: Any, denominator: Any) -> Any:
        demand("mul_div", within(value, -65535, 65535), within(numerator, 0, denominator))
        demand("mul_div", within(denominator, 1, 65535))
        result = session().fresh(value.least, value.greatest)
        session().assume(some(within(result, 0, value), within(result, value, 0)))
        return result

    with to.standing_in(mul_div=mul_div):
        points = number("points", (1, 16))
        axis = Array("axis", 16, 0, 65535, points, True)
        line = to.interpolate(name == "height")
        line(axis, Remembering(Array("values", 16, *limits)), points, number("at", INT32))


@unit
def fixed_interpolate(to: Any) -> None:
    _line(to, "counts", (0, 65535))


@unit
def fixed_interpolate_height(to: Any) -> None:
    _line(to, "height", LIFT)


class Remembering:
    """A list of unknowns that gives the same value again at the same place, each place by itself."""

    def __init__(self, array: Array) -> None:
        self._array = array
        self._read: dict[int, Any] = {}

    def __getitem__(self, at: Any) -> Any:
        place = int(at)
        if place not in self._read:
            self._read[place] = self._array[place]
        return self._read[place]


# -- height.py ------------------------------------------------------------------------------------------


def any_height(to: Any) -> tuple[Any, Any]:
    c = AnyCalibration()
    h = to.part("height")
    anything(h, "height", c)
    return h, c


@unit
def height_reset(to: Any) -> None:
    c = AnyCalibration()
    h = to.part("height")
    h.trend = Array("trend", k.TREND_SAMPLES, *LIFT)
    to.reset(h, c)
    kept(h, "height", c)


def has_gap(h: Any) -> Any:
    """What Lift.sample divides by: a sample used with no new start has samples since the one before."""
    return implies(every(h.used == 1, h.reseed == 0), h.gap >= 1)


def changes(part: Any, kind: str, c: Any, *names: str) -> None:
    """Stands in for a call: these fields may be anything that keeps the invariants."""
    for name in names:
        setattr(part, name, session().fresh(*contracts.STATE[kind][name]))
    for _, fact in contracts.invariants(part, kind, c):
        session().assume(fact)


def changed_only(part: Any, kind: str, before: dict[str, Any], *names: str) -> None:
    for name, value in before.items():
        if name not in names and getattr(part, name) is not value:
            raise NotProved(f"{kind}.{name} changes")


def fields(part: Any, kind: str) -> dict[str, Any]:
    return {name: getattr(part, name) for name in contracts.STATE[kind]}


OF_KEEP = ("good", "gap", "waited", "allowance_up", "allowance_down")
OF_START = (*OF_KEEP, "used", "reseed", "healing", "trend_count")
OF_HEAL = (*OF_START, "out_of_sight", "faulted", "fall", "bad", "jump_left", "jump_agreeing", "chain")
OF_USE = (*OF_HEAL, "trend_next")
OF_COMPARE = ("agreeing", "near_agreeing", "previous")
OF_CHAIN = (
    *("chain", "chain_needed", "chain_least", "chain_greatest"),
    *("chain_least_counts", "chain_greatest_counts"),
)
OF_REFUSE = ("healing", "out_of_sight", "bad", "fall", "faulted")
OF_BELIEVE = (*OF_USE, "jump_from")
OF_STUCK = ("reseed", "stuck", "stuck_known", "stuck_at", "stuck_samples")
OF_CALIBRATION = ("far", "near", "period_us", "rate", "fall_samples", "unasked_fall")
STEP = (0, 65534)  # from one height to the next


@unit
def height_use(to: Any) -> None:
    h, c = any_height(to)
    height = number("height", LIFT)
    for fact in (within(height, *ends(c)), h.waited >= 1, h.used == 0, h.reseed == 0, h.acquired == 1):
        session().assume(fact)
    before = fields(h, "height")
    with to.standing_in():
        h.call("_use", height)
    kept(h, "height", c)
    session().prove(has_gap(h), "a used sample has a gap")
    changed_only(h, "height", before, *OF_USE)


@unit
def height_heal(to: Any) -> None:
    h, c = any_height(to)
    height = number("height", LIFT)
    session().assume(every(within(height, *ends(c)), h.acquired == 1))
    before = fields(h, "height")
    h.call("_heal", height)
    kept(h, "height", c)
    session().prove(every(h.used == 1, h.reseed == 1), "used, and the filters begin anew")
    changed_only(h, "height", before, *OF_HEAL)


@unit
def height_compare(to: Any) -> None:
    h, c = any_height(to)
    before = fields(h, "height")
    with to.standing_in():
        h.call("_compare", number("height", LIFT), number("step", STEP), to.flag("seen"))
    kept(h, "height", c)
    changed_only(h, "height", before, *OF_COMPARE)


@unit
def height_follow_jump(to: Any) -> None:
    h, c = any_height(to)
    before = fields(h, "height")
    with to.standing_in():
        h.call("_follow_jump", number("height", LIFT), to.flag("seen"))
    session().prove(within(h.jump_agreeing, 0, c.heal_samples), "counts to heal")
    changed_only(h, "height", before, "jump_agreeing")


@unit
def height_nose_fall(to: Any) -> None:
    h, _ = any_height(to)
    with to.standing_in():
        fall = h.call("_nose_fall", to.flag("falling"))
    session().prove(fall >= 1, "a fall")


@unit
def height_follow_chain(to: Any) -> None:
    h, c = any_height(to)
    before = fields(h, "height")
    counts, height, step = number("counts", COUNT), number("height", LIFT), number("step", STEP)
    with to.standing_in(height__nose_fall=lambda *_: session().fresh(1, LIMIT - 1)):
        h.call("_follow_chain", counts, height, step, number("rest in use", LIFT), to.flag("falling"))
    session().prove(within(h.chain, 0, h.chain_needed), "counts to what it needs")
    session().prove(h.chain_needed <= k.RETURN_LONGER * c.return_samples, "what a chain needs")
    for name in OF_CHAIN:
        session().prove(within(getattr(h, name), *contracts.STATE["height"][name]), name)
    changed_only(h, "height", before, *OF_CHAIN)


def almost(part: Any, c: Any) -> Any:
    """What follow_jump and follow_chain leave, before `back` looks at it."""
    return every(
        within(part.jump_agreeing, 0, c.heal_samples),
        within(part.chain, 0, part.chain_needed),
        part.chain_needed <= k.RETURN_LONGER * c.return_samples,
    )


@unit
def height_back(to: Any) -> None:
    h, c = any_height(to)
    h.jump_agreeing, h.chain = (
        number("agreeing by now", (0, k.WAIT_LIMIT)),
        number("chain by now", contracts.CHAIN),
    )
    session().assume(almost(h, c))
    before = fields(h, "height")
    with to.standing_in():
        samples = h.call("_back")
    session().prove(within(samples, *contracts.CHAIN), "samples")
    if samples == 0:
        kept(h, "height", c)
    changed_only(h, "height", before, "chain")


@unit
def height_believe(to: Any) -> None:
    h, c = any_height(to)
    height = number("height", LIFT)
    for fact in (within(height, *ends(c)), h.waited >= 1, h.used == 0, h.reseed == 0, h.acquired == 1):
        session().assume(fact)
    session().assume(h.out_of_sight == 0)
    before = fields(h, "height")

    def use(part: Any, height: Any) -> None:
        demand("_use", within(height, *ends(c)), part.waited >= 1, part.used == 0, part.reseed == 0)
        demand("_use", part.acquired == 1)
        changes(part, "height", c, *OF_USE)
        session().assume(has_gap(part))

    def refuse(part: Any, *_: Any) -> None:
        demand("_refuse", part.out_of_sight == 0)
        changes(part, "height", c, *OF_REFUSE)

    with to.standing_in(height__use=use, height__refuse=refuse):
        h.call("_believe", height, to.flag("seen"), to.flag("launched"), to.flag("taking"))
    kept(h, "height", c)
    session().prove(has_gap(h), "a used sample has a gap")
    changed_only(h, "height", before, *OF_BELIEVE)


@unit
def height_give_up(to: Any) -> None:
    h, c = any_height(to)
    h.call("give_up")
    kept(h, "height", c)


@unit
def height_refuse(to: Any) -> None:
    h, c = any_height(to)
    session().assume(h.out_of_sight == 0)
    before = fields(h, "height")
    with to.standing_in():
        h.call("_refuse", to.flag("launched"), to.flag("taking"), to.flag("fell"))
    kept(h, "height", c)
    changed_only(h, "height", before, *OF_REFUSE)


@unit
def height_watch_stuck(to: Any) -> None:
    h, c = any_height(to)
    session().assume(has_gap(h))
    before = fields(h, "height")
    with to.standing_in():
        h.call("_watch_stuck", number("car speed", SPEED), to.flag("taking"))
    kept(h, "height", c)
    session().prove(has_gap(h), "a used sample has a gap")
    changed_only(h, "height", before, *OF_STUCK)


@unit
def height_judge(to: Any) -> None:
    h, c = any_height(to)
    session().assume(every(h.used == 0, h.reseed == 0))

    def fresh(part: Any, *names: str) -> None:
        for name in names:
            setattr(part, name, session().fresh(*contracts.STATE["height"][name]))

    def compare(part: Any, height: Any, step: Any, _: Any) -> None:
        demand("_compare", within(height, *LIFT), within(step, *STEP))
        fresh(part, *OF_COMPARE)

    def follow_jump(part: Any, *_: Any) -> None:
        fresh(part, "jump_agreeing")
        session().assume(part.jump_agreeing <= c.heal_samples)

    def follow_chain(part: Any, counts: Any, height: Any, step: Any, rest: Any, _: Any) -> None:
        demand("_follow_chain", within(counts, *COUNT), within(height, *LIFT), within(step, *STEP))
        demand("_follow_chain", within(rest, *LIFT))
        fresh(part, *OF_CHAIN)
        session().assume(almost(part, c))

    def back(part: Any) -> Any:
        demand("_back", almost(part, c))
        fresh(part, "chain")
        samples = session().fresh(*contracts.CHAIN)
        if samples == 0:
            for _, fact in contracts.invariants(part, "height", c):
                session().assume(fact)
        return samples

    def heal(part: Any, height: Any) -> None:
        demand("_heal", within(height, *ends(c)), part.acquired == 1)
        fresh(part, *OF_HEAL)
        session().assume(part.reseed == 1)
        for _, fact in contracts.invariants(part, "height", c):
            session().assume(fact)

    def believe(part: Any, height: Any, *_: Any) -> None:
        demand("_believe", within(height, *ends(c)), part.waited >= 1, part.used == 0, part.reseed == 0)
        demand("_believe", part.acquired == 1, part.out_of_sight == 0)
        changes(part, "height", c, *OF_BELIEVE)
        session().assume(has_gap(part))

    with to.standing_in(
        **HELPERS,
        height__compare=compare,
        height__follow_jump=follow_jump,
        height__follow_chain=follow_chain,
        height__back=back,
        height__heal=heal,
        height__believe=believe,
    ):
        launched, taking, falling = to.flag("launched"), to.flag("taking"), to.flag("falling")
        held = h.call(
            "_judge", number("counts", INT32), launched, taking, number("rest in use", LIFT), falling
        )
    session().prove(within(held, *contracts.CHAIN), "samples")
    kept(h, "height", c)
    session().prove(has_gap(h), "a used sample has a gap")


@unit
def height_sample(to: Any) -> None:
    h, c = any_height(to)

    def judge(part: Any, *_: Any) -> Any:
        demand("_judge", part.used == 0, part.reseed == 0)
        changes(
            part,
            "height",
            c,
            *contracts.STATE["height"].keys() - {*OF_CALIBRATION, "trend"},
        )
        session().assume(has_gap(part))
        return session().fresh(*contracts.CHAIN)

    def watch_stuck(part: Any, *_: Any) -> None:
        demand("_watch_stuck", has_gap(part))
        changes(part, "height", c, *OF_STUCK)
        session().assume(has_gap(part))

    with to.standing_in(height__judge=judge, height__watch_stuck=watch_stuck):
        h.call(
            "sample",
            number("counts", INT32),
            number("car speed", SPEED),
            to.flag("launched"),
            to.flag("taking"),
            number("rest in use", LIFT),
            to.flag("falling"),
        )
    kept(h, "height", c)
    session().prove(has_gap(h), "a used sample has a gap")


@unit
def height_bits(to: Any) -> None:
    h, _ = any_height(to)
    bits = h.call("failures", to.flag("taking"))
    session().prove(within(bits, 0, 15), "failures")
    session().prove(within(h.call("fault_bits"), 0, 127), "fault bits")


@unit
def height_disarm(to: Any) -> None:
    h, c = any_height(to)
    h.call("disarm")
    kept(h, "height", c)


# -- lift.py --------------------------------------------------------------------------------------------


def lowpass_step(part: Any, target: Any) -> Any:
    """The value goes towards the target, not beyond (proved in `lowpass`)."""
    demand("LowPass.step", within(target, -k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT))
    before = part.value
    part.value = session().fresh(-k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT)
    session().assume(some(within(part.value, before, target), within(part.value, target, before)))
    part.remainder = session().fresh(-4095, 4095)
    return part.value


@unit
def lowpass(to: Any) -> None:
    p = to.part("lowpass")
    anything(p, "lowpass")
    before = p.value
    target = number("target", (-k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT))
    p.call("step", target)
    kept(p, "lowpass")
    session().prove(
        some(within(p.value, before, target), within(p.value, target, before)), "towards the target"
    )


def any_lift(to: Any) -> tuple[Any, Any]:
    c = AnyCalibration()
    session().assume(c.median_samples % 2 == 1)
    p = to.part("lift")
    low, speed = to.part("lowpass"), to.part("lowpass")
    anything(low, "lowpass", prefix="lowpass ", value=number("lowpass value", LIFT))
    anything(speed, "lowpass", prefix="speed ")
    p.lowpass, p.speed = low, speed
    anything(p, "lift", c)
    return p, c


def lift_kept(p: Any, c: Any) -> None:
    kept(p, "lift", c)
    session().prove(within(p.lowpass.value, *LIFT), "the filtered lift is a lift")
    for one in (p.lowpass, p.speed):
        session().prove(within(one.value, -k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT), "low-pass")
        session().prove(within(one.remainder, -4095, 4095), "low-pass")


@unit
def lift_reset(to: Any) -> None:
    p, c = any_lift(to)
    p.call("forget")
    lift_kept(p, c)
    to.reset(p, c)
    lift_kept(p, c)


@unit
def lift_of_height(to: Any) -> None:
    p, _ = any_lift(to)
    height = number("height", LIFT)
    with to.standing_in(**HELPERS):
        session().prove(within(p.call("of_height", height), *LIFT), "a lift")


@unit
def lift_learn(to: Any) -> None:
    p, c = any_lift(to)
    height = number("height", LIFT)
    session().assume(within(height, *ends(c)))
    with to.standing_in(**{**HELPERS, "round_div": learn_mean(p, c)}):
        p.call("learn", height, to.flag("still"))
    lift_kept(p, c)


def learn_mean(p: Any, c: Any) -> Any:
    """round_div, and what rounding keeps: a quotient rounded is between the integers it was between."""

    def round_div(value: Any, divisor: Any) -> Any:
        result = contracts.round_div(value, divisor)
        equal_products(p.learn_count, divisor, p.learn_first, *ends(c))
        for bound in (end - p.learn_first for end in ends(c)):
            exact = value - bound * divisor
            # value <= bound * divisor gives result <= bound, and the same below
            session().assume(implies(exact <= 0, result <= bound))
            session().assume(implies(exact >= 0, result >= bound))
        return result

    return round_div


@unit
def rounding_keeps_bounds(to: Any) -> None:
    """What learn_mean adds to round_div, proved of the real one."""
    size = contracts.ROUND_DIV
    value, divisor = number("value", (-size, size)), number("divisor", (1, 65536))
    bound = number("bound", (-2 * k.LIFT_LIMIT, 2 * k.LIFT_LIMIT))
    result = to.function("fixed", "round_div")(value, divisor)
    for over in (result - bound - 1, bound - result - 1):
        session().assume(nonnegative_product(over, divisor))
    exact = value - bound * divisor
    session().prove(implies(exact <= 0, result <= bound), "rounded, not above")
    session().prove(implies(exact >= 0, result >= bound), "rounded, not below")


@unit
def lift_sample(to: Any) -> None:
    p, c = any_lift(to)
    height, gap = number("height", LIFT), number("gap", COUNT)
    session().assume(within(height, *ends(c)))
    reseed = to.flag("reseed")
    session().assume(some(to.is_set(reseed), gap >= 1))
    with to.standing_in(
        **HELPERS,
        lowpass__step=lowpass_step,
        lift__median=lambda part: session().fresh(*LIFT),
        lift__look=look,
    ):
        p.call("sample", height, reseed, gap)
    lift_kept(p, c)


def look(part: Any, speed: Any) -> None:
    demand("Lift._look", within(speed, -k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT))
    part.entry = session().fresh(*LIFT)


@unit
def lift_look(to: Any) -> None:
    p, c = any_lift(to)
    with to.standing_in(**HELPERS):
        p.call("_look", number("given speed", STATE_SPEED))
        lift_kept(p, c)
        p.call("miss")
    lift_kept(p, c)


STATE_SPEED = (-k.LIFT_SPEED_LIMIT, k.LIFT_SPEED_LIMIT)


@unit
def lift_median(to: Any) -> None:
    p, _ = any_lift(to)
    with to.standing_in():
        session().prove(within(p.call("_median"), *LIFT), "the median is a lift")


# -- progress.py ----------------------------------------------------------------------------------------


@unit
def progress_reset(to: Any) -> None:
    c = AnyCalibration()
    p = to.part("progress")
    p.history = Array("history", k.LOOKBACK_SLOTS, *SPEED)
    to.reset(p, c)
    kept(p, "progress", c)


@unit
def progress_step(to: Any) -> None:
    c = AnyCalibration()
    p = to.part("progress")
    anything(p, "progress", c)
    with to.standing_in(**HELPERS):
        p.call(
            "step",
            number("speed", SPEED),
            to.input_flag("flag"),
            number("elapsed", (0, k.ELAPSED_LIMIT)),
            to.flag("launched"),
            number("lift", LIFT),
            to.flag("out of sight"),
        )
    kept(p, "progress", c)


# -- maps.py --------------------------------------------------------------------------------------------


def segment(axis: Any, points: Any, at: Any) -> Any:
    demand("_segment", points >= 1, points <= k.AXIS_POINTS, axis.points is points)
    result = session().fresh(0, k.AXIS_POINTS - 1)
    session().assume(result < points)
    session().assume(some(result == 0, axis[result] <= at))
    if result + 1 < points:
        session().assume(at < axis[result + 1])
    return result


def _segment_of(to: Any, name: str, limits: tuple[int, int]) -> None:
    points = number("points", (1, k.AXIS_POINTS))
    axis = Array("axis", k.AXIS_POINTS, *limits, points, True)
    at = number("at", limits)
    with to.standing_in():
        result = to.segment(name == "lift")(axis, points, at)
    session().prove(every(result >= 0, result < points), "a point")
    session().prove(some(result == 0, axis[result] <= at), "not above the place")
    if result + 1 < points:
        session().prove(at < axis[result + 1], "the last such")


@unit
def maps_segment_lift(to: Any) -> None:
    _segment_of(to, "lift", LIFT)


@unit
def maps_segment_progress(to: Any) -> None:
    _segment_of(to, "progress", COUNT)


def any_maps(to: Any) -> tuple[Any, Any]:
    c = AnyCalibration()
    p = to.part("maps")
    anything(p, "maps", c)
    return p, c


def column_fits(p: Any, c: Any) -> Any:
    return p.column + p.right < c.progress_points


@unit
def maps_column(to: Any) -> None:
    p, c = any_maps(to)
    with to.standing_in(segment=segment):
        p.call("_find_column", number("progress", (0, k.ELAPSED_LIMIT)))
    kept(p, "maps", c)
    session().prove(column_fits(p, c), "the column is one of the map's")


def find_column(p: Any, progress: Any) -> None:
    demand("_find_column", within(progress, 0, k.ELAPSED_LIMIT))
    for name in ("column", "across", "width", "right"):
        setattr(p, name, session().fresh(*contracts.STATE["maps"][name]))
    for _, fact in contracts.invariants(p, "maps", None):
        session().assume(fact)


def blend(p: Any, row: Any, down: Any, part: Any, span: Any) -> None:
    demand(
        "_blend",
        within(row, 0, k.AXIS_POINTS - 1),
        some(down == 0, every(down == 16, row < k.AXIS_POINTS - 1)),
    )
    demand("_blend", within(part, 0, span), within(span, 1, 65534))
    p.reduction, p.retard = session().fresh(*SHARE), session().fresh(*SHARE)


@unit
def maps_look(to: Any) -> None:
    p, c = any_maps(to)
    with to.standing_in(segment=segment, maps__find_column=find_column, maps__blend=blend):
        p.call("look", number("lift", LIFT), number("progress", (0, k.ELAPSED_LIMIT)))
    kept(p, "maps", c)


def bilinear(
    table: Any, cell: Any, down: Any, right: Any, part: Any, span: Any, across: Any, width: Any
) -> Any:
    demand("_bilinear", cell >= 0, cell + down + right <= k.MAP_CELLS - 1, down >= 0, right >= 0)
    demand("_bilinear", within(part, 0, span), within(span, 1, 65534))
    demand("_bilinear", within(across, 0, width), within(width, 1, 65535))
    return session().fresh(*SHARE)


@unit
def maps_blend(to: Any) -> None:
    p, c = any_maps(to)
    row, down = number("row", (0, k.AXIS_POINTS - 1)), number("down", (0, 16))
    part, span = number("part", (0, 65534)), number("span", (1, 65534))
    session().assume(some(down == 0, every(down == 16, row < k.AXIS_POINTS - 1)))
    session().assume(part <= span)
    with to.standing_in(bilinear=to.bilinear_as(bilinear)):
        p.call("_blend", row, down, part, span)
    kept(p, "maps", c)


@unit
def maps_bilinear(to: Any) -> None:
    part, span = number("part", (0, 65534)), number("span", (1, 65534))
    across, width = number("across", (0, 65535)), number("width", (1, 65535))
    session().assume(part <= span)
    session().assume(across <= width)
    cell, down, right = number("cell", (0, 255)), number("down", (0, 16)), number("right", FLAG)
    session().assume(cell + down + right <= k.MAP_CELLS - 1)
    table = Array("table", k.MAP_CELLS, *SHARE)
    value = to.bilinear(table, cell, down, right, part, span, across, width)
    session().prove(within(value, *SHARE), "a share")


@unit
def maps_greatest(to: Any) -> None:
    p, c = any_maps(to)
    row = number("row", (0, k.AXIS_POINTS))
    with to.standing_in():
        value = p.call("_greatest", c.reduction_map, row, *([c.lift_points] if to.is_core else []))
    session().prove(within(value, *SHARE), "a share")


@unit
def maps_out_of_sight(to: Any) -> None:
    p, c = any_maps(to)

    def look_stand_in(part: Any, lift: Any, progress: Any) -> None:
        demand("Maps.look", within(lift, *LIFT), within(progress, 0, k.ELAPSED_LIMIT))
        find_column(part, progress)
        part.reduction, part.retard = session().fresh(*SHARE), session().fresh(*SHARE)

    def greatest(part: Any, table: Any, row: Any, *rows: Any) -> Any:
        demand("_greatest", within(row, 0, k.AXIS_POINTS))
        return session().fresh(*SHARE)

    with to.standing_in(maps__look=look_stand_in, maps__greatest=greatest):
        p.call("look_out_of_sight", number("end lift", LIFT), number("progress", (0, k.ELAPSED_LIMIT)))
    kept(p, "maps", c)


# -- latch.py -------------------------------------------------------------------------------------------


def any_latch(to: Any) -> Any:
    p = to.part("latch")
    anything(p, "latch")
    return p


@unit
def latch_reset(to: Any) -> None:
    p = any_latch(to)
    p.call("reset")
    kept(p, "latch")


@unit
def latch_step(to: Any) -> None:
    p = any_latch(to)
    with to.standing_in():
        p.call("step", number("value", SHARE))
    kept(p, "latch")


@unit
def latch_out_of_sight(to: Any) -> None:
    p = any_latch(to)
    with to.standing_in():
        p.call("step_out_of_sight", number("greatest", SHARE))
    kept(p, "latch")


@unit
def latch_fault(to: Any) -> None:
    p = any_latch(to)
    with to.standing_in():
        p.call("keep")
        kept(p, "latch")
        p.call("let_go", number("rate", Q16_RATE))
    kept(p, "latch")


@unit
def latch_shorten(to: Any) -> None:
    p = any_latch(to)
    with to.standing_in():
        p.call("shorten", number("ticks", (1, CHAIN_TICKS)))
    kept(p, "latch")


@unit
def latch_let_go(to: Any) -> None:
    p = any_latch(to)
    with to.standing_in():
        p.call("let_go", number("rate", Q16_RATE))
    kept(p, "latch")


CHAIN_TICKS = k.RETURN_LONGER * k.WAIT_LIMIT * 1000
Q16_RATE = (1, k.FULL << 16)


@unit
def slope(to: Any) -> None:
    p = to.part("slope")
    anything(p, "slope")
    with to.standing_in():
        p.call("step", number("target", SHARE))
    kept(p, "slope")
    p.call("reset")
    kept(p, "slope")


# -- requests.py ----------------------------------------------------------------------------------------


@unit
def maps_reset(to: Any) -> None:
    p, c = to.part("maps"), AnyCalibration()
    anything(p, "maps")
    to.reset(p, c)
    kept(p, "maps")


def any_curve_request(to: Any) -> tuple[Any, list[Any]]:
    """A request in any state, and its two slopes."""
    p = to.part("curve_request")
    anything(p, "curve_request")
    slopes = []
    for name in ("reduction", "retard"):
        inner = to.part("slope")
        anything(inner, "slope", prefix=name + " ")
        setattr(p, name, inner)
        slopes.append(inner)
    return p, slopes


@unit
def curve_request_reset(to: Any) -> None:
    p, slopes = any_curve_request(to)
    with to.standing_in():
        p.call("reset")
    kept(p, "curve_request")
    for inner in slopes:
        kept(inner, "slope")


@unit
def curve_request_calibrate(to: Any) -> None:
    c, p = AnyCalibration(), to.part("curve_request")
    curve = (c.engine_points, c.engine_ms, c.engine_rpm, c.engine_after_end, c.engine_hysteresis)
    p.call("calibrate_curve", *curve, c.tick_us)
    session().prove(within(p.per_tick, *contracts.STATE["curve_request"]["per_tick"]), "rpm a tick")


@unit
def command_reset(to: Any) -> None:
    p = to.part("command")
    anything(p, "command")
    with to.standing_in():
        p.call("reset")
    kept(p, "command")
    for name in ("reduction", "retard", "reason", "askers"):
        session().prove(getattr(p, name) == 0, f"nobody asks: {name}")


@unit
def curve_request(to: Any) -> None:
    c = AnyCalibration()
    p, _ = any_curve_request(to)
    which = "engine_" if number("which", FLAG) == 0 else "shaft_"
    for name in ("points", "ms", "rpm", "line_points"):
        setattr(p, name, getattr(c, which + name))
    p.line = getattr(c, which + "over_rpm")
    p.line_reduction, p.line_retard = getattr(c, which + "reduction"), getattr(c, which + "retard")

    def step(part: Any, target: Any) -> Any:
        demand("Slope.step", within(target, *SHARE))
        return session().fresh(*SHARE)

    with to.standing_in(**HELPERS, slope__step=step):
        p.call(
            "step",
            number("rpm", (0, k.ROTATION_LIMIT)),
            number("elapsed", (0, k.ELAPSED_LIMIT)),
            to.flag("running"),
        )
    kept(p, "curve_request")


@unit
def command(to: Any) -> None:
    p = to.part("command")
    anything(p, "command")
    with to.standing_in():
        asker = number("asker", (1, 16))
        p.call("ask", number("more", SHARE), number("later", SHARE), number("its reason", (0, 255)), asker)
        kept(p, "command")
        p.call("finish")
    kept(p, "command")


# -- events.py ------------------------------------------------------------------------------------------


@unit
def events_event(to: Any) -> None:
    p = to.part("events")
    cylinders = int(number("cylinders", (1, k.CYLINDERS)).__index__())
    anything(
        p,
        "events",
        cylinders=Int({(): cylinders}, cylinders, cylinders),
        place=Array("place", k.CYLINDERS + 1, -1, cylinders - 1),
    )
    with to.standing_in():
        p.call("event", number("cylinder", INT32), number("reduction", SHARE))
        kept(p, "events")
        p.call("spark", number("other cylinder", INT32))
    kept(p, "events")


@unit
def events_calibrate(to: Any) -> None:
    p, c = to.part("events"), AnyCalibration()
    cylinders = int(number("cylinders", (1, k.CYLINDERS)).__index__())
    c.cylinders = Int({(): cylinders}, cylinders, cylinders)
    # What is written there keeps below the number of cylinders, as events_event takes for granted.
    p.place = Array("place", k.CYLINDERS + 1, -1, cylinders - 1)
    p.mark = Array("mark", k.CYLINDERS, 0, k.EVENT_WRAPS - 1)
    p.skipped = Array("skipped", k.CYLINDERS, 0, 3)
    with to.standing_in():
        p.call("calibrate", c)
        p.call("reset")
    kept(p, "events")


# -- step.py --------------------------------------------------------------------------------------------


def any_controller(to: Any) -> tuple[Any, Any, Any]:
    """Its own state; of its parts nothing but their fields' ranges, and what they demand of arguments."""
    c = AnyCalibration()
    p = to.part("controller")

    def takes(what: str, *limits: tuple[int, ...]) -> Any:
        def check(*arguments: Any) -> None:
            given = arguments[1:] if to.is_core else arguments
            for i, (argument, allowed) in enumerate(zip(given, limits, strict=True)):
                demand(f"{what}, argument {i + 1}", within(to.integer(argument), *allowed))

        return check

    def sample_height(*arguments: Any) -> Any:
        takes("Height.sample", INT32, SPEED, FLAG, FLAG, LIFT, FLAG)(*arguments)
        # What height_sample proves: the fields keep their values until the next sample.
        part = p.height
        for name in ("used", "reseed", "gap", "good"):
            setattr(part, name, session().fresh(*contracts.STATE["height"][name]))
        session().assume(has_gap(part))
        session().assume(within(part.good, *ends(c)))
        return session().fresh(*contracts.CHAIN)

    def learn(*arguments: Any) -> Any:
        demand("Lift.learn", within(arguments[-2], *ends(c)))
        return session().fresh(0, 1) == 1

    def sample_lift(*arguments: Any) -> None:
        height, reseed, gap = arguments[-3:]
        demand("Lift.sample", within(height, *ends(c)), some(to.integer(reseed) == 1, gap >= 1))

    elapsed = (0, k.ELAPSED_LIMIT)
    calls = {
        "height": {
            "reset": lambda *_: None,
            "sample": sample_height,
            "far_end": lambda *_: session().fresh(*LIFT),
            "failures": lambda *_: session().fresh(0, 15),
            "fault_bits": lambda *_: session().fresh(0, 127),
            "disarm": takes("Height.disarm"),
            "give_up": takes("Height.give_up"),
        },
        "lift": {
            "of_height": lambda *_: session().fresh(*LIFT),
            "reset": lambda *_: None,
            "learn": learn,
            "sample": sample_lift,
            "miss": takes("Lift.miss"),
            "forget": takes("Lift.forget"),
        },
        "progress": {
            "reset": lambda *_: None,
            "step": takes("Progress.step", SPEED, INT32, elapsed, FLAG, LIFT, FLAG),
        },
        "events": {"reset": lambda *_: None},
        "maps": {
            "reset": lambda *_: None,
            "look": takes("Maps.look", LIFT, elapsed),
            "look_out_of_sight": takes("Maps.look_out_of_sight", LIFT, elapsed),
        },
        "latch": {
            "reset": lambda *_: None,
            "step": takes("Latch.step", SHARE),
            "step_out_of_sight": takes("Latch.step_out_of_sight", SHARE),
            "shorten": takes("Latch.shorten", (1, CHAIN_TICKS)),
            "keep": takes("Latch.keep"),
            "let_go": takes("Latch.let_go", Q16_RATE),
        },
        "slope": {"reset": lambda *_: None, "step": takes("Slope.step", SHARE)},
        "curve_request": {
            "reset": lambda *_: None,
            "step": takes("CurveRequest.step", (0, k.ROTATION_LIMIT), elapsed, FLAG),
        },
        "command": {
            "reset": lambda *_: None,
            "begin": takes("Command.begin"),
            "ask": takes("Command.ask", SHARE, SHARE, (0, 255), (1, 16)),
            "finish": takes("Command.finish"),
        },
    }
    kinds = {"reduction": "latch", "retard": "latch", "blind_slope": "slope"}
    kinds |= {"engine": "curve_request", "shaft": "curve_request"}
    for name in ("height", "lift", "progress", "maps", "command", "events", *kinds):
        kind = kinds.get(name, name)
        loose = Loose(kind, **({} if to.is_core else calls[kind]))
        if kind == "lift":
            loose.__dict__.update(speed=Loose("lowpass"))
        if kind == "curve_request":
            loose.__dict__.update(reduction=Loose("slope"), retard=Loose("slope"))
        setattr(p, name, loose)
    anything(p, "controller", c)
    to.loaded(p)
    return p, c, calls


@unit
def controller_reset(to: Any) -> None:
    """Begins a run of the induction: the parts' own resets are units above."""
    p, c, calls = any_controller(to)
    with to.standing_in(**HELPERS), to.parts_standing_in(calls):
        to.reset_whole(p)
    kept(p, "controller", c)


OF_STEP_ALONE = ("tick", "started", "sample_wait", "faults")  # no phase of a step changes these


def _controller_unit(method: str, *limits: tuple[str, tuple[int, ...]], flags: str = "") -> Unit:
    def run(to: Any) -> None:
        p, c, calls = any_controller(to)
        arguments = [number(name, allowed) for name, allowed in limits]
        arguments += [to.flag(name) for name in flags.split()]
        before = [getattr(p, name) for name in OF_STEP_ALONE]
        with to.standing_in(**HELPERS), to.parts_standing_in(calls):
            p.call(method, *arguments)
        for name, value in zip(OF_STEP_ALONE, before, strict=True):
            if getattr(p, name) is not value:
                raise NotProved(f"{method} changes {name}")
        kept(p, "controller", c)

    return run


UNITS["controller_watch_run"] = _controller_unit("_watch_run", flags="armed_input launch_input")
UNITS["controller_sample"] = _controller_unit("_sample", ("counts", INT32), flags="still taking")
UNITS["controller_faults"] = _controller_unit("_watch_faults", flags="launching taking")
UNITS["controller_torque"] = _controller_unit("_take_torque")
UNITS["controller_command"] = _controller_unit(
    "_command", ("request reduction", SHARE), ("request retard", SHARE), ("request reason", INT32)
)


@unit
def core_legal(to: Any) -> None:
    """The core cuts an input in a function of its own."""
    if to.is_core:
        value, greatest, faults = (
            number("value", INT32),
            number("greatest", COUNT),
            [number("faults", (0, 2047))],
        )
        result = to.modules["step"].legal(value, greatest, faults)
        session().prove(result == greatest_of(0, least_of(greatest, value)), "cut")
        session().prove(within(faults[0], 0, 2047), "fault bits")


@unit
def core_extremes(to: Any) -> None:
    """The core's least, greatest and size, which the proofs take for what their names say."""
    if to.is_core:
        one, other = number("one", INT32), number("other", INT32)
        fixed = to.namespaces["fixed"]
        session().prove(fixed["lift_min"](one, other) == least_of(one, other), "the lesser")
        session().prove(fixed["lift_max"](one, other) == greatest_of(one, other), "the greater")
        value = number("value", (1 - LIMIT, LIMIT - 1))
        session().prove(fixed["lift_abs"](value) == abs(value), "the size")


@unit
def controller_step(to: Any) -> None:
    """The step itself; its phases, proved above, may do anything to the state that keeps the invariants."""
    p, c, calls = any_controller(to)

    def phase(result: Any = None) -> Any:
        def call(part: Any, *_: Any) -> Any:
            for name, limits in contracts.STATE["controller"].items():
                if name not in OF_STEP_ALONE:
                    setattr(part, name, session().fresh(*limits))
            session().assume(part.unarmed_ticks < c.disarm_ticks)
            session().assume(part.keep_left <= c.fault_hold_ticks)
            return result() if result else None

        return call

    flag = to.flag_value
    names = ("tick", "counts", "speed", "speed_valid", "engine_speed", "shaft_speed", "armed", "launch")
    names += ("request_reduction", "request_retard", "request_reason")
    inputs = {name: number("input " + name, INT32) for name in names}
    with (
        to.standing_in(
            **HELPERS,
            controller__watch_run=phase(lambda: flag(session().fresh(0, 1))),
            controller__sample=phase(),
            controller__watch_faults=phase(),
            controller__take_torque=phase(),
            controller__command=phase(),
            **to.inputs_standing_in(),
        ),
        to.parts_standing_in(calls),
    ):
        to.step(p, inputs)
    kept(p, "controller", c)


def prove_bounds(
    to: Any, names: list[str] | None = None, limit: int = LIMIT
) -> tuple[dict[Any, int], int, int]:
    """Every unit, or those named: bound of each operation, paths, and questions to z3."""
    bounds: dict[Any, int] = {}
    paths = queries = 0
    for name in names or list(UNITS):
        now = Session(limit, to.watch)
        paths += now.run(lambda name=name: UNITS[name](to))
        queries += now.queries
        for place, size in now.bounds.items():
            bounds[place] = max(bounds.get(place, 0), size)
    return bounds, paths, queries
