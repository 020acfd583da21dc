"""Curve requests, the outside request, and the strongest of all (R1 to R4)."""

from fractions import Fraction
from math import floor
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import Controller
from controller.constants import (
    ASKER_BLIND,
    ASKER_ENGINE,
    ASKER_LIFT,
    ASKER_OUTSIDE,
    ASKER_SHAFT,
    FAULT_INPUT,
    FULL,
    HOLD_LAST,
    LIFT_LIMIT,
    REASON_BLIND,
    REASON_ENGINE,
    REASON_LIFT,
    REASON_NONE,
    REASON_OUTSIDE_FIRST,
    REASON_OUTSIDE_LAST,
    REASON_SHAFT,
    ROTATION_LIMIT,
    STOP,
)
from controller.requests import Command, CurveRequest
from tests.hostile import Bounded, bounded_controller
from tests.support import controller, launched, tick, values

CURVE_MS = [0, 1000, 3000]
CURVE_RPM = [4000, 6000, 7000]
LINE_OVER = [0, 500]
LINE_REDUCTION = [50, 600]
LINE_RETARD = [0, 100]


def request(
    hysteresis: int = 50,
    after_end: int = HOLD_LAST,
    release: int = 0,
    retard_release: int = 0,
    tick_us: int = 10_000,
) -> CurveRequest:
    """A request at a tick so long that a speed may change by 1000 rpm from one to the next."""
    made = CurveRequest()
    made.calibrate_curve(3, CURVE_MS, CURVE_RPM, after_end, hysteresis, Bounded(tick_us))
    made.calibrate_line(2, LINE_OVER, LINE_REDUCTION, LINE_RETARD)
    made.reduction.calibrate(0, Bounded(release))
    made.retard.calibrate(0, Bounded(retard_release))
    return made


PLAIN = controller()


def turning(made: Controller, **columns: Any) -> None:
    """One tick whose speeds are used although they are far from those of the tick before."""
    made.engine.reset()
    made.shaft.reset()
    tick(made, **columns)


def asked(made: CurveRequest) -> tuple[int, int]:
    return made.reduction.value, made.retard.value


@pytest.mark.rule("R1")
def test_overshoot_above_the_curve_maps_to_reduction_and_retard() -> None:
    made = request()
    for rpm, ms, expected in (
        (5000, 500, (0, 0)),  # on the curve
        (5001, 500, (51, 0)),
        (5250, 500, (325, 50)),
        (5500, 500, (600, 100)),
        (32767, 500, (600, 100)),
        (6500, 2000, (0, 0)),
        (6750, 2000, (325, 50)),
    ):
        made.reset()
        made.step(rpm, ms, 1)
        assert asked(made) == expected, (rpm, ms)


@pytest.mark.rule("R1")
def test_a_request_does_not_chatter_at_the_curve() -> None:
    made = request(hysteresis=50)
    seen = []
    for rpm in (5000, 5001, 5000, 4980, 4950, 4949, 4980, 5000, 5001):
        made.step(rpm, 500, 1)
        seen.append(made.active)
        # While it is on it asks for no less than the line's start.
        assert made.reduction.value >= (50 if made.active else 0)
    assert seen == [0, 1, 1, 1, 1, 0, 0, 0, 1]


@pytest.mark.rule("R1")
@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 12000), st.integers(0, 4000), st.integers(0, 1)), max_size=40),
    st.integers(0, 300),
    st.sampled_from((HOLD_LAST, STOP)),
    st.one_of(st.just(0), st.integers(1, 80 << 16)),
    st.one_of(st.just(0), st.integers(1, 80 << 16)),
    st.integers(500, 10_000),
)
def test_requests_rise_at_once_and_fall_no_faster_than_their_rates(
    steps: list[tuple[int, int, int]],
    hysteresis: int,
    after_end: int,
    release: int,
    retard_release: int,
    tick_us: int,
) -> None:
    made = request(hysteresis, after_end, release, retard_release, tick_us)
    active = False
    used: tuple[int, int] | None = None  # the last speed used, and when
    exact = [Fraction(0), Fraction(0)]
    for t, (read, ms, running) in enumerate(steps):
        made.step(read, ms, running)
        # 100 rpm for each millisecond waited, in whole rpm a tick.
        if used is None or abs(read - used[0]) <= (t - used[1]) * (tick_us // 10):
            used = read, t
        rpm = used[0]
        # Outside source: numpy.interp for the curve and the lines.
        over = rpm - int(np.floor(np.interp(ms, CURVE_MS, CURVE_RPM) + 0.5))
        may = running and not (after_end == STOP and ms > CURVE_MS[-1])
        active = bool(may) and (over > 0 or (active and over >= -hysteresis))
        assert made.active == active
        for i, (line, rate, slope) in enumerate(
            ((LINE_REDUCTION, release, made.reduction), (LINE_RETARD, retard_release, made.retard))
        ):
            target = int(np.floor(np.interp(over, LINE_OVER, line) + 0.5)) if active else 0
            lowest = exact[i] - Fraction(rate, 65536) if rate else Fraction(0)
            exact[i] = max(Fraction(target), lowest, Fraction(0))
            assert slope.value == floor(exact[i])


@pytest.mark.rule("R1")
@pytest.mark.parametrize("who", ["engine", "shaft"])
@pytest.mark.parametrize("length", [1, 3, 20])
def test_a_spike_of_speed_asks_for_nothing(who: str, length: int) -> None:
    # 12000 rpm every 500 ms at an engine that turns 6500 rpm, 500 below its curve.
    made = launched(**{f"{who}_points": 1, f"{who}_ms": [0], f"{who}_rpm": [7000]})
    for i in range(2000):
        tick(made, **{who: 12_000 if i % 500 >= 500 - length else 6500})
        assert made.command.askers == 0


@pytest.mark.rule("R1")
def test_a_speed_that_stays_is_used_when_it_could_have_got_there() -> None:
    made = launched(engine_points=1, engine_ms=[0], engine_rpm=[7000])
    turning(made, engine=6500)
    for _ in range(54):  # 5500 rpm at 100 rpm a ms
        tick(made, engine=12_000)
        assert made.command.reduction == 0
    tick(made, engine=12_000)
    assert made.command.reduction == 600
    # After a reset the first is used.
    made.reset()
    assert (made.engine.speed, made.engine.reach) == (0, ROTATION_LIMIT)


@pytest.mark.rule("R1")
@pytest.mark.parametrize(("after_end", "still"), [(HOLD_LAST, True), (STOP, False)])
def test_after_the_end_of_the_curve_it_holds_the_last_value_or_stops(after_end: int, still: bool) -> None:
    made = request(after_end=after_end)
    made.step(7500, 3000, 1)
    assert asked(made) == (600, 100)
    made.step(7500, 3001, 1)
    assert asked(made) == ((600, 100) if still else (0, 0))


@pytest.mark.rule("R1")
def test_curves_rest_before_launch() -> None:
    changes = {
        **{"engine_points": 1, "engine_ms": [0], "engine_rpm": [5000]},
        **{"shaft_points": 1, "shaft_ms": [0], "shaft_rpm": [1000]},
    }
    made = controller(**changes)
    for _ in range(10):
        tick(made, launch=0, engine=9000, shaft=9000)
        assert made.command.reduction == made.command.retard == made.command.askers == 0
    tick(made, engine=9000, shaft=9000)
    assert made.command.askers == ASKER_ENGINE | ASKER_SHAFT
    assert made.command.reduction == 600


@pytest.mark.rule("R1")
def test_a_flat_engine_curve_is_a_ceiling_that_needs_no_launch_and_no_arming() -> None:
    made = controller(engine_points=1, engine_ms=[0], engine_rpm=[7000], engine_before_launch=1)
    tick(made, armed=0, launch=0, engine=7000)
    assert made.command.reduction == 0
    for rpm in (7100, 7200, 7250):
        tick(made, armed=0, launch=0, engine=rpm)
    assert (made.command.reduction, made.command.retard) == (325, 50)
    assert (made.command.reason, made.command.askers) == (REASON_ENGINE, ASKER_ENGINE)
    for _ in range(20):
        tick(made, engine=7250)
    assert made.launched
    assert made.command.reduction == 325
    for rpm in (7150, 7050, 6950, 6949):
        tick(made, engine=rpm)
    assert made.command.reduction == 0


@pytest.mark.rule("R1")
def test_each_request_has_release_rates_of_its_own() -> None:
    line = {"over_rpm": [0], "reduction": [500], "retard": [100]}
    rates = {
        **{"engine_release_q16": 1 << 16, "engine_retard_release_q16": 2 << 16},
        **{"shaft_release_q16": 3 << 16, "shaft_retard_release_q16": 4 << 16},
    }
    for name, fall, retard_fall in (("engine", 1, 2), ("shaft", 3, 4)):
        curve = {f"{name}_points": 1, f"{name}_ms": [0], f"{name}_rpm": [1000], f"{name}_line_points": 1}
        made = launched(**rates, **curve, **{f"{name}_{key}": row for key, row in line.items()})
        turning(made, **{name: 1001})
        for i in range(20):
            assert (made.command.reduction, made.command.retard) == (500 - fall * i, 100 - retard_fall * i)
            tick(made, **{name: 940})


@pytest.mark.rule("R1")
def test_without_points_there_is_no_request() -> None:
    made = launched(engine_points=0, shaft_points=0)
    tick(made, engine=ROTATION_LIMIT, shaft=ROTATION_LIMIT)
    assert (made.command.reduction, made.command.askers) == (0, 0)


@pytest.mark.rule("R1")
def test_a_curve_runs_over_the_time_since_launch() -> None:
    made = launched(engine_points=2, engine_ms=[0, 100], engine_rpm=[3000, 4000], engine_hysteresis=0)
    made.engine.reset()
    for ms in range(1, 150):
        tick(made, engine=3500)
        assert made.elapsed_ms == ms
        assert (made.command.reason == REASON_ENGINE) == (ms <= 50)  # ends below the curve only


@pytest.mark.rule("R2")
@given(st.integers(-(2**40), 2**40), st.integers(-(2**40), 2**40), st.integers(-(2**40), 2**40))
def test_an_outside_request_is_cut_to_its_range(reduction: int, retard: int, reason: int) -> None:
    made = PLAIN  # one for all: to load an image takes longer than the test
    made.reset()
    tick(made, launch=0, request=(reduction, retard, reason))
    asks_reduction = min(max(reduction, 0), FULL)
    asks_retard = min(max(retard, 0), FULL)
    assert (made.command.reduction, made.command.retard) == (asks_reduction, asks_retard)
    if asks_reduction:
        assert made.command.reason == min(max(reason, REASON_OUTSIDE_FIRST), REASON_OUTSIDE_LAST)
    else:
        assert made.command.reason == REASON_NONE
    assert made.command.askers == (ASKER_OUTSIDE if asks_reduction or asks_retard else 0)
    assert bool(made.faults & FAULT_INPUT) == (reduction != asks_reduction or retard != asks_retard)


@pytest.mark.rule("R2")
def test_an_outside_request_acts_before_launch_and_unarmed_and_ends_at_once() -> None:
    made = controller()
    tick(made, armed=0, launch=0, request=(300, 40, 17))
    assert (made.command.reduction, made.command.retard, made.command.reason) == (300, 40, 17)
    tick(made, armed=0, launch=0)
    assert (made.command.reduction, made.command.retard, made.command.reason) == (0, 0, 0)


asks = st.lists(
    st.tuples(
        st.one_of(st.just(0), st.integers(0, 3), st.integers(0, FULL)),
        st.one_of(st.just(0), st.integers(0, FULL)),
        st.integers(1, 255),
        st.sampled_from((1, 2, 4, 8, 16)),
    ),
    max_size=6,
)


@pytest.mark.rule("R3", "R4")
@given(asks, st.integers(0, FULL), st.integers(0, FULL))
def test_the_strongest_wins_and_nothing_is_added(
    requests: list[tuple[int, int, int, int]], reduction_limit: int, retard_limit: int
) -> None:
    made = bounded_controller(values(reduction_limit=reduction_limit, retard_limit=retard_limit)).command
    made.begin()
    for one in requests:
        made.ask(*one)
    assert (made.reduction, made.retard) == (0, 0)  # not published before it is whole
    made.finish()
    strongest = max((one[0] for one in requests), default=0)
    assert made.reduction == min(strongest, reduction_limit)
    assert made.retard == min(max((one[1] for one in requests), default=0), retard_limit)
    first = [one[2] for one in requests if one[0] == strongest and strongest > 0]
    assert made.reason == (first[0] if first else REASON_NONE)
    bits = 0
    for one in requests:
        bits |= one[3] if one[0] or one[1] else 0
    assert made.askers == bits


@pytest.mark.rule("R3")
def test_ties_go_to_lift_then_blind_engine_shaft_outside() -> None:
    flat = {
        **{"reduction_map": [300] * 256, "retard_map": [0] * 256, "trigger": 0, "hold_ticks": 0},
        **{"blind_reduction": 300, "blind_growth_q16": FULL << 16, "confirm_samples": 5},
        **{"engine_points": 1, "engine_ms": [0], "engine_rpm": [1000]},
        **{"engine_line_points": 1, "engine_over_rpm": [0], "engine_reduction": [300]},
        **{"shaft_points": 1, "shaft_ms": [0], "shaft_rpm": [1000]},
        **{"shaft_line_points": 1, "shaft_over_rpm": [0], "shaft_reduction": [300]},
    }
    made = launched(**flat)
    turning(made, engine=2000, shaft=2000, request=(300, 0, 20))
    assert (made.command.reduction, made.command.reason) == (300, REASON_LIFT)
    assert made.command.askers == ASKER_LIFT | ASKER_ENGINE | ASKER_SHAFT | ASKER_OUTSIDE
    # Nothing asked for the lift, and the sensor lost after launch: blind.
    made = launched(**{**flat, "reduction_map": [0] * 256})
    for _ in range(6):
        turning(made, counts=0, engine=2000, shaft=2000, request=(300, 0, 20))
    assert (made.command.reduction, made.command.reason) == (300, REASON_BLIND)
    assert made.command.askers == ASKER_BLIND | ASKER_ENGINE | ASKER_SHAFT | ASKER_OUTSIDE
    made = launched(**{**flat, "reduction_map": [0] * 256})
    for engine, shaft, reason in ((2000, 2000, REASON_ENGINE), (0, 2000, REASON_SHAFT), (0, 0, 20)):
        turning(made, engine=engine, shaft=shaft, request=(300, 0, 20))
        assert (made.command.reduction, made.command.reason) == (300, reason)


@pytest.mark.rule("R3")
def test_a_stronger_retard_does_not_change_who_set_the_reduction() -> None:
    made = launched(allowance_rate=LIFT_LIMIT)
    tick(made, 330, request=(100, 900, 20))
    assert (made.command.reduction, made.command.retard) == (400, 900)
    assert made.command.reason == REASON_LIFT
    assert made.command.askers == ASKER_LIFT | ASKER_OUTSIDE


@pytest.mark.rule("R4")
def test_limits_cap_the_command_and_not_the_latch() -> None:
    made = launched(allowance_rate=LIFT_LIMIT, reduction_limit=150, retard_limit=30)
    tick(made, 330)
    assert (made.command.reduction, made.command.retard) == (150, 30)
    assert (made.reduction.output, made.retard.output) == (400, 200)
    tick(made, 330, request=(1000, 1000, 20))
    assert (made.command.reduction, made.command.retard) == (150, 30)


def test_an_interrupt_between_two_lines_sees_a_whole_command() -> None:
    """What is published changes in `finish` only."""
    seen: set[tuple[int, int]] = set()
    made = launched(allowance_rate=LIFT_LIMIT, hold_ticks=0)
    plain_ask = Command.ask

    def watching(self: Command, *arguments: int) -> None:
        seen.add((self.reduction, self.retard))
        plain_ask(self, *arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Command, "ask", watching)
        published = {(0, 0)}
        for height in (330, 250, 130, 330):
            tick(made, height)
            published.add((made.command.reduction, made.command.retard))
    assert len(published) > 2
    assert seen <= published
