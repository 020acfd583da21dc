"""Peak, hold, release: rules L1 to L8 and what follows from them, for all demands."""

from collections.abc import Iterator
from fractions import Fraction
from math import floor

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.constants import (
    FROM_LANDING,
    FROM_PEAK,
    FULL,
    HOLD,
    LIFT_LIMIT,
    PEAK,
    RELEASE,
    REST,
)
from controller.latch import Latch, Slope
from tests.hostile import Bounded
from tests.support import launched, tick

STEP = 0
SLOW = 1 << 14  # a quarter of a unit a tick
ANY_FALL = LIFT_LIMIT  # an allowance that believes every height

# Runs of equal demand rather than noise; small numbers meet each other often.
_level = st.one_of(st.just(0), st.integers(0, 12), st.integers(0, FULL))
demands = st.lists(st.tuples(_level, st.integers(1, 6)), min_size=1, max_size=25).map(
    lambda runs: [level for level, length in runs for _ in range(length)]
)
holds = st.integers(0, 12)
froms = st.sampled_from((FROM_PEAK, FROM_LANDING))
rates = st.one_of(st.sampled_from((STEP, 1, SLOW, 1 << 16, FULL << 16)), st.integers(1, 8 << 16))


def latch(
    hold: int = 0, hold_from: int = FROM_PEAK, rate: int = STEP, follows: int = 0, trigger: int = 0
) -> Latch:
    made = Latch()
    made.calibrate(Bounded(trigger), Bounded(0), Bounded(hold), hold_from, Bounded(rate), follows)
    return made


def outputs(made: Latch, steps: list[int]) -> list[int]:
    found = []
    for value in steps:
        made.step(Bounded(value))
        found.append(int(made.output))
    return found


def by_the_rules(steps: list[int], hold: int, hold_from: int, rate: int) -> Iterator[int]:
    """L1 to L5 told with times and exact fractions instead of counters and a carried ramp."""
    y = 0
    lines: list[tuple[int, int]] = []  # where a release may be counted from: a tick and a value
    peak_at: int | None = None  # the last tick that keeps the hold from running; None: released or at rest
    for t, d in enumerate(steps):
        if d > y or (peak_at is not None and d == y):
            y = d
            peak_at = t if d else None
        elif peak_at is not None and hold_from == FROM_LANDING and d > 0:
            peak_at = t
        elif peak_at is not None and t - peak_at > hold:
            peak_at = None
            lines = [(t - 1, y)]
        if peak_at is None and y > 0:
            lines.append((t, d))
            exact = (value - Fraction(rate * (t - since), 65536) for since, value in lines)
            y = max(floor(max(exact)), 0) if rate else d
        yield y


@pytest.mark.rule("L1", "L2", "L3", "L4", "L5")
@given(demands, holds, froms, rates)
@example([5, 0, 5, 0, 0, 0], 2, FROM_PEAK, STEP)
@example([9, 3, 3, 0, 0, 0], 1, FROM_LANDING, SLOW)
def test_every_output_is_the_one_the_rules_give(
    steps: list[int], hold: int, hold_from: int, rate: int
) -> None:
    assert outputs(latch(hold, hold_from, rate), steps) == list(by_the_rules(steps, hold, hold_from, rate))


@pytest.mark.rule("L1")
def test_any_demand_latches_at_rest() -> None:
    made = latch(hold=3)
    assert outputs(made, [0, 0, 1]) == [0, 0, 1]
    assert made.state == PEAK


@pytest.mark.rule("L2", "L3")
def test_the_hold_starts_again_at_the_peak_and_above_it() -> None:
    assert outputs(latch(hold=3), [5, 0, 0, 5, 0, 0, 0, 0]) == [5, 5, 5, 5, 5, 5, 5, 0]
    assert outputs(latch(hold=3), [5, 0, 0, 6, 0, 0, 0, 0]) == [5, 5, 5, 6, 6, 6, 6, 0]
    # Below the peak it runs on.
    assert outputs(latch(hold=3), [5, 0, 0, 4, 0, 0, 0, 0]) == [5, 5, 5, 5, 0, 0, 0, 0]


@pytest.mark.rule("L3")
def test_from_landing_the_hold_waits_for_the_last_demand() -> None:
    assert outputs(latch(2, FROM_LANDING), [5, 1, 1, 1, 1, 0, 0, 0]) == [5, 5, 5, 5, 5, 5, 5, 0]
    assert outputs(latch(2, FROM_LANDING), [5, 0, 1, 0, 0, 0]) == [5, 5, 5, 5, 5, 0]
    assert outputs(latch(2, FROM_PEAK), [5, 1, 1, 1, 1, 0]) == [5, 5, 5, 1, 1, 0]


@pytest.mark.rule("L3")
@given(st.integers(1, FULL), st.integers(0, 500), rates, froms)
def test_a_single_demand_is_held_for_exactly_the_hold(
    peak: int, hold: int, rate: int, hold_from: int
) -> None:
    made = latch(hold, hold_from, rate)
    found = outputs(made, [peak] + [0] * (hold + 1))
    assert found[:-1] == [peak] * (hold + 1)
    assert found[-1] < peak


@pytest.mark.rule("L3", "L4", "L9")
@given(demands, holds, rates)
def test_from_the_peak_the_first_lower_output_comes_hold_plus_one_ticks_later(
    steps: list[int], hold: int, rate: int
) -> None:
    made = latch(hold, FROM_PEAK, rate)
    last = None
    before = 0
    for t, d in enumerate([*steps, *[0] * (hold + 1)]):
        was_held = made.state in (PEAK, HOLD)
        made.step(d)
        if made.output == d and d > 0 and made.state == PEAK:
            last = t
        if was_held and made.output < before:
            assert last is not None
            assert t - last == hold + 1
        elif was_held and last is not None:
            assert made.output > before or t - last <= hold
        before = made.output


@pytest.mark.rule("L4")
@given(st.integers(1, FULL), st.integers(1, FULL << 16))
def test_release_is_the_exact_line_rounded_down(peak: int, rate: int) -> None:
    made = latch(0, FROM_PEAK, rate)
    outputs(made, [peak])
    for i in range(1, 60):
        made.step(0)
        assert made.output == max(floor(peak - Fraction(rate * i, 65536)), 0)


@pytest.mark.rule("L4")
def test_the_release_ends_after_the_time_its_rate_says() -> None:
    # 100 % at 200 % a second and 1 ms: two units a tick, 500 ticks.
    made = latch(0, FROM_PEAK, 2 << 16)
    found = outputs(made, [1000] + [0] * 500)
    assert found[-2:] == [2, 0]
    # The slowest rate there is: one 65536th of a unit a tick. The first loss is at once, rounded down.
    made = latch(0, FROM_PEAK, 1)
    assert outputs(made, [2, 0, 0, 0]) == [2, 1, 1, 1]
    outputs(made, [0] * (65536 - 3))
    assert made.output == 1
    made.step(0)
    assert made.output == 0


@pytest.mark.rule("L5")
def test_a_demand_above_the_ramp_latches_again_and_one_below_is_followed() -> None:
    falling = latch(2, FROM_PEAK, 2 << 16)
    assert outputs(falling, [10, 0, 0, 0, 0, 5, 5]) == [10, 10, 10, 8, 6, 5, 5]
    assert falling.state == RELEASE  # followed, with no new hold
    assert outputs(falling, [4, 0]) == [4, 2]  # and the ramp goes on from there
    again = latch(2, FROM_PEAK, 2 << 16)
    assert outputs(again, [10, 0, 0, 0, 9, 6, 6, 6, 6, 0]) == [10, 10, 10, 8, 9, 9, 9, 7, 6, 4]


@pytest.mark.rule("L4")
def test_the_ramp_goes_on_from_the_demand_it_met() -> None:
    # 200 %/s are 2 units a tick of 1 ms: 60 %, then 55 % for 400 ms, then nothing.
    made = latch(0, FROM_PEAK, 2 << 16)
    found = outputs(made, [600, *[550] * 400, *[0] * 276])
    assert found[:30] == [600, *range(598, 550, -2), *[550] * 5]
    assert found[401:] == [*range(548, -1, -2), 0]


@pytest.mark.rule("L9")
@given(demands, holds, froms, rates)
def test_with_a_release_rate_the_output_never_falls_faster_than_it(
    steps: list[int], hold: int, hold_from: int, rate: int
) -> None:
    found = outputs(latch(hold, hold_from, rate), steps)
    for t in range(len(found)):
        for s in range(t):
            assert rate == 0 or found[t] >= floor(found[s] - Fraction(rate * (t - s), 65536))


@pytest.mark.rule("L5")
@given(demands, demands, holds, froms, rates, st.integers(1, FULL))
def test_at_any_time_a_demand_above_the_output_is_a_new_peak(
    steps: list[int], after: list[int], hold: int, hold_from: int, rate: int, more: int
) -> None:
    made = latch(hold, hold_from, rate)
    outputs(made, steps)
    if made.output + more > FULL:
        return
    peak = made.output + more
    made.step(peak)
    assert (made.state, made.output, made.hold_left) == (PEAK, peak, hold)
    # From here on nothing before it matters.
    fresh = latch(hold, hold_from, rate)
    fresh.step(peak)
    assert outputs(made, after) == outputs(fresh, after)
    assert (made.state, made.hold_left) == (fresh.state, fresh.hold_left)


@pytest.mark.rule("L6")
@given(demands)
def test_without_hold_and_with_step_release_the_output_is_the_demand(steps: list[int]) -> None:
    assert outputs(latch(0, FROM_PEAK, STEP), steps) == steps


@pytest.mark.rule("L2", "L4", "L7", "L9")
@given(demands, holds, froms, rates, st.integers(0, 1))
def test_the_output_is_never_below_the_demand_and_rises_only_to_a_new_one(
    steps: list[int], hold: int, hold_from: int, rate: int, follows: int
) -> None:
    made = latch(hold, hold_from, rate, follows)
    before = 0
    for d in steps:
        made.step(d)
        assert made.demand == d
        assert made.output >= d
        if made.output > before:
            assert made.output == d
        before = made.output


@pytest.mark.rule("L3", "L5", "L9")
@given(demands, holds, st.integers(1, 12), froms, rates)
def test_up_to_the_first_release_a_longer_hold_gives_the_same(
    steps: list[int], hold: int, longer: int, hold_from: int, rate: int
) -> None:
    one = latch(hold, hold_from, rate)
    other = latch(hold + longer, hold_from, rate)
    before = 0
    for d in steps:
        one.step(d)
        other.step(d)
        if one.output < before:
            assert other.output >= one.output
            return
        assert one.output == other.output
        before = one.output


@pytest.mark.rule("L3", "L5", "L9")
def test_after_the_first_release_a_longer_hold_may_give_more_or_less() -> None:
    # The short hold latches again on a demand that the long one sleeps through.
    steps = [500, 0, 0, 0, 0, 300, 300, 0, 0]
    short = outputs(latch(2), steps)
    long = outputs(latch(6), steps)
    assert short == [500, 500, 500, 0, 0, 300, 300, 300, 300]
    assert long == [500, 500, 500, 500, 500, 500, 500, 0, 0]
    assert short[3] < long[3]
    assert short[7] > long[7]


@pytest.mark.rule("L1")
def test_the_trigger_has_a_hysteresis() -> None:
    made = Latch()
    made.calibrate(20, 10, 0, FROM_PEAK, STEP, 0)
    # Asked for from 20 on, given up below 10.
    assert outputs(made, [19, 20, 19, 10, 9, 10, 19, 20]) == [0, 20, 19, 10, 0, 0, 0, 20]
    assert made.demand == 20


@pytest.mark.rule("L1")
@given(demands, st.integers(0, 50), st.integers(0, 80))
def test_the_demand_is_the_value_or_nothing(steps: list[int], trigger: int, hysteresis: int) -> None:
    made = Latch()
    made.calibrate(trigger, hysteresis, 0, FROM_PEAK, STEP, 0)
    before = 0
    for value in steps:
        made.step(value)
        asks = value >= trigger or (before > 0 and value >= trigger - hysteresis)
        assert made.demand == (value if asks else 0)
        before = made.demand


@pytest.mark.rule("L8")
@given(demands, holds, froms, rates, st.integers(0, 1), st.integers(0, 30), st.lists(st.sampled_from("skog")))
def test_rest_is_one_state(
    steps: list[int], hold: int, hold_from: int, rate: int, follows: int, trigger: int, actions: list[str]
) -> None:
    rate = rate if rate == STEP else max(rate, 8 << 16)
    made = latch(hold, hold_from, rate, follows, trigger)
    fresh = latch(hold, hold_from, rate, follows, trigger)
    for i, value in enumerate(steps):
        action = actions[i % len(actions)] if actions else "s"
        if action == "s":
            made.step(value)
        elif action == "k":
            made.keep()
        elif action == "o":
            made.step_out_of_sight(value)
        else:
            made.let_go(8 << 16)
        if made.state == REST:
            assert made.output == 0
    for _ in range(hold + FULL // 8 + 2):
        made.step(0)
    assert made.state == REST
    assert made.digest(0) == fresh.digest(0)


@pytest.mark.rule("L7")
@given(demands, st.integers(1, 8 << 16))
def test_a_following_retard_never_falls_faster_than_its_rate(steps: list[int], rate: int) -> None:
    made = latch(hold=9, hold_from=FROM_LANDING, rate=rate, follows=1, trigger=40)
    found = outputs(made, steps)
    for t, now in enumerate(found):
        assert now >= steps[t]
        # Rounded down, as every ramp of the latch.
        for s in range(t):
            assert now >= floor(found[s] - Fraction(rate * (t - s), 65536))
        # And it does not linger: it is the demand or as low as the rate allows from some demand before.
        assert now == steps[t] or any(
            now <= floor(steps[s] - Fraction(rate * (t - s), 65536)) for s in range(t)
        )


@pytest.mark.rule("L7")
def test_a_following_retard_falls_along_its_rate_when_the_map_falls_faster() -> None:
    made = latch(rate=1 << 16, follows=1)
    assert outputs(made, [100, 50, 50, 98, 97, 0, 0, 120, 0]) == [100, 99, 98, 98, 97, 96, 95, 120, 119]
    # A tenth of a unit a tick, against a map that falls by one a tick: a unit is lost every ten ticks.
    slow = latch(rate=6554, follows=1)
    assert outputs(slow, list(range(20, 9, -1))) == [20, *[19] * 9, 18]


@pytest.mark.rule("L7")
def test_retard_has_a_latch_of_its_own() -> None:
    made = launched(hold_ticks=5, release_q16=0, retard_release_q16=1 << 16, allowance_rate=ANY_FALL)
    tick(made, 330)  # lift 200 mm: reduction 400, retard 200
    assert (made.reduction.output, made.retard.output) == (400, 200)
    # Lift 190 mm: the same hold for both, then the reduction follows its map at once, the retard by its rate.
    for i in range(1, 10):
        tick(made, 320)
        assert made.reduction.demand == 360
        assert made.retard.demand == 185
        assert made.reduction.output == (400 if i <= 5 else 360)
        assert made.retard.output == (200 if i <= 5 else 200 - (i - 5))
    # Trigger in degrees of its own: retard alone where the reduction is below its trigger.
    fresh = launched(allowance_rate=ANY_FALL, retard_trigger=40)
    tick(fresh, 200)  # lift 70 mm
    assert (fresh.reduction.output, fresh.retard.output) == (0, 0)
    tick(fresh, 225)  # lift 95 mm
    assert (fresh.reduction.output, fresh.retard.output) == (0, 44)


@pytest.mark.rule("L8")
@settings(max_examples=15)
@given(st.lists(st.tuples(st.integers(1, 99), st.integers(1, 40)), min_size=1, max_size=4))
def test_an_arming_input_that_opens_for_less_than_the_time_changes_nothing(
    opens: list[tuple[int, int]],
) -> None:
    steady = launched(hold_ticks=50)
    bouncing = launched(hold_ticks=50)
    height = 330.0
    for length, between in opens:
        for armed in [0] * length + [1] * between:
            height = max(height - 0.2, 130.0)
            tick(steady, height)
            tick(bouncing, height, armed=armed)
            assert bouncing.command.reduction == steady.command.reduction
            assert bouncing.reduction.digest(0) == steady.reduction.digest(0)
            assert bouncing.launched


@pytest.mark.rule("L8")
def test_disarm_counts_once_it_was_steady_for_its_time_and_then_hold_and_release_run_out() -> None:
    made = launched(hold_ticks=50, release_q16=10 << 16)
    for _ in range(20):
        tick(made, 330)  # lift 200 mm
    for i in range(1, 100):
        tick(made, 330, armed=0)
        assert made.reduction.demand == 400, f"disarmed after {i} ticks"
    # 100 ms at 1 ms: from the hundredth open tick on nothing is demanded; the hold begins.
    for _ in range(50):
        tick(made, 330, armed=0)
        assert (made.launched, made.reduction.demand, made.reduction.output) == (0, 0, 400)
    for i in range(1, 41):
        tick(made, 330, armed=0)
        assert made.reduction.output == 400 - 10 * i
    assert made.reduction.state == REST


@pytest.mark.rule("L8")
def test_after_a_disarm_both_latches_are_as_fresh() -> None:
    made = launched(hold_ticks=7, release_q16=SLOW, retard_release_q16=SLOW, allowance_rate=ANY_FALL)
    fresh = launched(hold_ticks=7, release_q16=SLOW, retard_release_q16=SLOW)
    for height in (150, 330, 320, 340, 200, 330):
        tick(made, height)
    for _ in range(100 + 7 + 5 * FULL):
        tick(made, armed=0)
    assert made.reduction.digest(0) == fresh.reduction.digest(0)
    assert made.retard.digest(0) == fresh.retard.digest(0)


@pytest.mark.rule("L8")
def test_reset_is_immediate() -> None:
    made = launched(allowance_rate=ANY_FALL)
    tick(made, 330)
    assert made.command.reduction == 400
    made.reset()
    assert (made.command.reduction, made.reduction.output, made.reduction.state) == (0, 0, REST)


@pytest.mark.rule("R1", "H6")
@given(st.integers(0, 8 << 16), st.integers(0, 8 << 16), demands)
def test_a_slope_moves_no_faster_than_its_rates_and_never_past_its_target(
    up: int, down: int, targets: list[int]
) -> None:
    made = Slope()
    made.calibrate(Bounded(up), Bounded(down))
    exact = Fraction(0)
    for target in targets:
        if target > exact:
            exact = min(Fraction(target), exact + Fraction(up, 65536)) if up else Fraction(target)
        else:
            exact = max(Fraction(target), exact - Fraction(down, 65536)) if down else Fraction(target)
        assert made.step(Bounded(target)) == floor(exact)
