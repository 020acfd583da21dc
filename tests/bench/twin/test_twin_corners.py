"""The C core equals the reference where chance seldom leads: runs written out, one for each rare turn."""

from __future__ import annotations

import struct
from collections.abc import Iterable
from typing import Any

import pytest

from bench.calibration.image import pack
from bench.twin.compare import read_outputs, state_fields
from controller import Calibration, Controller
from controller import image as image_module
from controller.constants import (
    ASKER_OUTSIDE,
    FAULT_FALL,
    FAULT_INPUT,
    FAULT_OUT_OF_SIGHT,
    FAULT_SENSOR,
    FAULT_STUCK,
    FULL,
    IMAGE_OK,
    IMAGE_ORDER,
    KEPT,
    PEAK,
    REASON_BLIND,
    REST,
    ROTATION_LIMIT,
    SPEED_LIMIT,
)
from controller.image import FIELDS, HEADER_BYTES, LENGTH
from firmware_model.binding import Core, constants
from tests.support import table, tick, values
from tests.tools import need_core

LOST = 0
Step = dict[str, Any]


class Twins:
    """Both sides, stepped alike and compared after each tick and event."""

    def __init__(self, **changes: int | list[int]) -> None:
        need_core()
        image = pack(values(**changes))
        self.reference, self.core = Controller(), Core()
        assert self.reference.load(image) == self.core.load(image) == 0

    def run(self, steps: Iterable[Step], cylinders: int = 0) -> None:
        for step in steps:
            columns = {name: value for name, value in step.items() if name != "mm"}
            for side in (self.reference, self.core):
                tick(side, step.get("mm", 130), **columns)
            for cylinder in range(1, cylinders + 1):
                assert self.core.event(cylinder) == self.reference.event(cylinder)
            self.check()

    def check(self) -> None:
        assert read_outputs(self.core) == read_outputs(self.reference)
        fields = state_fields(self.reference, self.core)
        assert [field for field in fields if field[1] != field[2]] == []
        assert self.core.digest() == self.reference.digest()


def launch(twins: Twins) -> None:
    twins.run([{"launch": 0} for _ in range(200)] + [{}])
    assert twins.reference.launched
    assert not twins.reference.failing


@pytest.mark.rule("H5", "L1")
def test_out_of_sight_with_maps_that_ask_for_nothing_there() -> None:
    flat = table([0, 0], [0, 0], [0, 0], [0, 0])
    twins = Twins(retard_map=flat, near_end=400)
    launch(twins)
    twins.run({"mm": 130 + 4 * i} for i in range(1, 88))
    assert twins.reference.retard.output == 0
    twins.run([{"counts": LOST}] * 3)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    # The reduction is at the peak; the retard, of which the map has none, still rests.
    assert (twins.reference.reduction.state, twins.reference.retard.state) == (PEAK, REST)


@pytest.mark.rule("H6")
def test_samples_that_agree_far_below_while_what_was_taken_is_kept() -> None:
    twins = Twins(agree_samples=3, heal_samples=50)
    launch(twins)
    twins.run({"mm": 130 + 4 * i} for i in range(1, 76))
    assert twins.reference.reduction.output > 0
    taken = twins.reference.command.reduction
    # A fall of more than the allowance is a fault; that many more like it agree changes nothing.
    twins.run([{"mm": 130}] * 20)
    assert twins.reference.faults & FAULT_FALL
    assert twins.reference.faults & FAULT_SENSOR
    assert twins.reference.command.reduction == taken


@pytest.mark.rule("C1", "C3")
def test_no_event_is_skipped_once_nothing_is_asked_though_the_integral_moved() -> None:
    twins = Twins()
    launch(twins)
    twins.run([{"request": (500, 0, 20)} for _ in range(3)], cylinders=5)
    twins.run([{}] * 3, cylinders=8)
    assert not any(twins.reference.events.skipped)


@pytest.mark.rule("C3")
def test_all_events_are_skipped_at_the_full_reduction() -> None:
    twins = Twins()
    launch(twins)
    twins.run([{"request": (1000, 0, 20)} for _ in range(3)], cylinders=8)
    assert twins.reference.events.skipped[:8] == [3] * 8


@pytest.mark.rule("H3")
def test_a_large_fall_with_nothing_taken_is_used_once_enough_samples_agree() -> None:
    twins = Twins(agree_samples=3, confirm_samples=50)
    launch(twins)
    twins.run({"mm": 130 + 2 * i} for i in range(1, 20))
    assert twins.reference.reduction.output == twins.reference.retard.output == 0
    twins.run([{"mm": 50}] * 2)
    assert not twins.reference.height.used
    twins.run([{"mm": 50}])
    assert twins.reference.height.used
    assert not twins.reference.failing


@pytest.mark.rule("M1")
def test_a_map_that_differs_in_one_corner_only() -> None:
    corner = table([0, 0], [0, 0], [0, 600], [600, 600])
    twins = Twins(reduction_map=corner, speed_step=20000)
    launch(twins)
    twins.run({"speed": 4 * i} for i in range(1, 200))
    twins.run({"mm": 130 + 4 * i, "speed": 800} for i in range(1, 40))
    assert 0 < twins.reference.reduction.output < 600


@pytest.mark.rule("H5", "H8")
def test_stuck_near_the_end_and_out_of_sight_is_a_bit_and_no_fault() -> None:
    stuck = {"stuck_band": 16, "stuck_samples": 20, "stuck_speed": 100, "near_end": 400}
    flat = table([0, 0], [0, 0], [0, 0], [0, 0])
    twins = Twins(reduction_map=flat, retard_map=flat, **stuck)
    launch(twins)
    twins.run({"mm": min(130 + 4 * i, 490), "speed": 500} for i in range(1, 140))
    assert twins.reference.height.stuck
    assert (twins.reference.faults & FAULT_STUCK, twins.reference.failing) == (FAULT_STUCK, 0)
    twins.run([{"counts": LOST, "speed": 500}] * 3)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    assert twins.reference.height.stuck
    assert (twins.reference.faults & FAULT_STUCK, twins.reference.failing) == (FAULT_STUCK, 0)


@pytest.mark.rule("I1")
@pytest.mark.parametrize("at", range(12))
def test_each_byte_of_the_head_is_looked_at(at: int) -> None:
    need_core()
    image = bytearray(pack(values()))
    image[at] ^= 0x40
    verdict = Controller().load(bytes(image))
    assert verdict == Core().load(bytes(image)) != 0


@pytest.mark.rule("I1")
@pytest.mark.parametrize("length", [0, 11, 12, 1000, 1620])
def test_an_image_of_another_length_is_refused_alike(length: int) -> None:
    need_core()
    image = pack(values())[:length]
    assert Controller().load(image) == Core().load(image) != 0


@pytest.mark.rule("I1")
@pytest.mark.parametrize("off", [1, 2, 3])
def test_c_refuses_an_image_that_does_not_lie_at_a_multiple_of_4(off: int) -> None:
    need_core()
    image = pack(values())
    core = Core()
    memory = core._ffi.new("uint32_t[]", len(image) // 4 + 2)
    place = core._ffi.cast("uint8_t *", memory) + off
    core._ffi.memmove(place, image, len(image))
    assert core._lib.lift_load(core._state, place, len(image)) == constants()["LIFT_IMAGE_PLACE"]


# ---- ends of ranges


@pytest.mark.rule("T2")
def test_inputs_at_the_ends_of_their_ranges_are_taken_as_they_are() -> None:
    twins = Twins()
    launch(twins)
    for inside in (
        {"speed": SPEED_LIMIT},
        {"engine": ROTATION_LIMIT},
        {"shaft": ROTATION_LIMIT},
        {"request": (FULL, 0, 20)},
        {"request": (0, FULL, 20)},
        {"counts": 4095},
        {"counts": 0},
    ):
        twins.run([inside], cylinders=8)
        assert not twins.reference.faults & FAULT_INPUT
    for name, most in {"speed": SPEED_LIMIT, "engine": ROTATION_LIMIT, "shaft": ROTATION_LIMIT}.items():
        for beyond in (most + 1, -1):
            twins.run([{name: beyond}])
            assert twins.reference.faults & FAULT_INPUT


@pytest.mark.rule("T2", "R1")
def test_an_input_below_its_range_counts_as_0() -> None:
    curves = {
        f"{who}_{name}": value
        for who in ("engine", "shaft")
        for name, value in {"points": 1, "ms": [0], "rpm": [0], "hysteresis": 0}.items()
    }
    twins = Twins(**curves)
    launch(twins)
    twins.run([{"engine": -1, "shaft": -1}] * 3)
    assert twins.reference.command.askers == 0
    twins.run([{"engine": 1}, {}, {"shaft": 1}, {}])


@pytest.mark.rule("R2")
@pytest.mark.parametrize("request_", [(1, 0, 20), (0, 1, 20), (500, 0, 20), (0, 50, 20)])
def test_an_outside_request_may_be_one_unit_of_one_kind(request_: tuple[int, int, int]) -> None:
    twins = Twins()
    twins.run([{"request": request_, "launch": 0}])
    assert (twins.reference.command.reduction, twins.reference.command.retard) == request_[:2]
    assert twins.reference.command.askers == ASKER_OUTSIDE


@pytest.mark.rule("H3", "H6")
@pytest.mark.parametrize("which", ["reduction", "retard"])
def test_one_unit_is_taking(which: str) -> None:
    """With one unit latched a fall beyond the allowance is a fault, and is kept."""
    one = table([0, 0], [1, 1], [1, 1], [1, 1])
    none = table([0, 0], [0, 0], [0, 0], [0, 0])
    maps = {"reduction_map": one if which == "reduction" else none}
    maps["retard_map"] = one if which == "retard" else none
    twins = Twins(trigger=0, trigger_hysteresis=0, retard_trigger=0, retard_trigger_hysteresis=0, **maps)
    launch(twins)
    twins.run({"mm": 130 + 4 * i} for i in range(1, 40))
    latch = getattr(twins.reference, which)
    assert latch.output == 1
    twins.run([{"mm": 130}] * 10)
    assert twins.reference.faults & FAULT_FALL
    assert (latch.state, latch.output) == (KEPT, 1)


@pytest.mark.rule("L3")
def test_a_demand_of_one_unit_keeps_the_hold_from_landing() -> None:
    falling = table([0, 0], [1, 1], [9, 9], [9, 9])
    twins = Twins(trigger=0, trigger_hysteresis=0, hold_from=1, hold_ticks=20, reduction_map=falling)
    launch(twins)
    twins.run({"mm": 130 + 2 * i} for i in range(1, 101))
    assert twins.reference.reduction.output > 1
    twins.run({"mm": max(330 - 2 * i, 232)} for i in range(1, 90))
    assert twins.reference.reduction.demand == 1
    assert twins.reference.reduction.output > 1


@pytest.mark.rule("H5")
def test_out_of_sight_with_one_unit_asked_for_at_the_end() -> None:
    one = table([0, 0], [0, 0], [0, 0], [1, 1])
    twins = Twins(reduction_map=one, retard_map=one)
    launch(twins)
    twins.run({"mm": 130 + 4 * i} for i in range(1, 88))
    twins.run([{"counts": LOST}] * 3)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    assert twins.reference.reduction.output == 1


@pytest.mark.rule("H6", "L8")
@pytest.mark.parametrize("height", [130, 400])
def test_a_run_that_ends_in_a_fault(height: int) -> None:
    """Nothing is kept and nothing asked blindly once a steady disarm has ended the run."""
    twins = Twins(disarm_ticks=50, blind_until_ms=3000, blind_growth_q16=1 << 18, near_end=100)
    launch(twins)
    twins.run({"mm": min(130 + 4 * i, height)} for i in range(1, 100))
    twins.run([{"counts": LOST}] * 60)
    assert twins.reference.failing
    assert (twins.reference.keeping, twins.reference.blind) == ((0, 1) if height == 130 else (1, 0))
    twins.run([{"counts": LOST, "armed": 0}] * 49)
    assert twins.reference.keeping or twins.reference.blind
    twins.run([{"counts": LOST, "armed": 0}] * 2)
    assert (twins.reference.keeping, twins.reference.blind) == (0, 0)
    twins.run([{"counts": LOST, "armed": 0}] * 20)


@pytest.mark.rule("H6")
def test_the_blind_reduction_ends_at_its_time() -> None:
    twins = Twins(blind_until_ms=150, blind_growth_q16=1 << 18)
    launch(twins)
    twins.run([{"counts": LOST}] * 150)
    assert twins.reference.command.reason == REASON_BLIND
    assert twins.reference.elapsed_ms == 150
    twins.run([{"counts": LOST}] * 450)
    assert twins.reference.blind_slope.value == 0


@pytest.mark.rule("H2", "H5")
def test_the_end_s_lift_follows_a_learned_rest_height() -> None:
    steps = table([0, 0], [100, 100], [200, 200], [600, 600])
    learn = {"learn_window": 20, "learn_spread": 160, "learn_tolerance": 320}
    twins = Twins(reduction_map=steps, **learn)
    twins.run([{"launch": 0, "mm": 137}] * 200)
    assert twins.reference.lift.rest > 2080
    twins.run([{"mm": 137}])
    twins.run({"mm": 137 + 4 * i} for i in range(1, 86))
    twins.run([{"counts": LOST}] * 3)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    assert twins.reference.reduction.output > 0


@pytest.mark.rule("M1")
def test_every_corner_of_the_largest_maps() -> None:
    """Sixteen by sixteen points, one apart: on them, between them, and beyond each end."""
    axis = list(range(16))
    cells = [(37 * i) % 1001 for i in range(256)]
    image = pack(
        values(
            lift_points=16,
            lift_axis=axis,
            progress_points=16,
            progress_axis=axis,
            reduction_map=cells,
            retard_map=cells,
        )
    )
    reference = Controller()
    reference.load(image)
    for lift in range(-1, 17):
        for progress in range(17):
            reference.maps.look(lift, progress)
            row, column = min(max(lift, 0), 15), min(progress, 15)
            assert reference.maps.reduction == reference.maps.retard == cells[16 * row + column]


# ---- images


def test_the_length_is_that_of_the_fields() -> None:
    """By struct of the standard library."""
    codes = "".join(f"{count}{code}" for _, code, count, _, _ in FIELDS)
    assert image_module._length() == LENGTH == HEADER_BYTES + struct.calcsize(f"<{codes}")


def test_without_an_image_each_value_is_the_least_legal_one() -> None:
    made = Calibration()
    image_module.blank(made)
    for name, _, count, least, _ in FIELDS:
        assert getattr(made, name) == (max(least, 0) if count == 1 else [max(least, 0)] * count)


@pytest.mark.rule("I1")
@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({"sensor_height": [0, 32767]}, IMAGE_OK),
        ({"sensor_height": [-1, 32767]}, IMAGE_ORDER),
        ({"sensor_points": 3, "sensor_counts": [0, 9, 99], "sensor_height": [9000, 500, 500]}, IMAGE_ORDER),
        ({"firing_order": [9, 8, 4, 3, 6, 5, 7, 2]}, IMAGE_ORDER),
    ],
    ids=str,
)
def test_what_just_fits_and_what_does_not(change: dict[str, Any], verdict: int) -> None:
    need_core()
    image = pack(values(**change))
    assert Controller().load(image) == Core().load(image) == verdict


@pytest.mark.rule("C3")
def test_all_events_skipped_for_longer_than_the_integral_runs() -> None:
    twins = Twins()
    twins.run([{"request": (FULL, 0, 20), "launch": 0}] * 150, cylinders=8)
    assert all(twins.reference.events.skipped[:8])


@pytest.mark.rule("H8")
def test_one_sample_may_be_enough_to_be_stuck() -> None:
    twins = Twins(stuck_samples=1, stuck_band=16, stuck_speed=100)
    launch(twins)
    twins.run([{"speed": 101}] * 2)  # a sample is judged by the speed of the tick before
    assert twins.reference.faults & FAULT_STUCK
    assert twins.reference.failing & FAULT_STUCK
    twins.run([{"counts": LOST, "speed": 101}] * 30)
    assert twins.reference.failing == FAULT_STUCK | FAULT_SENSOR


@pytest.mark.rule("H8")
def test_stuck_exactly_at_the_near_end_is_no_fault() -> None:
    flat = table([0, 0], [0, 0], [0, 0], [0, 0])
    twins = Twins(
        reduction_map=flat, retard_map=flat, stuck_samples=5, stuck_band=16, stuck_speed=100, near_end=400
    )
    launch(twins)
    near = twins.reference.height._near
    at = next(n for n in range(4096) if height_of(n) == near)
    below = next(n for n in range(4096) if height_of(n) == near - 2)
    twins.run({"mm": 130 + 4 * i} for i in range(1, 84))
    twins.run([{"counts": at, "speed": 500}] * 20)
    assert twins.reference.height.stuck
    assert twins.reference.height.good == near
    assert twins.reference.failing == 0
    twins.run([{"counts": below, "speed": 500}] * 20)
    assert twins.reference.failing == FAULT_STUCK


def height_of(counts: int) -> int:
    """What the plain sensor means by a reading: 4095 counts are 8000/16 mm, rounded half up."""
    return (counts * 8000 * 2 + 4095) // (2 * 4095)


# ---- distances to the unit: a sensor whose counts are heights

UNIT_SENSOR: dict[str, Any] = {
    "window_high": 4095,
    "sensor_counts": [0, 4095],
    "sensor_height": [0, 4095],
    "rest": 1000,
    "near_end": 1,
    "reduction_map": table([0, 0], [0, 0], [0, 0], [0, 0]),
    "retard_map": table([0, 0], [0, 0], [0, 0], [0, 0]),
}


def unit_launch(**changes: int | list[int]) -> Twins:
    twins = Twins(**{**UNIT_SENSOR, **changes})
    twins.run([{"counts": 1000, "launch": 0}] * 200 + [{"counts": 1000}])
    assert not twins.reference.failing
    return twins


@pytest.mark.rule("H3")
@pytest.mark.parametrize(("lost", "fall"), [(0, 128), (2, 288)])
def test_a_fall_by_just_the_allowance_is_used(lost: int, fall: int) -> None:
    """48 + 80 for each tick waited; unasked up to 48 + 3 * 80."""
    for more in (0, 1):
        twins = unit_launch()
        twins.run([{"counts": LOST}] * lost + [{"counts": 1000 - fall - more}])
        assert twins.reference.height.used == (1 if more == 0 else 0)


@pytest.mark.rule("H5")
def test_a_trend_of_one_unit_reaches_an_end_two_units_away_in_62_samples() -> None:
    twins = unit_launch(confirm_samples=100)
    twins.run({"counts": 1000 + 100 * i} for i in range(1, 31))
    twins.run([{"counts": 4050}] + [{"counts": 4092}] * 40 + [{"counts": 4093}] * 31)
    twins.run([{"counts": LOST}] * 61)
    assert not twins.reference.height.out_of_sight
    twins.run([{"counts": LOST}])
    assert twins.reference.height.out_of_sight


@pytest.mark.rule("P2")
def test_in_the_air_sooner_than_the_look_back_reaches() -> None:
    """The curve is then taken at the launch, not a moment later."""
    air = {"speed_source": 1, "air_lift": -1000, "air_hysteresis": 0}
    twins = Twins(run_ms=[0, 2], run_speed=[0, 2000], lookback_ticks=50, **air)
    launch(twins)
    twins.run([{"speed": 10}] * 5)
    assert (twins.reference.progress.airborne, twins.reference.progress.air_curve) == (1, 0)


@pytest.mark.rule("R1")
@pytest.mark.parametrize("who", ["engine", "shaft"])
@pytest.mark.parametrize("after_end", [0, 1])
def test_after_its_end_a_curve_asks_on_or_stops(who: str, after_end: int) -> None:
    curve = {"points": 2, "ms": [0, 20], "rpm": [20, 20], "after_end": after_end}
    twins = Twins(**{f"{who}_{name}": value for name, value in curve.items()})
    launch(twins)
    twins.run([{who: 100}] * 20)
    assert twins.reference.command.reduction > 0
    twins.run([{who: 100}] * 20)
    assert (twins.reference.command.reduction > 0) == (after_end == 0)


@pytest.mark.rule("M1")
@pytest.mark.parametrize("odd", range(4))
def test_each_of_four_cells_counts_a_quarter_in_their_middle(odd: int) -> None:
    cells = [0 if i == odd else 600 for i in range(4)]
    maps = {"lift_points": 2, "lift_axis": [0, 2], "progress_axis": [0, 2]}
    reference = Controller()
    reference.load(pack(values(**maps, reduction_map=table(cells[:2], cells[2:]))))
    reference.maps.look(1, 1)
    assert reference.maps.reduction == 450


def test_the_safe_state_acts_until_the_next_step() -> None:
    twins = Twins(safe_reduction=700, safe_retard=40)
    empty = Controller(), Core()
    for side in empty:
        side.safe()  # without an image there is none
        assert tuple(side.acting()) == (0, 0, 0)
    launch(twins)
    for side in (twins.reference, twins.core):
        side.safe()
    assert tuple(twins.core.acting()) == tuple(twins.reference.acting())
    assert tuple(twins.reference.acting())[:2] == (700, 40)
    twins.check()
    twins.run([{} for _ in range(5)], cylinders=8)
    assert tuple(twins.reference.acting())[:2] == (0, 0)


@pytest.mark.parametrize(
    "high", [220, pytest.param(300, marks=pytest.mark.slow), pytest.param(400, marks=pytest.mark.slow)]
)
def test_a_sensor_that_returns_while_torque_is_taken(high: int) -> None:
    """H10: the nose is low and moves for longer than any return takes."""
    twins = Twins()
    launch(twins)
    rising = [{"mm": 130 + 2 * k} for k in range((high - 130) // 2)]
    moving = [{"mm": 140 + (k * 7) % 12} for k in range(4000)]
    twins.run([*rising, *({"mm": high} for _ in range(60)), *({"counts": LOST} for _ in range(400)), *moving])


@pytest.mark.rule("H10")
def test_out_of_sight_ends_with_a_chain_that_moves_and_its_samples_count_as_hold() -> None:
    twins = Twins(near_end=400, return_samples=20)
    launch(twins)
    twins.run({"mm": 130 + 4 * i} for i in range(1, 88))
    twins.run([{"counts": LOST}] * 3)
    hold = twins.reference.reduction.hold_left
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    assert hold > 60
    # Far below the last good height three times the samples are needed; a frozen value never returns.
    twins.run([{"mm": 150}] * 100)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    assert twins.reference.reduction.hold_left == hold
    moving = [{"mm": 140 + 2 * (i % 2)} for i in range(100)]
    done = next(i for i, one in enumerate(moving) if not step_out_of_sight(twins, one))
    assert hold - 100 < twins.reference.reduction.hold_left <= hold - 60
    twins.run(moving[done + 1 :])


def step_out_of_sight(twins: Twins, one: Step) -> int:
    twins.run([one])
    return twins.reference.faults & FAULT_OUT_OF_SIGHT


@pytest.mark.rule("H11")
def test_out_of_sight_ends_where_the_height_was_before_a_jump() -> None:
    """A jump to the end that was used only because samples agreed was the failure."""
    twins = Twins(near_end=400, agree_samples=3, heal_samples=10, return_samples=200)
    launch(twins)
    twins.run([{"mm": 490}] * 20)
    twins.run([{"counts": LOST}] * 6)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    twins.run([{"mm": 130}] * 9)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    hold = twins.reference.reduction.hold_left
    twins.run([{"mm": 130}])
    assert not twins.reference.faults & FAULT_OUT_OF_SIGHT
    assert twins.reference.reduction.hold_left < hold - 8


@pytest.mark.rule("H10")
def test_a_chain_that_moves_by_two_counts_of_a_coarse_sensor_counts_for_nothing() -> None:
    """More than 0.5 mm, and yet what a frozen converter may show."""
    twins = Twins(near_end=400, return_samples=20, sensor_counts=[0, 1000])
    twins.run([{"counts": 260, "launch": 0} for _ in range(200)] + [{"counts": 260}])
    twins.run({"counts": 260 + 8 * i} for i in range(1, 88))
    twins.run([{"counts": LOST}] * 3)
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    twins.run({"counts": 290 + 2 * (i % 2)} for i in range(200))
    assert twins.reference.faults & FAULT_OUT_OF_SIGHT
    twins.run({"counts": 290 + 3 * (i % 2)} for i in range(200))
    assert not twins.reference.faults & FAULT_OUT_OF_SIGHT
