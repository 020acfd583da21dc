"""Height to lift: rest height and gain, median, low-pass, look-ahead (H2, H7, H9)."""

import random
from fractions import Fraction
from math import floor

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter, medfilt

from bench.calibration.image import pack
from controller import Calibration, read
from controller.constants import BY_TIME, FRONT_WHEEL_SPEED, LIFT_LIMIT, LIFT_SPEED_LIMIT
from controller.lift import Lift, LowPass
from tests.hostile import RANGES, Bounded, bounded_controller
from tests.support import controller, counts_of, launched, tick, values

heights = st.integers(0, 8000)
rows = st.lists(st.tuples(heights, st.integers(1, 8)), min_size=1, max_size=20).map(
    lambda runs: [height for height, length in runs for _ in range(length)]
)
REST = 2080


def lift(**changes: int | list[int]) -> Lift:
    """A lift stage that started at the rest height."""
    into = Calibration()
    assert read(pack(values(**changes)), into) == 0
    made = Lift(into)
    made.sample(REST, 1, 0)
    return made


def half_away(value: Fraction) -> int:
    return floor(abs(value) + Fraction(1, 2)) * (-1 if value < 0 else 1)


# ---- H2: rest height and gain ----


@pytest.mark.rule("H2")
@given(st.integers(1, 65536), heights, heights)
def test_lift_is_height_over_rest_times_the_gain(gain: int, rest: int, height: int) -> None:
    made = lift(gain_q12=gain, rest=rest)
    exact = half_away(Fraction((height - rest) * gain, 4096))
    assert made.of_height(height) == max(-LIFT_LIMIT, min(LIFT_LIMIT, exact))


@pytest.mark.rule("H2")
def test_the_gain_carries_the_sensor_s_place_to_the_axle() -> None:
    # Plain geometry: wheelbase 2.65 m, sensor 0.55 m ahead of the front axle: the axle rises by 2.65/3.2.
    gain = round(2.65 / 3.2 * 4096)
    assert lift(gain_q12=gain).of_height(REST + 3200) == round(3200 * 2.65 / 3.2)
    # Behind the axle the gain is above one.
    assert lift(gain_q12=6144).of_height(REST + 160) == 240
    assert lift(gain_q12=6144).of_height(REST - 161) == -242


def learning(**changes: int | list[int]) -> dict[str, int | list[int]]:
    return {"learn_window": 100, "learn_spread": 32, "learn_tolerance": 320, **changes}


@pytest.mark.rule("H2")
def test_the_rest_height_is_learned_while_armed_before_launch_and_at_speed_0() -> None:
    made = controller(**learning())
    for _ in range(50):  # the sensor is accepted by its 50th sample, which is the window's first
        tick(made, 140, launch=0)
    for _ in range(98):
        tick(made, 140, launch=0)
        assert made.lift.rest == REST
    tick(made, 140, launch=0)
    assert made.lift.rest == pytest.approx(140 * 16, abs=2)
    assert made.lift.value == 0
    assert made.lift.entry == 0


@pytest.mark.rule("H2")
@pytest.mark.parametrize(
    "case",
    [
        {"armed": 0},
        {"speed": 1},
        {"launch": 1},
        {"speed_valid": 0},
    ],
)
def test_it_is_not_learned_at_any_other_time(case: dict[str, int]) -> None:
    made = controller(**learning())
    for _ in range(400):
        tick(made, 140, **{"launch": 0, **case})
    assert made.lift.rest == REST


@pytest.mark.rule("H2")
def test_a_car_without_a_speed_sensor_is_still_before_launch() -> None:
    """With time as progress nothing else tells: without a valid speed the car counts as standing."""
    made = controller(**learning(progress_axis_kind=BY_TIME))
    for _ in range(200):
        tick(made, 140, launch=0, speed_valid=0)
    assert made.lift.rest == pytest.approx(140 * 16, abs=2)


@pytest.mark.rule("H2")
def test_it_is_not_learned_from_an_unsteady_or_a_distant_height() -> None:
    made = controller(**learning())
    for i in range(600):
        tick(made, 140 + 3 * (i // 7 % 2), launch=0)  # 3 mm of spread, 2 allowed
    assert made.lift.rest == REST
    for mm, learned in ((151, False), (149, True), (111, True), (109, False)):  # tolerance 20 mm
        made = controller(**learning())
        for _ in range(200):
            tick(made, mm, launch=0)
        assert (made.lift.rest != REST) == learned, mm


@pytest.mark.rule("H2")
def test_the_tolerance_and_the_spread_may_just_be_reached() -> None:
    for first, second, learned in ((320, 320, True), (321, 321, False), (100, 132, True), (100, 133, False)):
        for sign in (1, -1):
            made = lift(**learning(learn_window=2))
            made.learn(REST + sign * first, True)
            assert made.learn(REST + sign * second, True) == learned
            assert (made.rest != REST) == learned


@pytest.mark.rule("H2")
def test_lost_samples_are_no_part_of_the_window() -> None:
    made = controller(**learning())
    for i in range(230):
        tick(made, counts=0 if i % 3 == 0 and i > 60 else counts_of(140), launch=0)
    assert made.lift.rest == pytest.approx(140 * 16, abs=2)


@pytest.mark.rule("H2")
@settings(max_examples=60)
@given(
    st.integers(1, 60),
    st.integers(0, 40),
    st.integers(0, 60),
    st.lists(st.tuples(st.integers(-40, 40), st.integers(0, 9)), min_size=1, max_size=200),
)
@example(2, 1, 1, [(0, 1), (-1, 1)])
def test_the_learned_height_is_the_mean_of_a_window_that_kept_spread_and_tolerance(
    window: int, spread: int, tolerance: int, steps: list[tuple[int, int]]
) -> None:
    made = lift(learn_window=window, learn_spread=spread, learn_tolerance=tolerance)
    now: list[int] = []
    expected = REST
    for offset, moving in steps:
        height = REST + offset
        still = moving > 0
        made.learn(height, still)
        now = [*now, height] if still else []
        if now and max(now) - min(now) > spread:
            now = []
        if len(now) == window:
            # A tie rounds the step from the window's first height: 2080 and 2079 are 2079.
            mean = now[0] + half_away(Fraction(sum(now), window) - now[0])
            if abs(mean - REST) <= tolerance:
                expected = mean
            now = []
        assert made.rest == expected


@pytest.mark.rule("H2")
def test_arming_anew_forgets_the_learned_height() -> None:
    made = controller(**learning())
    for _ in range(300):
        tick(made, 140, launch=0)
    assert made.lift.rest != REST
    for _ in range(100):
        tick(made, 140, armed=0, launch=0)
    learned = made.lift.rest
    assert learned != REST  # disarming alone changes nothing
    tick(made, 140, launch=0)
    assert made.lift.rest == REST


@pytest.mark.rule("H2", "H9")
@pytest.mark.parametrize("mm", [112, 148])
def test_a_nose_at_rest_has_no_speed_when_the_rest_height_changes(mm: int) -> None:
    look = {"look_rising_q12": 26214, "look_falling_q12": 26214, "look_lowpass_q12": 400}
    made = controller(**learning(**look))
    for _ in range(300):
        tick(made, mm, launch=0)
        assert made.lift.entry == made.lift.value
    assert made.lift.rest != REST
    for _ in range(100):
        tick(made, mm, armed=0, launch=0)
    for _ in range(50):
        tick(made, mm)  # armed and launched in one tick: back to the calibrated rest height
        assert made.lift.entry == made.lift.value == made.lift.of_height(made.height.good)


# ---- H7: median and low-pass ----


@pytest.mark.rule("H7")
@settings(max_examples=60)
@given(st.sampled_from((1, 3, 5)), rows)
def test_the_median_is_that_of_scipy(count: int, row: list[int]) -> None:
    made = lift(median_samples=count)
    found = []
    for height in row:
        made.sample(height, 0, 1)
        found.append(made.value)
    # Outside source: scipy.signal.medfilt, centred; ours looks back, so it comes (count - 1) / 2 later, and
    # before the first sample it has the rest height.
    lifts = np.array([REST] * count + row, dtype=float) - REST
    centred = medfilt(lifts, count)
    late = count // 2
    expected = centred[count - late : len(lifts) - late] if late else centred[count:]
    assert found == expected.tolist()


@pytest.mark.rule("H7")
def test_impulses_shorter_than_half_the_window_vanish_and_edges_stay() -> None:
    # Gallagher & Wise, IEEE Trans. ASSP 29(6), 1981: window 2N+1; impulses of up to N samples vanish, N+1
    # survive (from memory); window 5: ..0 9 9 0.. -> all 0, ..0 9 9 9 0.. unchanged (computed).
    for impulse, survives in (([9, 9], False), ([9, 9, 9], True)):
        made = lift(median_samples=5)
        found = []
        for one in [0, 0, 0, *impulse, 0, 0, 0, 0, 0]:
            made.sample(REST + one, 0, 1)
            found.append(made.value)
        assert (sorted(found)[-3:] == [9, 9, 9]) == survives
        assert sum(found) == (27 if survives else 0)


@pytest.mark.rule("H7")
@settings(max_examples=60)
@given(st.integers(1, 4096), rows)
def test_the_low_pass_is_that_of_scipy_within_two_units(factor: int, row: list[int]) -> None:
    made = LowPass()
    made.reset(Bounded(factor), 0)
    found = []
    for target in row:
        found.append(int(made.step(Bounded(target))))
        assert abs(made.remainder) < 4096
    # Outside source: scipy.signal.lfilter of y += a (x - y). Value plus carried remainder differ from it by
    # e' = (1 - a) e + a r with |r| < 1, so by less than one, and the remainder itself is less than one.
    a = factor / 4096
    assert np.abs(np.array(found) - lfilter([a], [1, a - 1], row)).max() < 2


@pytest.mark.rule("H7")
def test_printed_step_response_of_the_low_pass() -> None:
    # Backward difference, alpha = 0.2: 1 - 0.8^n, so 0.2, 0.36, 0.488, 0.5904, 0.67232 (computed).
    made = LowPass()
    made.reset(round(0.2 * 4096), 0)
    found = [made.step(30000) for _ in range(5)]
    for value, expected in zip(found, (0.2, 0.36, 0.488, 0.5904, 0.67232), strict=True):
        # 819/4096 for 0.2 makes up to 3 units of it, the truncation 2.
        assert value == pytest.approx(30000 * expected, abs=5)
    # Unit step of a first-order system at t/tau = 1..6 (M. Kutz, ed., Mechanical Engineers' Handbook, vol.
    # 2, p. 333, table 6; the editor from memory, the edition not noted), for a filter slow enough to be
    # one: its time constant is -1/ln(1 - alpha) samples.
    alpha = 8 / 4096
    tau = -1 / np.log(1 - alpha)
    made.reset(8, 0)
    response = [made.step(30000) for _ in range(int(6 * tau) + 2)]
    for times, expected in zip(range(1, 7), (0.632, 0.865, 0.950, 0.982, 0.993, 0.998), strict=True):
        assert response[round(times * tau) - 1] / 30000 == pytest.approx(expected, abs=1.5e-3)


@pytest.mark.rule("H7")
@settings(max_examples=40)
@given(
    st.integers(256, 4096),
    st.integers(-LIFT_LIMIT, LIFT_LIMIT),
    st.integers(-LIFT_LIMIT, LIFT_LIMIT),
    st.data(),
)
def test_the_low_pass_settles_exactly_and_stays(
    factor: int, start: int, target: int, data: st.DataObject
) -> None:
    made = LowPass()
    made.reset(Bounded(factor), Bounded(start))
    for before in data.draw(st.lists(st.integers(-LIFT_LIMIT, LIFT_LIMIT), max_size=4)):
        made.step(Bounded(before))
    side = int(made.value - target)
    # Never past the target on its way.
    for _ in range(int(12 * 4096 / factor) + 200):
        made.step(Bounded(target))
        assert int(made.value - target) * side >= 0
    for _ in range(20):
        made.step(Bounded(target))
        assert made.value == target


@pytest.mark.rule("H7")
def test_the_slowest_low_pass_settles_too() -> None:
    for start, target in ((0, 3), (5, -2), (-7, -4)):
        made = LowPass()
        made.reset(1, start)
        for _ in range(40000):
            made.step(target)
        assert made.value == target
        for _ in range(9000):
            made.step(target)
            assert made.value == target


@pytest.mark.rule("H7")
def test_truncation_is_towards_zero_and_symmetrical() -> None:
    up, down = LowPass(), LowPass()
    up.reset(1000, 0)
    down.reset(1000, 0)
    for target in (7, 7, 3, 100, -3, 0, 0, 0):
        assert up.step(target) == -down.step(-target)
        assert up.remainder == -down.remainder


@pytest.mark.rule("H4", "H7")
def test_after_power_up_a_fault_and_out_of_sight_the_filters_start_anew() -> None:
    made = controller(median_samples=5, lowpass_q12=40)
    for _ in range(50):
        tick(made, 300, launch=0)
    assert made.lift.value == made.lift.of_height(made.height.good) > 0
    made = launched(median_samples=5, lowpass_q12=40)
    for _ in range(30):
        tick(made, counts=0)
    while made.failing:
        tick(made, 250)
    assert made.lift.value == made.lift.of_height(made.height.good)
    for _ in range(5):
        tick(made, 490)
    for _ in range(3):
        tick(made, counts=0)
    assert made.height.out_of_sight
    while made.height.out_of_sight:
        tick(made, 480)
    assert made.lift.value == made.lift.of_height(made.height.good)


# ---- H9: look-ahead ----

LOOK = {"look_rising_q12": 13107, "look_falling_q12": 13107}  # 0.2 s


@pytest.mark.rule("H9")
@pytest.mark.parametrize(("slope", "ahead"), [(16, 200), (-16, -200), (8, 100), (0, 0)])
def test_the_maps_are_entered_with_lift_plus_time_times_speed(slope: int, ahead: int) -> None:
    # 16 units of 1/16 mm each ms is 1 m/s: 0.2 s ahead are 200 mm.
    made = lift(**LOOK)
    for i in range(1, 100):
        made.sample(4000 + slope * i, 0 if i > 1 else 1, 1)
        assert made.value == 4000 + slope * i - REST  # the height shown stays as measured
    assert made.entry == pytest.approx(made.value + ahead * 16, abs=2)


@pytest.mark.rule("H9")
def test_rising_and_falling_have_times_of_their_own() -> None:
    for rising, falling in ((6554, 0), (0, 6554)):
        made = lift(look_rising_q12=rising, look_falling_q12=falling)
        for slope, time in ((16, rising), (-16, falling)):
            for i in range(3):
                made.sample(4000 + slope * i, i == 0, 1)
            expected = (1 if slope > 0 else -1) * (1600 if time else 0)
            assert made.entry - made.value == pytest.approx(expected, abs=2)


@pytest.mark.rule("H9")
def test_off_means_the_lift_itself() -> None:
    made = lift(look_rising_q12=0, look_falling_q12=0)
    for height in (100, 5000, 300, 7000):
        made.sample(height, 0, 1)
        assert made.entry == made.value


@pytest.mark.rule("H9")
def test_the_speed_is_per_time_and_not_per_sample() -> None:
    """A lost sample between two does not double the speed."""
    made = lift(**LOOK)
    made.sample(4000, 1, 0)
    for i, gap in enumerate((1, 2, 5, 1)):
        made.sample(made.latest + REST + 16 * gap, 0, gap)
        assert made.speed.value == 1000, i
    # A slow sensor: 4 ms a sample.
    slow = lift(**LOOK, sample_ticks=4, look_speed_q12=62500 * 4096 // 4000)
    slow.sample(4000, 1, 0)
    slow.sample(4064, 0, 1)
    assert slow.speed.value == 1000


@pytest.mark.rule("H9")
def test_the_speed_is_rounded_half_away_from_zero() -> None:
    made = lift(look_speed_q12=4096)  # 1 mm/s for each unit a sample
    for change, gap, speed in ((3, 2, 2), (-3, 2, -2), (1, 3, 0), (-5, 3, -2)):
        made.sample(4000, 1, 0)
        made.sample(4000 + change, 0, gap)
        assert made.speed.value == speed


@pytest.mark.rule("H9")
@settings(max_examples=60)
@given(
    st.lists(st.one_of(st.none(), heights), min_size=2, max_size=60),
    st.integers(0, 26214),
    st.integers(0, 26214),
    st.integers(1, 4096),
)
def test_a_lost_sample_never_lowers_the_entry(
    row: list[int | None], rising: int, falling: int, lowpass: int
) -> None:
    made = lift(look_rising_q12=rising, look_falling_q12=falling, look_lowpass_q12=lowpass)
    gap = 1
    for height in row:
        before = (made.value, made.entry, made.speed.value)
        if height is None:
            made.miss()
            gap += 1
            assert made.entry >= before[1]
            assert made.entry >= made.value  # a falling speed counts as 0
            assert (made.value, made.speed.value) == (before[0], before[2])
            if before[2] > 0:
                assert made.entry == before[1]  # a rising one stays
        else:
            made.sample(height, 0, gap)
            gap = 1
        assert -LIFT_LIMIT <= made.entry <= LIFT_LIMIT


@pytest.mark.rule("H9", "P2")
def test_the_maps_look_ahead_and_the_front_wheels_do_not() -> None:
    made = launched(**LOOK, speed_source=FRONT_WHEEL_SPEED)
    for i in range(1, 40):
        tick(made, 130 + i)  # 1 m/s
    assert (made.lift.value, made.lift.entry) == (
        pytest.approx(39 * 16, abs=2),
        pytest.approx(239 * 16, abs=40),
    )
    # Plain map: 40 % at 200 mm, 60 % at 300 mm.
    made.maps.look(made.lift.entry, made.progress.value)
    assert made.reduction.demand == made.maps.reduction > 400
    assert not made.progress.airborne  # its threshold is 100 mm as measured


@pytest.mark.rule("H9")
def test_a_speed_from_before_a_fault_does_not_outlive_it() -> None:
    look = {**LOOK, "look_lowpass_q12": 400, "allowance_rate": 400}
    made = launched(**look)
    for i in range(160):
        tick(made, 130 + 1.5 * i)
    for i in range(60):
        tick(made, 370 - 1.5 * i)
    assert made.lift.entry < made.lift.value
    for _ in range(100):
        tick(made, counts=0)
    while made.failing:
        tick(made, 340)
    assert made.lift.entry == made.lift.value
    # The nose is up and steady: what it demands is what the map says of 210 mm.
    assert made.reduction.demand >= 400


@pytest.mark.rule("H9", "H5", "H6")
@settings(max_examples=8)
@given(st.integers(0, 2**32))
def test_the_use_of_samples_faults_and_out_of_sight_know_nothing_of_it(number: int) -> None:
    """As long as both runs take torque at the same ticks, the sensor's judge sees no difference."""
    rng = random.Random(number)
    flat = {"reduction_map": [300] * 256, "lift_axis": [-32000, 0, 3200, 4800], "hold_ticks": 1000}
    plain = launched(**flat)
    looking = launched(**flat, **LOOK)
    mm = 130.0
    for _ in range(200):
        mm = min(max(mm + rng.choice((-3, 0, 3)), 5), 498)
        counts = 0 if rng.random() < 0.1 else counts_of(mm)
        tick(plain, counts=counts)
        tick(looking, counts=counts)
        assert plain.height.digest(0) == looking.height.digest(0)
        assert plain.lift.value == looking.lift.value


# ---- sizes ----

FACTORS = (
    "gain_q12",
    "look_speed_q12",
    "look_rising_q12",
    "look_falling_q12",
    "look_lowpass_q12",
    "lowpass_q12",
)


@pytest.mark.rule("H2", "H7", "H9")
def test_the_largest_values_keep_their_products_below_2_to_the_30() -> None:
    made = bounded_controller(
        values(
            **{"sensor_height": [-16000, 16767], "rest": 0},
            **{name: RANGES[name][2] for name in FACTORS},
        )
    ).lift
    made.sample(Bounded(-16000), 1, 0)
    for height in (16767, -16000, 16767, -16000):
        made.sample(Bounded(height), 0, 1)
        assert abs(made.entry) <= LIFT_LIMIT
    low = LowPass()
    low.reset(Bounded(4096), Bounded(0))
    for target in (LIFT_SPEED_LIMIT, -LIFT_SPEED_LIMIT, LIFT_SPEED_LIMIT):
        assert low.step(Bounded(target)) == target


@pytest.mark.rule("H2")
def test_the_longest_window_with_the_widest_spread_sums_below_2_to_the_30() -> None:
    window, spread = (RANGES[name][2] for name in ("learn_window", "learn_spread"))
    made = bounded_controller(
        values(
            **{"learn_window": window, "learn_spread": spread, "learn_tolerance": spread},
            **{"sensor_height": [0, 32767], "rest": 16000},
        )
    ).lift
    least, greatest = 1000, 1000 + spread
    # The first sample at one end and all others at the other: the sum is as large as it can be.
    made.learn(Bounded(least), True)
    made.learn_count = window - 1
    made.learn_sum = Bounded(spread) * (window - 2)
    made.learn(Bounded(greatest), True)
    assert made.rest == half_away(Fraction(least + (window - 1) * greatest, window))


@pytest.mark.rule("H9")
@settings(max_examples=60)
@given(st.integers(-2000, 4000), st.lists(st.tuples(st.integers(-40, 40), st.booleans()), max_size=60))
def test_below_its_least_lift_look_ahead_does_nothing(least: int, steps: list[tuple[int, bool]]) -> None:
    made = lift(**LOOK, look_from=least)
    always = lift(**LOOK)
    height = REST
    for i, (change, seen) in enumerate(steps):
        height += change
        for one in (made, always):
            if seen:
                one.sample(height, i == 0, 1)
            else:
                one.miss()
        assert made.value == always.value
        assert made.entry == (always.entry if made.value >= least else made.value)
