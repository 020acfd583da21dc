"""Progress down the track: sources, the limiter, front wheels in the air (P1 to P3)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.image import pack
from controller import Calibration, read
from controller.constants import (
    BY_TIME,
    CAR_SPEED,
    FAULT_SPEED,
    FRONT_WHEEL_SPEED,
    LOOKBACK_SLOTS,
    SPEED_LIMIT,
)
from controller.progress import Progress
from tests.hostile import RANGES, Bounded, bounded_controller
from tests.support import launched, tick, values

FAST_Q12 = 65535 << 12
AIR = 1600  # lift, 1/16 mm


def progress(**changes: int | list[int]) -> Progress:
    into = Calibration()
    free = {"progress_up_q12": FAST_Q12, "progress_down_q12": FAST_Q12}
    assert read(pack(values(**{**free, **changes})), into) == 0
    return Progress(into)


def curve(ms: float) -> int:
    """The plain calibration's speed over the time since launch: 40 km/h each second for 6 s."""
    return int(np.floor(np.interp(ms, [0, 6000], [0, 2400]) + 0.5))


runs = st.lists(
    st.tuples(
        *(st.integers(1, 12), st.integers(0, 3000), st.integers(-30, 30), st.sampled_from((1, 1, 0))),
        *(st.sampled_from((0, 1500, 1700, 1439, 1440)), st.sampled_from((0, 0, 0, 1))),
    ),
    min_size=1,
    max_size=16,
)


# ---- P1 ----


@pytest.mark.rule("P1")
@settings(max_examples=60)
@given(
    runs,
    st.sampled_from((CAR_SPEED, FRONT_WHEEL_SPEED)),
    st.integers(0, BY_TIME),
    st.integers(1, 80),
    st.integers(1, 80),
)
def test_progress_moves_no_faster_than_its_rates_whatever_the_source_does(
    parts: list[tuple[int, ...]], source: int, kind: int, up: int, down: int
) -> None:
    # Rates in sixteenths of a unit a tick.
    made = progress(
        **{"speed_source": source, "progress_axis_kind": kind, "spin_up_ticks": 5, "lookback_ticks": 1},
        **{"progress_up_q12": up << 8, "progress_down_q12": down << 8},
    )
    for speed in (150, 300):
        made.step(speed, 1, 0, 0, 0, 0)
    assert made.value == (0 if kind == BY_TIME else 300)
    before = made.limited_q12
    assert before == made.value << 12
    elapsed = 0
    for length, speed, slope, flag, lift, out in parts:
        for i in range(length):
            made.step(max(speed + slope * i, 0), flag, elapsed, 1, lift, out)
            elapsed += 1
            target = (elapsed - 1 if kind == BY_TIME else made.car_speed) << 12
            assert -(down << 8) <= made.limited_q12 - before <= up << 8
            # Towards the target and never past it.
            assert min(before, target) <= made.limited_q12 <= max(before, target)
            reached = made.limited_q12 == target
            assert reached or made.limited_q12 - before in (up << 8, -(down << 8))
            assert abs(made.value - made.limited_q12 / 4096) <= 0.5
            before = made.limited_q12


@pytest.mark.rule("P1")
def test_before_launch_progress_is_its_source() -> None:
    made = progress(progress_up_q12=1, progress_down_q12=1)
    for speed in (0, 150, 300, 120):
        made.step(speed, 1, 0, 0, 0, 0)
        assert made.value == made.car_speed == speed
    by_time = progress(progress_axis_kind=BY_TIME)
    by_time.step(150, 1, 0, 0, 0, 0)
    assert by_time.value == 0


@pytest.mark.rule("P1")
def test_milliseconds_since_launch_as_progress() -> None:
    made = launched(progress_axis_kind=BY_TIME)
    for ms in range(1, 300):
        tick(made, speed_valid=0)
        assert made.elapsed_ms == ms
        assert made.progress.value == ms


@pytest.mark.rule("P1")
@pytest.mark.parametrize("tick_us", [500, 700, 1000, 3333, 10000])
def test_elapsed_time_carries_its_microseconds_and_saturates(tick_us: int) -> None:
    made = launched(tick_us=tick_us)
    for i in range(1, 500):
        tick(made)
        assert made.elapsed_ms == i * tick_us // 1000
    made.elapsed_ms = 65530
    for _ in range(2 * 6 * 1000 // 500):
        tick(made)
        assert made.elapsed_ms <= 65535
    assert made.elapsed_ms == 65535


# ---- P3 ----


@pytest.mark.rule("P3")
@given(st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 1)), max_size=40), st.integers(1, 1000))
def test_a_speed_is_valid_by_its_flag_and_a_change_below_the_step(
    row: list[tuple[int, int]], step: int
) -> None:
    made = progress(speed_step=step)
    before = 0
    for ms, (speed, flag) in enumerate(row):
        made.step(speed, flag, ms, 1, 0, 0)
        assert made.valid == (flag == 1 and abs(speed - before) < step)
        # Outside source of the curve: numpy.interp.
        assert made.car_speed == (speed if made.valid else curve(ms))
        before = speed


@pytest.mark.rule("P3")
def test_the_curve_stands_in_and_the_speed_joins_again() -> None:
    made = launched(progress_up_q12=FAST_Q12, progress_down_q12=FAST_Q12)
    for _ in range(1000):
        tick(made, speed=0, speed_valid=0)
        assert made.faults & FAULT_SPEED
    assert made.progress.value == curve(1000) == 400
    tick(made, speed=150)
    assert made.progress.value == 150
    assert not made.faults & FAULT_SPEED


@pytest.mark.rule("P1", "P3")
def test_a_join_is_limited() -> None:
    made = launched()  # 2 units up and 1 down a tick
    for _ in range(1000):
        tick(made, speed_valid=0)
    for i in range(1, 100):
        tick(made, speed=0)
        assert made.progress.value == 400 - i


# ---- P2 ----


def front_wheel(**changes: int | list[int]) -> Progress:
    return progress(speed_source=FRONT_WHEEL_SPEED, **changes)


@pytest.mark.rule("P2")
def test_front_wheels_own_speed_is_useless_in_the_air() -> None:
    # Common practice, no source: a front wheel in the air slows down or stands while the car goes on.
    made = front_wheel()
    for ms in range(1000):
        made.step(curve(ms), 1, ms, 1, 0, 0)
    for ms in range(1000, 2000):
        made.step(max(400 - (ms - 1000), 0), 1, ms, 1, AIR, 0)
        assert made.airborne
        assert made.car_speed == pytest.approx(curve(ms), abs=2)


@pytest.mark.rule("P2")
@pytest.mark.parametrize("spin_up", [0, 1, 50])
def test_the_car_is_in_the_air_until_spin_up_after_the_lift_fell_below_the_hysteresis(spin_up: int) -> None:
    made = front_wheel(spin_up_ticks=spin_up)
    for lift, expected in ((AIR - 1, 0), (AIR, 1), (AIR - 1, 1), (AIR - 160, 1)):
        made.step(0, 1, 0, 1, lift, 0)
        assert made.airborne == expected
    for _ in range(spin_up):
        made.step(0, 1, 0, 1, AIR - 161, 0)
        assert made.airborne
    made.step(0, 1, 0, 1, AIR - 161, 0)
    assert not made.airborne


@pytest.mark.rule("P2")
def test_a_second_lift_during_spin_up_starts_it_again() -> None:
    made = front_wheel(spin_up_ticks=20)
    made.step(0, 1, 0, 1, AIR, 0)
    for _ in range(15):
        made.step(0, 1, 0, 1, 0, 0)
    made.step(0, 1, 0, 1, AIR - 160, 0)  # still within the hysteresis: not down yet
    for _ in range(20):
        made.step(0, 1, 0, 1, 0, 0)
        assert made.airborne
    made.step(0, 1, 0, 1, 0, 0)
    assert not made.airborne


@pytest.mark.rule("P2")
@settings(max_examples=40)
@given(
    st.integers(1, 12),
    st.integers(1, 400),
    st.integers(0, 60),
    st.lists(st.integers(-25, 25), min_size=1, max_size=20),
)
def test_in_the_air_progress_follows_the_curve_from_the_speed_lookback_before(
    lookback: int, before: int, ticks_in_air: int, changes: list[int]
) -> None:
    made = front_wheel(lookback_ticks=lookback)
    speed = 500
    made.step(0, 1, 0, 0, 0, 0)
    made.step(100, 1, 0, 0, 0, 0)
    known = {0: 100}  # the speed the car was known to have, by the time since launch
    for ms in range(1, before + 1):
        speed = max(speed + changes[ms % len(changes)], 0)
        made.step(speed, 1, ms, 1, 0, 0)
        known[ms] = made.car_speed
    for i in range(ticks_in_air + 1):
        ms = before + 1 + i
        made.step(3000, 1, ms, 1, AIR, 0)
        assert made.airborne
        # `lookback` is kept in slots: one of them is the last whole one, 15 to 16 slots before.
        ages = range((LOOKBACK_SLOTS - 1) * lookback + 1, LOOKBACK_SLOTS * lookback + 1)
        then = [max(before + 1 - age, 0) for age in ages]
        assert made.car_speed in {max(known[t] + curve(ms) - curve(t), 0) for t in then}


@pytest.mark.rule("P2", "H5")
def test_out_of_sight_is_in_the_air() -> None:
    made = front_wheel(spin_up_ticks=10)
    for ms in range(1000):
        made.step(curve(ms), 1, ms, 1, AIR - 1, 0)
    for ms in range(1000, 1300):
        made.step(50, 1, ms, 1, AIR - 1, 1)
        assert made.airborne
        assert made.car_speed == pytest.approx(curve(ms), abs=2)


@pytest.mark.rule("P2", "P3")
def test_in_the_air_an_invalid_speed_changes_nothing() -> None:
    one, other = front_wheel(), front_wheel()
    for ms in range(500):
        for made in (one, other):
            made.step(curve(ms) * 2, 1, ms, 1, 0, 0)
    for ms in range(500, 800):
        one.step(300, 1, ms, 1, AIR, 0)
        other.step(ms * 77 % 9000, ms % 2, ms, 1, AIR, 0)
        assert one.car_speed == other.car_speed
    # Twice as fast as the curve until `lookback` (16 times 8 ms) before; from there on by the curve's slope.
    assert one.car_speed == pytest.approx(2 * curve(376) + curve(799) - curve(376), abs=3)


@pytest.mark.rule("P2")
def test_a_car_s_own_speed_goes_on_in_the_air() -> None:
    made = progress(speed_source=CAR_SPEED)
    for ms, speed in enumerate((0, 100, 200, 300)):
        made.step(speed, 1, ms, 1, 30000, 1)
        assert (made.airborne, made.car_speed) == (0, speed)


@pytest.mark.rule("P2")
def test_before_launch_nothing_is_in_the_air() -> None:
    made = front_wheel()
    made.step(100, 1, 0, 0, 30000, 0)
    assert (made.airborne, made.car_speed) == (0, 100)


@pytest.mark.rule("P1", "P2")
def test_the_largest_values_keep_their_products_below_2_to_the_30() -> None:
    made = bounded_controller(
        values(
            **{name: RANGES[name][2] for name in ("progress_up_q12", "progress_down_q12", "tick_us")},
            **{"lookback_ticks": RANGES["lookback_ticks"][2], "speed_source": FRONT_WHEEL_SPEED},
            **{"progress_axis_kind": BY_TIME},
            **{"run_ms": [0, 65535], "run_speed": [0, SPEED_LIMIT], "speed_step": SPEED_LIMIT},
        )
    ).progress
    for elapsed in (0, 65535, 1, 65535, 32768):
        for lift in (-32767, 32767):
            made.step(Bounded(SPEED_LIMIT), 1, Bounded(elapsed), 1, Bounded(lift), 0)
            assert 0 <= made.car_speed <= SPEED_LIMIT
            assert 0 <= made.value <= 65535
