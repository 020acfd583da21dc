"""The whole step: for any inputs and any calibration."""

import random
from collections.abc import Iterator
from itertools import islice

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.calibration.image import Values, pack
from controller import Calibration, Controller
from controller.constants import (
    COUNTS_LIMIT,
    CYLINDERS,
    ELAPSED_LIMIT,
    FAULT_INPUT,
    FAULT_NO_IMAGE,
    FAULT_RELEASE,
    FAULT_TICK,
    FAULT_UNUSED,
    FULL,
    IMAGE_CRC,
    IMAGE_OK,
    LIFT_LIMIT,
    REASON_LIFT,
    REASON_OUTSIDE_LAST,
    REST,
    ROTATION_LIMIT,
    SPEED_LIMIT,
    STOP,
)
from controller.events import Events
from controller.image import blank
from controller.latch import Latch, Slope
from controller.lift import LowPass
from controller.maps import Maps
from controller.requests import Command, CurveRequest
from tests.hostile import (
    Bounded,
    Segments,
    any_calibration,
    bounded_controller,
    calibrations,
    extreme_calibrations,
    fields_of,
    outputs,
    plausible_calibrations,
    segments,
    ticks,
    wild_segments,
)
from tests.support import controller, counts_of, launched, tick, values

LATCH_STATES = range(REST, FAULT_RELEASE + 1)


def loaded(calibration: Values) -> Controller:
    made = Controller()
    assert made.load(pack(calibration)) == IMAGE_OK
    return made


def assert_in_range(made: Controller) -> None:
    c = made._calibration
    command = made.command
    assert 0 <= command.reduction <= c.reduction_limit
    assert 0 <= command.retard <= c.retard_limit
    assert 0 <= command.reason <= REASON_OUTSIDE_LAST
    assert not 6 < command.reason < 16
    assert 0 <= command.askers < 32
    assert 0 <= made.faults < 1 << 11
    for latch in (made.reduction, made.retard):
        assert 0 <= latch.demand <= latch.output <= FULL
        assert latch.state in LATCH_STATES
        assert 0 <= latch.hold_left <= c.hold_ticks
        if latch.state == REST:
            assert (latch.output, latch.ramp, latch.hold_left) == (0, 0, 0)
    heights = c.sensor_height[: c.sensor_points]
    assert min(heights) <= made.height.good <= max(heights)
    for lift in (made.lift.value, made.lift.entry):
        assert -LIFT_LIMIT <= lift <= LIFT_LIMIT
    assert abs(made.lift.rest - c.rest) <= c.learn_tolerance
    assert 0 <= made.progress.value <= 65535
    assert 0 <= made.progress.car_speed <= SPEED_LIMIT
    assert 0 <= made.tick <= 0xFFFF
    assert 0 <= made.elapsed_ms <= ELAPSED_LIMIT
    assert 0 <= made.elapsed_us < 1000
    assert 0 <= made.out_of_sight_ticks <= COUNTS_LIMIT


@pytest.mark.rule("R3", "R4", "L2", "H2", "T2")
@settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow])
@given(calibrations, wild_segments, st.integers(0, 65535))
def test_outputs_are_in_range_for_any_inputs(calibration: Values, parts: Segments, start: int) -> None:
    made = loaded(calibration)
    latches = (made.reduction, made.retard)
    for row in ticks(parts, start):
        before = [latch.output for latch in latches]
        made.step(*row)
        assert_in_range(made)
        for latch, was in zip(latches, before, strict=True):
            assert latch.output <= was or latch.output == latch.demand
        assert not made.faults & FAULT_TICK
        for cylinder in (-1, 0, 1, 5, 12, 13):
            assert made.event(cylinder) in (0, made._calibration.event_bits)
            assert made.spark(cylinder) in (0, 2)


@pytest.mark.rule("T1")
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(calibrations, st.one_of(segments, wild_segments))
def test_equal_inputs_give_equal_outputs_and_states(calibration: Values, parts: Segments) -> None:
    one, other = loaded(calibration), loaded(calibration)
    for i, row in enumerate(ticks(parts)):
        one.step(*row)
        other.step(*row)
        assert outputs(one) == outputs(other)
        assert one.event(i % 12 + 1) == other.event(i % 12 + 1)
    assert one.digest() == other.digest()


@pytest.mark.rule("L8", "T1")
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(calibrations, st.one_of(segments, wild_segments), segments)
def test_reset_equals_fresh(calibration: Values, before: Segments, after: Segments) -> None:
    fresh = loaded(calibration)
    used = loaded(calibration)
    for i, row in enumerate(ticks(before)):
        used.step(*row)
        used.event(i % 12 + 1)
    used.reset()
    assert used.digest() == fresh.digest()
    assert outputs(used) == outputs(fresh)
    for row in ticks(after):
        used.step(*row)
        fresh.step(*row)
        assert outputs(used) == outputs(fresh)
    assert used.digest() == fresh.digest()


@pytest.mark.rule("L8", "I1")
@settings(max_examples=20, suppress_health_check=[HealthCheck.too_slow])
@given(calibrations, segments, extreme_calibrations)
def test_loading_an_image_starts_as_after_power_up(old: Values, before: Segments, new: Values) -> None:
    made = loaded(old)
    for row in ticks(before):
        made.step(*row)
    assert made.load(pack(new)) == IMAGE_OK
    assert made.digest() == loaded(new).digest()


@settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32), wild_segments)
def test_every_intermediate_stays_below_2_to_the_30(number: int, parts: Segments) -> None:
    """Calibration values and inputs are integers that check every result they are part of."""
    made = bounded_controller(any_calibration(random.Random(number)))
    c = made._calibration
    limits = (c.adc_max, SPEED_LIMIT, 1, ROTATION_LIMIT, ROTATION_LIMIT, 1, 1, FULL, FULL, 255)
    for i, (number_of_tick, *row) in enumerate(islice(ticks(parts), 150)):
        # Cut to 16 bits or to the range: what is wider is cut before anything is computed from it.
        cut = [max(0, min(one, limit)) for one, limit in zip(row, limits, strict=True)]
        made.step(Bounded(number_of_tick), *map(Bounded, cut))
        made.event(Bounded(i % 12 + 1))


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(plausible_calibrations, segments)
def test_every_intermediate_of_a_likely_run_stays_below_2_to_the_30(
    calibration: Values, parts: Segments
) -> None:
    made = bounded_controller(calibration)
    for number_of_tick, *row in ticks(parts[:6]):
        made.step(Bounded(number_of_tick), *(Bounded(max(0, min(one, 32767))) for one in row))


def parts_of(made: Controller) -> Iterator[object]:
    yield made
    for name in type(made).__slots__:
        part = getattr(made, name)
        if hasattr(type(part), "__slots__") and not name.startswith("_"):
            yield part
            for inner in type(part).__slots__:
                stage = getattr(part, inner)
                if hasattr(type(stage), "__slots__") and hasattr(stage, "digest"):
                    yield stage


def test_the_digest_covers_every_field_of_the_state() -> None:
    made = launched(
        engine_points=1, engine_ms=[0], engine_rpm=[5000], shaft_points=1, shaft_ms=[0], shaft_rpm=[900]
    )
    for _ in range(5):
        tick(made, 330, engine=6000, shaft=1000)
    whole = made.digest()
    touched = 0
    for part in parts_of(made):
        for name, value in fields_of(part):
            if type(part).__name__ == "Slope" and name == "value":
                continue  # follows from what is carried
            touched += 1
            if isinstance(value, int):
                setattr(part, name, value + 1)
                assert made.digest() != whole, f"{type(part).__name__}.{name}"
                setattr(part, name, value)
            else:
                for i in range(len(value)):
                    value[i] += 1
                    assert made.digest() != whole, f"{type(part).__name__}.{name}[{i}]"
                    value[i] -= 1
            assert made.digest() == whole
    assert touched > 90


# ---- tick number ----


@pytest.mark.rule("T1")
def test_the_tick_number_wraps_without_an_error() -> None:
    made = controller()
    for number in (65533, 65534, 65535, 0, 1):
        made.step(number, counts_of(130), 0, 1, 0, 0, 1, 0, 0, 0, 0)
        assert not made.faults & FAULT_TICK
        assert made.tick == number


@pytest.mark.rule("T1")
@pytest.mark.parametrize("wrong", [0, 7, 9, 65535, 65536, -1, 2**40])
def test_a_tick_number_that_is_not_the_last_plus_one_is_a_bit_and_still_one_step(wrong: int) -> None:
    one, other = controller(), controller()
    for number in range(7):
        for made in (one, other):
            made.step(number, counts_of(130), 0, 1, 0, 0, 1, 1, 0, 0, 0)
    for following, number in enumerate((wrong, (wrong & 0xFFFF) + 1, (wrong & 0xFFFF) + 2)):
        row = (counts_of(330), 50, 1, 0, 0, 1, 1, 0, 0, 0)
        one.step(number & 0xFFFF if following else number, *row)
        other.step(7 + following, *row)
        assert one.tick == number & 0xFFFF
        expected = FAULT_TICK if following == 0 and wrong != 7 else 0
        assert one.faults & FAULT_TICK == expected
        assert outputs(one)[5:] == outputs(other)[5:]
        assert outputs(one)[:4] == outputs(other)[:4]
        assert one.elapsed_ms == other.elapsed_ms == 7 + following


@pytest.mark.rule("T1")
def test_the_first_tick_after_a_reset_may_have_any_number() -> None:
    made = controller()
    for number in (40000, 3):
        made.step(number, counts_of(130), 0, 1, 0, 0, 0, 0, 0, 0, 0)
        assert not made.faults & FAULT_TICK
        made.reset()


# ---- inputs ----


@pytest.mark.rule("R2", "T2")
@pytest.mark.parametrize(
    ("place", "least", "greatest"),
    [
        (0, 0, 4095),
        (1, 0, SPEED_LIMIT),
        (3, 0, ROTATION_LIMIT),
        (4, 0, ROTATION_LIMIT),
        (7, 0, FULL),
        (8, 0, FULL),
    ],
)
def test_an_input_outside_its_range_is_cut_to_it_and_told(place: int, least: int, greatest: int) -> None:
    for given_value, meant in (
        (least - 1, least),
        (greatest + 1, greatest),
        (2**40, greatest),
        (-(2**40), least),
    ):
        made = [controller(engine_points=1, engine_ms=[0], engine_rpm=[3000]) for _ in range(2)]
        for i in range(80):
            row = [counts_of(130), 0, 1, 0, 0, 1, 1 if i > 60 else 0, 0, 0, 0]
            for one, value in zip(made, (given_value, meant), strict=True):
                row[place] = value
                one.step(i, *row)
            assert made[0].faults == made[1].faults | FAULT_INPUT
            assert not made[1].faults & FAULT_INPUT
            assert outputs(made[0])[5:] == outputs(made[1])[5:]
            assert outputs(made[0])[:4] == outputs(made[1])[:4]


# ---- images ----


def test_without_an_image_every_output_is_0() -> None:
    made = Controller()
    for i in range(20):
        made.step(i, 4000, 500, 1, 9000, 9000, 1, 1, 1000, 1000, 20)
        assert made.faults == FAULT_NO_IMAGE
        command = made.command
        assert (command.reduction, command.retard, command.reason, command.askers) == (0, 0, 0, 0)
        assert [made.event(k) for k in range(14)] == [0] * 14
        assert [made.spark(k) for k in range(14)] == [0] * 14
    made.reset()
    assert made.faults == FAULT_NO_IMAGE


@pytest.mark.rule("I1")
def test_a_refused_image_leaves_the_active_one_running() -> None:
    wrong = bytearray(pack(values(hold_ticks=7)))
    wrong[100] ^= 4
    twin, made = launched(), launched()
    for i in range(400):
        height = 330 if i < 20 else 200
        if i in (0, 30, 200):
            before = made.digest()
            assert made.load(bytes(wrong)) == IMAGE_CRC
            assert made.digest() == before
        tick(made, height)
        tick(twin, height)
        assert outputs(made) == outputs(twin)
    assert made.digest() == twin.digest()
    nothing = Controller()
    assert nothing.load(bytes(wrong)) == IMAGE_CRC
    nothing.step(0, 0, 0, 0, 0, 0, 0, 0, 500, 0, 20)
    assert (nothing.faults, nothing.command.reduction) == (FAULT_NO_IMAGE, 0)


# ---- before launch ----


@pytest.mark.rule("L1", "H2")
@settings(max_examples=20)
@given(segments)
def test_before_launch_nothing_is_demanded(parts: Segments) -> None:
    made = loaded(values(learn_window=10))
    for row in ticks(parts):
        made.step(*row[:7], 0, *row[8:])
        assert not made.launched
        assert (made.reduction.demand, made.reduction.output, made.retard.output) == (0, 0, 0)
        assert made.elapsed_ms == 0


def test_launch_needs_arming_and_is_a_level() -> None:
    made = controller()
    for _ in range(60):
        tick(made, armed=0, launch=1)
    assert not made.launched
    tick(made, armed=1, launch=0)
    assert not made.launched
    tick(made, armed=1, launch=1)
    assert (made.launched, made.elapsed_ms) == (1, 0)
    # The run goes on when the launch input ends, until a steady disarm.
    for _ in range(50):
        tick(made, armed=1, launch=0)
    assert (made.launched, made.elapsed_ms) == (1, 50)


@pytest.mark.rule("H4")
def test_arming_does_not_disturb_a_healthy_sensor() -> None:
    made = controller()
    for _ in range(60):
        tick(made, armed=0, launch=0)
    tick(made)
    assert (made.launched, made.faults) == (1, 0)


# ---- what a tuner expects: common practice, no source ----


@pytest.mark.rule("L3")
def test_a_hold_of_0_3_s_keeps_the_output_for_exactly_300_ticks_of_1_ms() -> None:
    made = launched(hold_ticks=300)
    for _ in range(10):
        tick(made, 330)
    peak = made.command.reduction
    assert peak == 400
    kept = 0
    tick(made, 328)
    while made.command.reduction == peak:
        kept += 1
        tick(made, 328)
    assert kept == 300


@pytest.mark.rule("M1", "L1")
def test_small_lifts_are_untouched() -> None:
    made = launched()
    for i in range(600):
        tick(made, 130 + 50 * (i % 100) / 100)
        assert (made.command.reduction, made.command.retard) == (0, 0)


@pytest.mark.rule("M1")
def test_some_degrees_of_retard_come_before_the_first_dropped_event_and_full_reduction_at_the_top() -> None:
    made = launched()
    retard_at_first_drop = None
    for i in range(400):
        tick(made, 130 + i * 0.8)
        if made.command.reduction > 0 and retard_at_first_drop is None:
            retard_at_first_drop = made.command.retard
    assert retard_at_first_drop is not None
    assert retard_at_first_drop >= 30  # three degrees
    assert made.command.reduction == 600
    assert made.command.reason == REASON_LIFT


@pytest.mark.rule("L6")
def test_full_torque_comes_back_at_once_with_the_hold_off() -> None:
    made = launched(hold_ticks=0, release_q16=0, retard_release_q16=0, allowance_rate=LIFT_LIMIT)
    for _ in range(10):
        tick(made, 330)
    assert made.command.reduction == 400
    tick(made, 170)
    assert (made.command.reduction, made.command.retard) == (0, 0)


@pytest.mark.rule("H1", "H3")
@pytest.mark.parametrize("counts", [-1, 4096, 65535])
def test_counts_beyond_the_converter_are_no_sample(counts: int) -> None:
    made = launched(window_low=0, window_high=4095, near_end=16)
    good = made.height.good
    tick(made, counts=counts)
    assert made.faults & (FAULT_INPUT | FAULT_UNUSED) == FAULT_INPUT | FAULT_UNUSED
    assert made.height.good == good


def test_parts_are_at_rest_before_anybody_calibrates_them() -> None:
    """Plain zeros and nothing undefined, so that a part that was forgotten asks for nothing."""
    other = {
        ("LowPass", "_factor"): 4096,
        ("Events", "_cylinders"): 1,
        ("Maps", "_width"): 1,
        ("CurveRequest", "_after_end"): STOP,
        ("CurveRequest", "reach"): ROTATION_LIMIT,
    }
    sizes = {"_place": CYLINDERS + 1, "mark": CYLINDERS, "skipped": CYLINDERS}
    blank_values = Calibration()
    blank(blank_values)
    parts = (Latch(), Slope(), LowPass(), Events(), Command(), CurveRequest(), Maps(blank_values))
    for part in (*parts, *_nested(CurveRequest())):
        for name in type(part).__slots__:
            value = getattr(part, name)
            if isinstance(value, list):
                assert value == [0] * sizes.get(name, 0), (type(part).__name__, name)
            elif isinstance(value, int):
                assert value == other.get((type(part).__name__, name), 0), (type(part).__name__, name)
            else:
                assert isinstance(value, Slope | Calibration), (type(part).__name__, name)


def _nested(request: CurveRequest) -> tuple[Slope, Slope]:
    return request.reduction, request.retard
