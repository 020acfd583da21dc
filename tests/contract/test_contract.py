"""What every device must do, said without looking into it. Runs anywhere: pytest tests/contract --device
PORT."""

from __future__ import annotations

import binascii
import struct

import numpy as np
import pytest

from bench.calibration.image import pack
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records
from bench.link.target import LocalTarget, Target
from controller import Controller
from controller.constants import (
    ASKER_LIFT,
    ASKER_OUTSIDE,
    FAULT_INPUT,
    FAULT_SPEED,
    FAULT_TICK,
    HOLD,
    PEAK,
    REASON_LIFT,
    REASON_NONE,
    RELEASE,
    REST,
)
from tests.support import counts_of, table, values

QUICK = values(heal_samples=10, hold_ticks=40, disarm_ticks=20, confirm_samples=5)
"""The plain calibration, with times short enough for a slow line."""

RUN = SPEED_VALID | ARMED | LAUNCH


def run_inputs(heights_mm: list[float], switches: int = RUN) -> Records:
    """20 ticks at rest height, armed, the launch, then one tick for each height; no engine speed."""
    heights = [130.0] * 20 + heights_mm
    inputs = np.zeros(len(heights), INPUT)
    inputs["counts"] = [counts_of(mm) for mm in heights]
    inputs["switches"] = [SPEED_VALID | ARMED] * 20 + [switches] * len(heights_mm)
    return inputs


def ramp(first: float, last: float, ticks: int) -> list[float]:
    return [first + (last - first) * (i + 1) / ticks for i in range(ticks)]


def begin(target: Target, **changes: int | list[int]) -> None:
    assert target.load(pack(QUICK | changes)) == 0
    target.start()


@pytest.mark.rule("T1")
def test_reset_is_one_state(target: Target) -> None:
    begin(target)
    fresh = target.start()
    target.run(0, run_inputs(ramp(130, 400, 60)))
    assert target.start() == fresh


@pytest.mark.rule("T1")
def test_equal_inputs_give_equal_outputs_and_states(target: Target) -> None:
    begin(target)
    inputs = run_inputs(ramp(130, 400, 60) + ramp(400, 130, 60))
    first = target.run(0, inputs)
    target.start()
    second = target.run(0, inputs)
    assert (first.outputs == second.outputs).all()
    assert first.digest == second.digest


def test_small_lifts_are_left_alone(target: Target) -> None:
    """Common practice, no source."""
    begin(target)
    outputs = target.run(0, run_inputs(ramp(130, 180, 50) + [180.0] * 20)).outputs
    assert not outputs["reduction"].any()
    assert set(outputs["state"]) == {REST}
    assert outputs["launched"][20:].all()


@pytest.mark.rule("L1", "L2", "L3", "L4")
def test_the_peak_is_held_for_exactly_the_hold(target: Target) -> None:
    """Full demand 60 % from 300 mm lift on; the hold of 40 ticks begins after the last tick at the peak."""
    begin(target)
    heights = ramp(130, 450, 60) + [450.0] * 5 + ramp(450, 130, 50) + [130.0] * 40
    outputs = target.run(0, run_inputs(heights)).outputs
    reduction = outputs["reduction"]
    at_peak = np.flatnonzero(outputs["demand"] == 600)
    last = int(at_peak[-1])
    assert reduction.max() == 600
    assert (outputs["state"][at_peak] == PEAK).all()
    assert (reduction[last : last + 41] == 600).all()
    assert (outputs["state"][last + 1 : last + 41] == HOLD).all()
    assert outputs["hold_left"][last : last + 41].tolist() == list(range(40, -1, -1))
    assert reduction[last + 41] < 600
    assert (reduction >= outputs["demand"]).all()


@pytest.mark.rule("L4")
def test_the_release_follows_its_rate(target: Target) -> None:
    begin(target, release_q16=10 << 16)
    heights = ramp(130, 450, 60) + ramp(450, 130, 60) + [130.0] * 120
    outputs = target.run(0, run_inputs(heights)).outputs
    released = np.flatnonzero(outputs["state"] == RELEASE)
    fall = -np.diff(outputs["reduction"][released].astype(int))
    assert len(released) == 59
    assert (fall == 10).all()
    assert outputs["state"][released[-1] + 1] == REST


@pytest.mark.rule("L6")
def test_without_hold_and_ramp_the_output_is_the_demand(target: Target) -> None:
    begin(target, hold_ticks=0, release_q16=0)
    outputs = target.run(0, run_inputs(ramp(130, 450, 60) + ramp(450, 130, 60))).outputs
    assert (outputs["latched"] == outputs["demand"]).all()
    assert outputs["demand"].max() == 600


@pytest.mark.rule("L8")
def test_disarm_ends_the_run_once_it_is_steady(target: Target) -> None:
    begin(target, hold_ticks=0, release_q16=0)
    inputs = run_inputs(ramp(130, 450, 60) + [450.0] * 60)
    inputs["switches"][100:119] = SPEED_VALID | LAUNCH
    inputs["switches"][119:] = SPEED_VALID | LAUNCH
    outputs = target.run(0, inputs).outputs
    assert outputs["launched"][118]
    assert not outputs["launched"][119:].any()
    assert not outputs["reduction"][120:].any()
    inputs["switches"][119:] = RUN
    target.start()
    assert target.run(0, inputs).outputs["launched"][20:].all()


@pytest.mark.rule("R2", "R3")
def test_the_strongest_wins_and_says_who_it_is(target: Target) -> None:
    begin(target)
    inputs = run_inputs(ramp(130, 450, 60) + [450.0] * 30)
    inputs["request_reason"] = 77
    inputs["request_reduction"][:30] = 300
    inputs["request_reduction"][100:] = 300
    outputs = target.run(0, inputs).outputs
    assert (outputs["reduction"][:30] == 300).all()
    assert (outputs["reason"][:30] == 77).all()
    assert (outputs["askers"][:20] == ASKER_OUTSIDE).all()
    assert outputs["reason"][30] in (REASON_NONE, REASON_LIFT)
    assert (outputs["reduction"][100:] == 600).all()
    assert (outputs["reason"][100:] == REASON_LIFT).all()
    assert (outputs["askers"][100:] == ASKER_LIFT | ASKER_OUTSIDE).all()


@pytest.mark.rule("R4")
def test_the_limits_cap_the_command(target: Target) -> None:
    begin(target, reduction_limit=250, retard_limit=90)
    outputs = target.run(0, run_inputs(ramp(130, 450, 60))).outputs
    assert outputs["latched"].max() == 600
    assert outputs["reduction"].max() == 250
    assert outputs["retard"].max() == 90


@pytest.mark.rule("T1")
@pytest.mark.parametrize("first", [0, 65530])
def test_tick_numbers_wrap_and_a_jump_sets_a_bit(target: Target, first: int) -> None:
    begin(target)
    inputs = run_inputs([])
    assert not (target.run(first, inputs).outputs["faults"] & FAULT_TICK).any()
    jumped = target.run(first + 21, inputs[:2]).outputs["faults"] & FAULT_TICK
    assert jumped.tolist() == [FAULT_TICK, 0]


@pytest.mark.rule("T2")
def test_inputs_beyond_their_range_are_cut_and_told(target: Target) -> None:
    begin(target)
    inputs = run_inputs([130.0] * 6)
    inputs["speed"][21] = 20001
    inputs["engine"][22] = 32768
    inputs["shaft"][23] = 65535
    inputs["request_reduction"][24] = 1001
    inputs["counts"][25] = 4096
    outputs = target.run(0, inputs).outputs
    assert [bool(bits & FAULT_INPUT) for bits in outputs["faults"][20:26]] == [False] + [True] * 5
    assert outputs["reduction"][24] == 1000


def test_no_speed_is_told(target: Target) -> None:
    begin(target)
    outputs = target.run(0, run_inputs([130.0] * 5, switches=ARMED | LAUNCH)).outputs
    assert not outputs["faults"][19] & FAULT_SPEED
    assert (outputs["faults"][20:] & FAULT_SPEED).all()


@pytest.mark.rule("C2", "C3")
@pytest.mark.parametrize(
    ("reduction", "cylinders"), [(0, 8), (125, 8), (333, 6), (500, 4), (999, 1), (1000, 8)]
)
def test_skipped_events_are_spread(target: Target, reduction: int, cylinders: int) -> None:
    begin(target, cylinders=cylinders, firing_order=list(range(1, cylinders + 1)), event_bits=3)
    inputs = np.zeros(120, INPUT)
    inputs["request_reduction"] = reduction
    inputs["events"] = 5
    events = np.frombuffer(target.run(0, inputs).events, np.uint8)
    assert len(events) == 600
    assert set(events.tolist()) <= {0, 7}
    skipped = events > 0
    if reduction in (0, 1000):
        assert skipped.all() == skipped.any() == (reduction == 1000)
    for n in (cylinders, 48, 200):
        for start in range(cylinders, len(events) - n, 7):
            assert abs(int(skipped[start : start + n].sum()) - n * reduction / 1000) <= 4
    for cylinder in range(cylinders):
        own = skipped[cylinders + cylinder :: cylinders]
        for n in (5, 17, 40):
            for start in range(0, len(own) - n, 3):
                assert abs(int(own[start : start + n].sum()) - n * reduction / 1000) <= 1


@pytest.mark.rule("I1")
@pytest.mark.parametrize(
    ("harm", "verdict"),
    [
        ("letters", 1),
        ("version", 2),
        ("length", 3),
        ("bit", 4),
        ("range", 5),
        ("order", 6),
    ],
)
def test_a_refused_image_changes_nothing(target: Target, harm: str, verdict: int) -> None:
    begin(target)
    before = target.run(0, run_inputs(ramp(130, 300, 30)))
    image = bytearray(pack(QUICK))
    if harm == "letters":
        image[0] ^= 1
    elif harm == "version":
        struct.pack_into("<H", image, 4, 99)
    elif harm == "length":
        image = image[:-2]
    elif harm == "bit":
        image[200] ^= 8
    elif harm == "range":
        image = bytearray(pack(QUICK | {"tick_us": 499}))
    else:
        lifts = [960, 960, 3200, 4800]
        image = bytearray(pack(QUICK | {"lift_axis": lifts, "lift_points": 4}))
    assert target.load(bytes(image)) == verdict
    target.start()
    after = target.run(0, run_inputs(ramp(130, 300, 30)))
    assert (after.outputs == before.outputs).all()
    assert after.digest == before.digest


def test_another_image_takes_its_place(target: Target) -> None:
    begin(target)
    other = pack(QUICK | {"reduction_map": table([0, 0], [0, 0], [100, 100], [200, 200])})
    assert target.load(other) == 0
    target.start()
    assert target.run(0, run_inputs(ramp(130, 450, 60))).outputs["reduction"].max() == 200


@pytest.mark.parametrize("seed", range(4))
def test_whatever_comes_it_equals_the_reference(target: Target, seed: int) -> None:
    """Wild inputs, legal or not, in stretches; every output, event and the state."""
    rng = np.random.default_rng(seed)
    n = 500
    inputs = np.zeros(n, INPUT)
    for name in ("speed", "engine", "shaft", "request_reduction", "request_retard", "request_reason"):
        most = int(rng.choice([50, 1000, 20000, 65535]))
        inputs[name] = np.repeat(rng.integers(0, most, n // 10, endpoint=True), 10)
    walk = 1100 + np.cumsum(rng.integers(-40, 44, n))
    lost = rng.random(n) < 0.05
    inputs["counts"] = np.where(lost, rng.integers(0, 65536, n), np.clip(walk, 0, 4095))
    inputs["switches"] = np.repeat(rng.choice([RUN, RUN, RUN, ARMED | LAUNCH, SPEED_VALID], n // 25), 25)
    inputs["events"] = rng.integers(0, 3, n)
    calibration = pack(QUICK | {"median_samples": 3, "lowpass_q12": 1500, "look_rising_q12": 6000})
    reference = LocalTarget(Controller())
    assert reference.load(calibration) == target.load(calibration) == 0
    assert reference.start() == target.start()
    first = int(rng.integers(0, 65536))
    right, got = reference.run(first, inputs), target.run(first, inputs)
    assert (got.outputs == right.outputs).all()
    assert got.events == right.events
    assert got.digest == right.digest
    assert binascii.crc32(right.outputs.tobytes()) != binascii.crc32(bytes(right.outputs.nbytes))
