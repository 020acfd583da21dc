"""Counts to height, which samples are used, faults and what they do (H1, H3 to H6, H8)."""

import copy
import random
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.calibration.image import Values, pack
from controller import Calibration, Controller, read
from controller.constants import (
    FAULT_ACQUIRING,
    FAULT_AT_LAUNCH,
    FAULT_FALL,
    FAULT_OUT_OF_SIGHT,
    FAULT_RELEASE,
    FAULT_SENSOR,
    FAULT_STUCK,
    FAULT_UNUSED,
    HOLD,
    KEPT,
    PEAK,
    REASON_BLIND,
    REASON_KEPT,
    REASON_LIFT,
    REASON_OUT_OF_SIGHT,
    TREND_SAMPLES,
    WAIT_LIMIT,
)
from controller.height import Height
from tests.hostile import Bounded, Segments, plausible_calibrations, segments, ticks
from tests.support import controller, counts_of, launched, table, tick, values

LOST = 0  # counts below the electrical window
REST = 2080  # 130 mm


def height(**changes: int | list[int]) -> Height:
    into = Calibration()
    assert read(pack(values(**changes)), into) == 0
    return Height(into)


def healthy(**changes: int | list[int]) -> Height:
    """A sensor that has been accepted at the rest height, 130 mm."""
    made = height(**changes)
    for _ in range(int(made._calibration.heal_samples) + 5):
        made.sample(counts_of(130), 0, 0, 0, REST, 0)
    assert not made.faulted
    return made


# ---- H1: counts to height ----


@pytest.mark.rule("H1")
@settings(max_examples=40)
@given(
    st.integers(2, 8).flatmap(
        lambda n: st.tuples(
            st.lists(st.integers(0, 4095), min_size=n, max_size=n, unique=True).map(sorted),
            st.lists(st.integers(-9000, 9000), min_size=n, max_size=n, unique=True).map(sorted),
        )
    ),
    st.booleans(),
    st.lists(st.integers(0, 4095), min_size=1, max_size=20),
)
def test_height_is_the_broken_line_through_the_points(
    points: tuple[list[int], list[int]], falls: bool, read_counts: list[int]
) -> None:
    at, heights = points
    if heights[-1] - heights[0] < 2:
        heights = [heights[0] - 2, *heights[1:]]
    row = heights[::-1] if falls else heights
    made = height(
        **{"sensor_points": len(at), "sensor_counts": at, "sensor_height": row, "rest": row[0]},
        **{"near_end": 1, "heal_samples": 1, "allowance": 32767, "allowance_rate": 32767},
        **{"window_low": 0, "window_high": 4095},
    )
    assert made.far_end() == max(heights)
    for counts in read_counts:
        made.sample(counts, 0, 0, 0, REST, 0)
        assert made.used
        # Outside source: numpy.interp, which holds the end values.
        assert abs(made.good - np.interp(counts, at, row)) <= 0.5 + 1e-9


@pytest.mark.rule("H1")
def test_an_ideal_converter_s_error_comes_through_unchanged() -> None:
    # Ideal 12-bit ADC over 5 V: the error stays within q/2 and has the rms q/sqrt(12), 0.3524 mV for
    # q = 1.2207 mV (Bennett, Bell Syst. Tech. J. 27 (1948), from memory; computed). The sensor below has
    # exactly 8 units, 0.5 mm, a count, so that nothing else rounds.
    volts = np.linspace(0.1, 4.9, 4801)
    q = 5 / 4095
    assert q / np.sqrt(12) == pytest.approx(0.3524e-3, rel=1e-3)
    made = height(
        **{"sensor_height": [0, 32760], "rest": 0, "heal_samples": 1, "allowance": 32767},
        **{"window_low": 0, "window_high": 4095},
    )
    errors = []
    for volt in volts:
        made.sample(int(np.floor(volt / q + 0.5)), 0, 0, 0, REST, 0)
        errors.append(made.good / 8 * q - volt)
    assert np.abs(errors).max() <= q / 2 * (1 + 1e-9)
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(q / np.sqrt(12), rel=0.01)


@pytest.mark.rule("H1")
def test_a_0_to_5_volt_sensor_over_0_to_500_mm() -> None:
    # Common practice, no source: a linear sensor, 0 to 5 V for 0 to 500 mm.
    for volt, mm in ((0.5, 50), (1.3, 130), (2.5, 250), (4.9, 490)):
        made = height(heal_samples=1)
        made.sample(round(volt / 5 * 4095), 0, 0, 0, REST, 0)
        # A count is 0.122 mm, the unit 1/16 mm.
        assert abs(made.good / 16 - mm) <= 0.122 / 2 + 1 / 32 + 1e-3


@pytest.mark.rule("H1", "H3")
def test_the_electrical_window_is_in_counts_and_includes_its_edges() -> None:
    for counts, used in ((39, 0), (40, 1), (4055, 1), (4056, 0)):
        made = healthy(allowance=32767)
        made.sample(counts, 0, 0, 0, REST, 0)
        assert made.used == used, counts


# ---- H3, H4, H5: which samples are used, told from the whole history ----


class Referee:
    """H3 to H5, H10 and H11 as their text says, from lists of everything seen instead of counters."""

    def __init__(self, calibration: Values) -> None:
        def number(name: str) -> int:
            value = calibration[name]
            assert isinstance(value, int)
            return value

        self.low, self.high = number("window_low"), number("window_high")
        self.constant = number("allowance")
        self.rate = number("allowance_rate")
        self.sample_ticks = number("sample_ticks")
        self.confirm = number("confirm_samples")
        self.heal = number("heal_samples")
        self.agree = number("agree_samples")
        self.returns = number("return_samples")
        # The sensor's period is 1 ms a tick.
        self.fall_samples = min(self.confirm, max(20 // self.sample_ticks, 1))
        self.far = 8000
        self.near = self.far - number("near_end")
        self.seen: list[int | None] = []
        self.used: list[int] = []  # heights used since the last new start
        self.good = number("rest")
        self.good_at = 0
        self.acquired = False
        self.faulted = True
        self.out_of_sight = False
        self.bad = 0
        self.in_a_row = 0
        self.lost_from = 0  # the first sample that was judged while out of sight or at fault
        self.jump: tuple[int, int] | None = None  # the height before it, and when it was
        self.chain: list[tuple[int, int]] = []  # counts and heights
        self.chain_needed = 0
        self.back_from = 0
        self.held = 0  # how many samples brought it back from out of sight

    def agreeing(self, count: int, least: int = -(1 << 20)) -> bool:
        """Whether the last so many samples were all seen, and each within the allowance of the one before."""
        last = self.seen[-count:]
        if len(last) < count or any(one is None or one < least for one in last):
            return False
        allowed = self.constant + self.rate * self.sample_ticks
        return all(abs(b - a) <= allowed for a, b in pairwise(last))  # type: ignore[operator]

    def start_at(self, height: int) -> int:
        self.good, self.good_at = height, len(self.seen)
        self.used = []
        self.in_a_row = 0
        return 1

    def healthy_at(self, height: int) -> int:
        self.held = (len(self.seen) - self.back_from) if self.out_of_sight else 0
        self.acquired, self.faulted, self.out_of_sight = True, False, False
        self.bad = 0
        self.jump = None
        return self.start_at(height)

    def jump_was_wrong(self) -> bool:
        """H11: the last `heal` samples agree near the height before a jump that is provisional."""
        now = len(self.seen)
        if self.jump is None or not self.agreeing(self.heal):
            return False
        before, at = self.jump
        reach = self.constant + self.rate * self.sample_ticks * self.fall_samples
        last = self.seen[-self.heal :]
        since = max(at, self.lost_from - 1)
        self.back_from = now - self.heal
        near = all(one is not None and abs(one - before) <= reach for one in last)
        return near and now - self.heal >= since and now - at < self.returns

    def rests_again(self, counts: int, falling: bool, wanted: bool) -> bool:
        """H10: a chain of samples that look like a nose at rest, and began where one could have been."""
        height = self.seen[-1]
        if not wanted or height is None or not REST - 720 <= height <= REST + 1440:
            self.chain = []
            return False
        quarter = self.rate * self.sample_ticks // 4
        if self.chain and abs(height - self.chain[-1][1]) > self.constant + quarter:
            self.chain = []
        if not self.chain:
            s = (len(self.seen) - self.good_at) * self.sample_ticks * 1e-3
            fall = self.constant + 16 * 1000 * 10 * s**2 + (500 * self.rate * s if falling else 0)
            self.chain_needed = self.returns * (1 if self.good - height <= fall + 1e-6 else 3)
        self.chain.append((counts, height))
        if len(self.chain) < self.chain_needed:
            return False
        spreads = [max(column) - min(column) for column in zip(*self.chain, strict=True)]
        self.back_from = len(self.seen) - len(self.chain)
        self.chain = []
        return spreads[0] > 2 and spreads[1] > 8

    def sample(self, counts: int, launched: bool, taking: bool, falling: bool) -> int:
        """1 if the sample reaches the filters."""
        self.held = 0
        was_lost = self.out_of_sight or (self.faulted and self.acquired)
        used = self.judge(counts, launched, taking, falling)
        if not (self.out_of_sight or self.faulted):
            self.chain = []
        if (self.out_of_sight or self.faulted) and not was_lost:
            self.lost_from = len(self.seen) + 1
        return used

    def judge(self, counts: int, launched: bool, taking: bool, falling: bool) -> int:
        exact = 8000 * counts / 4095
        height = int(np.floor(exact + 0.5)) if self.low <= counts <= self.high else None
        self.seen.append(height)
        if self.out_of_sight and height is not None and self.agreeing(self.agree, self.near):
            self.out_of_sight = False
            self.bad = 0
            self.chain = []
            return self.start_at(height)
        if not self.acquired:
            if height is None or not self.agreeing(self.heal):
                return 0
            return self.healthy_at(height)
        if self.out_of_sight or self.faulted:
            wrong_jump = self.jump_was_wrong()
            if wrong_jump or self.rests_again(counts, falling, self.out_of_sight or taking):
                assert height is not None
                return self.healthy_at(height)
            if self.out_of_sight:
                return 0
        waited = len(self.seen) - self.good_at
        fall = False
        use = False
        if height is not None:
            agreed = self.agreeing(self.agree)
            change = height - self.good
            up = self.constant + self.rate * self.sample_ticks * waited
            down = self.constant + self.rate * self.sample_ticks * min(waited, self.fall_samples)
            if change >= 0:
                use = agreed or change <= up
                provisional = self.jump is not None and len(self.seen) - self.jump[1] < self.returns
                if agreed and change > up and not provisional:
                    self.jump = self.good, len(self.seen)
            elif -change > down:
                use = agreed and not taking
                fall = True
            else:
                use = agreed or -change <= self.constant + 3 * self.rate
        if use:
            assert height is not None
            if not self.faulted:
                self.bad = max(self.bad - 1, 0)
                self.used.append(height)
                self.good, self.good_at = height, len(self.seen)
                return 1
            self.in_a_row += 1
            if self.in_a_row < self.heal:
                self.good, self.good_at = height, len(self.seen)
                return 0
            return self.healthy_at(height)
        self.in_a_row = 0
        if launched and not self.faulted and self.beyond(waited):
            self.out_of_sight = fall or waited >= self.agree
            return 0
        self.bad = min(self.bad + 1, self.confirm)
        self.faulted = self.faulted or (fall and taking) or self.bad >= self.confirm
        return 0

    def beyond(self, waited: int) -> bool:
        if self.good >= self.near:
            return True
        if len(self.used) < TREND_SAMPLES or waited > self.confirm:
            return False
        rise = (self.good - self.used[-TREND_SAMPLES]) / (TREND_SAMPLES - 1)
        return rise > 0 and self.good + rise * waited >= self.far - 1e-6


def random_counts(rng: random.Random, length: int) -> list[int]:
    """Readings as sensors fail: runs and slopes, jumps, single spikes, lost samples, noise."""
    found: list[int] = []
    level = float(counts_of(130))
    while len(found) < length:
        kind = rng.choice(
            ("rest", "slope", "slope", "jump", "lost", "spike", "noise", "near", "flicker", "quiet")
        )
        count = rng.choice((1, 2, 3, 4, 10, 40))
        slope = rng.choice((0, 2, 8, 20, 60, -2, -8, -20, -60))
        if kind == "jump":
            level = rng.choice((50, 600, 1065, 2000, 3500, 3900, 4050))
        if kind == "near":
            level = rng.randint(3800, 4055)
        if kind == "quiet":
            level, slope = rng.choice((600, 800, 1065, 1500, 1800)), 0
        for i in range(count):
            if kind in ("slope", "near"):
                level = min(max(level + slope, 45), 4050)
            reading = level
            if kind == "lost" or (kind == "flicker" and i % 2):
                reading = rng.choice((0, 4095))
            elif kind == "spike":
                reading = rng.randint(0, 4095)
            elif kind == "noise":
                reading = level + rng.randint(-60, 60)
            elif kind == "quiet":
                reading = level + rng.randint(0, rng.choice((0, 3, 6)))
            found.append(int(min(max(reading, 0), 4095)))
    return found


@pytest.mark.rule("H3", "H4", "H5", "H10", "H11")
@settings(max_examples=250)
@given(st.integers(0, 2**32))
def test_every_sample_is_judged_as_the_rules_say(number: int) -> None:
    rng = random.Random(number)
    calibration = values(
        sample_ticks=rng.choice((1, 1, 3)),
        allowance=rng.choice((16, 48, 200)),
        allowance_rate=rng.choice((1, 20, 80)),
        confirm_samples=rng.choice((1, 4, 20, 60)),
        heal_samples=rng.choice((1, 5, 20)),
        agree_samples=rng.choice((2, 3, 5)),
        near_end=rng.choice((1, 160, 400)),
        return_samples=rng.choice((2, 8, 30, 100)),
    )
    into = Calibration()
    assert read(pack(calibration), into) == 0
    made = Height(into)
    referee = Referee(calibration)
    is_launched = taking = falling = 0
    start = [counts_of(130)] * 25
    for counts in start + random_counts(rng, 250):
        if rng.random() < 0.03:
            taking = 1 - taking
        if rng.random() < 0.02:
            is_launched = 1 - is_launched
        if rng.random() < 0.2:
            falling = 1 - falling
        held = made.sample(counts, 0, is_launched, taking, REST, falling)
        assert made.used == referee.sample(counts, is_launched == 1, taking == 1, falling == 1)
        assert held == referee.held
        assert made.good == referee.good
        assert made.faulted == referee.faulted
        assert made.out_of_sight == referee.out_of_sight


@pytest.mark.rule("H3")
@pytest.mark.parametrize("sample_ticks", [1, 4])
def test_the_allowance_is_a_constant_and_a_rate_for_each_tick_waited(sample_ticks: int) -> None:
    # 1/16 mm units: constant 48, 10 a tick. One count is 1.95 units, so heights are met within one count.
    for lost in (0, 1, 5):
        allowed = 48 + 10 * sample_ticks * (lost + 1)
        for units, used in ((allowed - 2, 1), (allowed + 2, 0)):
            made = healthy(sample_ticks=sample_ticks, allowance_rate=10, sensor_height=[0, 4095], rest=1000)
            start = made.good
            for _ in range(lost):
                made.sample(LOST, 0, 0, 0, REST, 0)
            made.sample(start + units, 0, 0, 0, REST, 0)
            assert made.used == used, (lost, units)
            assert made.good == (start + units if used else start)


@pytest.mark.rule("H3")
@pytest.mark.parametrize("agree", [2, 3, 6])
def test_a_fast_lift_is_never_locked_out(agree: int) -> None:
    for taking in (0, 1):
        made = healthy(agree_samples=agree)
        for i in range(1, agree + 1):
            made.sample(counts_of(430), 0, 0, taking, REST, 0)
            assert made.used == (i == agree)
        assert made.good == pytest.approx(430 * 16, abs=2)


@pytest.mark.rule("H3")
def test_samples_that_do_not_agree_with_one_another_are_not_used_upwards() -> None:
    made = healthy()
    for _ in range(5):
        for mm in (300, 350, 400):
            made.sample(counts_of(mm), 0, 0, 0, REST, 0)
            assert not made.used
    # A lost one between them starts the count anew.
    made = healthy()
    for counts in (counts_of(300), counts_of(300), LOST, counts_of(300), counts_of(300)):
        made.sample(counts, 0, 0, 0, REST, 0)
        assert not made.used
    made.sample(counts_of(300), 0, 0, 0, REST, 0)
    assert made.used


@pytest.mark.rule("H3")
def test_the_downward_allowance_grows_for_confirm_only() -> None:
    up = {"confirm_samples": 5, "sensor_height": [0, 4095], "rest": 1000, "allowance_rate": 10}
    limit = 48 + 10 * 5
    for lost, units, down in ((4, limit, True), (60, limit, True), (60, limit + 1, False)):
        made = healthy(**up)
        start = made.good
        for _ in range(lost):
            made.sample(LOST, 0, 0, 0, REST, 0)
        for _ in range(3):
            made.sample(start - units, 0, 0, 1, REST, 0)
        # While torque is taken a larger fall is never used, however often it is read.
        assert (made.good == start - units) == down, (lost, units)


@pytest.mark.rule("H3")
@pytest.mark.parametrize(
    ("tick_us", "sample_ticks", "samples"),
    [(1000, 1, 20), (500, 1, 40), (1000, 5, 4), (1000, 7, 2), (1000, 20, 1), (2000, 50, 1)],
)
def test_the_downward_allowance_grows_for_20_ms_at_most_and_for_one_sample_at_least(
    tick_us: int, sample_ticks: int, samples: int
) -> None:
    up = {"confirm_samples": 100, "sensor_height": [0, 4095], "rest": 3000, "heal_samples": 2}
    limit = 48 + 4 * sample_ticks * samples
    for lost in (samples - 1, samples, 99):
        for units, down in ((limit, True), (limit + 1, False)):
            made = healthy(tick_us=tick_us, sample_ticks=sample_ticks, allowance_rate=4, **up)
            start = made.good
            for _ in range(lost):
                made.sample(LOST, 0, 0, 0, REST, 0)
            for _ in range(3):
                made.sample(start - units, 0, 0, 1, REST, 0)
            assert (made.good == start - units) == down, (lost, units)


@pytest.mark.rule("H3")
def test_a_fall_beyond_three_ticks_rate_wants_agreement() -> None:
    up = {"sensor_height": [0, 4095], "rest": 1000, "allowance_rate": 10}
    for units, at_once in ((48 + 30, 1), (48 + 31, 0)):
        made = healthy(**up)
        start = made.good
        for _ in range(6):
            made.sample(LOST, 0, 0, 0, REST, 0)
        made.sample(start - units, 0, 0, 1, REST, 0)
        assert made.used == at_once
        made.sample(start - units, 0, 0, 1, REST, 0)
        made.sample(start - units, 0, 0, 1, REST, 0)
        assert made.used
        assert made.good == start - units


@pytest.mark.rule("H3", "H6")
def test_a_larger_fall_while_torque_is_taken_is_a_fault_at_once() -> None:
    made = healthy()
    for _ in range(3):
        made.sample(counts_of(330), 0, 0, 0, REST, 0)
    made.sample(counts_of(130), 0, 0, 1, REST, 0)
    assert (made.used, made.faulted, made.fall) == (0, 1, 1)
    assert made.fault_bits() & (FAULT_SENSOR | FAULT_FALL) == FAULT_SENSOR | FAULT_FALL
    # With nothing taken it is a sample like others once it agrees.
    made = healthy()
    for _ in range(3):
        made.sample(counts_of(330), 0, 0, 0, REST, 0)
    for i in range(1, 4):
        made.sample(counts_of(130), 0, 0, 0, REST, 0)
        assert made.used == (i == 3)
    assert not made.faulted


@pytest.mark.rule("H3", "H7")
def test_what_is_not_used_does_not_enter_the_median() -> None:
    made = launched(median_samples=5, lowpass_q12=1000)
    for mm in (131, 132, 133):
        tick(made, mm)
    before = (list(made.lift.recent), made.lift.lowpass.value, made.lift.value)
    for counts in (LOST, 4095, counts_of(480), counts_of(60)):
        tick(made, counts=counts)
        assert made.faults & FAULT_UNUSED
        assert (list(made.lift.recent), made.lift.lowpass.value, made.lift.value) == before


@pytest.mark.rule("H3")
def test_the_sensor_steps_once_a_sample() -> None:
    """Whatever is read between two samples is not looked at."""
    slow = launched(sample_ticks=10, median_samples=3, heal_samples=5)
    other = launched(sample_ticks=10, median_samples=3, heal_samples=5)
    for i in range(200):
        due = slow.sample_wait == 0
        counts = counts_of(130 + i / 5)
        tick(slow, counts=counts)
        tick(other, counts=counts if due else (i * 977) % 4096)
        assert slow.digest() == other.digest()


@pytest.mark.rule("H4")
def test_a_mostly_dead_sensor_is_seen() -> None:
    made = healthy(confirm_samples=20, allowance=400)
    # Two of three lost: up two, down one.
    seen_at = None
    for i in range(100):
        made.sample(counts_of(130) if i % 3 == 0 else LOST, 0, 0, 0, REST, 0)
        if made.faulted:
            seen_at = i
            break
    assert seen_at is not None
    assert 55 <= seen_at <= 65
    # One of two lost keeps the balance.
    made = healthy(confirm_samples=20, allowance=400)
    for i in range(400):
        made.sample(counts_of(130) if i % 2 else LOST, 0, 0, 0, REST, 0)
        assert not made.faulted


@pytest.mark.rule("H4")
def test_confirm_lost_samples_are_a_fault_and_heal_used_ones_in_a_row_end_it() -> None:
    made = healthy(confirm_samples=20, heal_samples=50)
    for i in range(1, 21):
        made.sample(LOST, 0, 0, 0, REST, 0)
        assert made.faulted == (i == 20)
    for _ in range(3):
        for i in range(49):
            made.sample(counts_of(130), 0, 0, 0, REST, 0)
            assert (made.faulted, made.used) == (1, 0), i
        made.sample(LOST, 0, 0, 0, REST, 0)  # not in a row
    for i in range(1, 51):
        made.sample(counts_of(130), 0, 0, 0, REST, 0)
        assert made.faulted == (i < 50)
    assert made.used
    # And the next fault takes as long as the first.
    for i in range(1, 21):
        made.sample(LOST, 0, 0, 0, REST, 0)
        assert made.faulted == (i == 20)


@pytest.mark.rule("H4")
def test_from_power_up_the_sensor_counts_as_faulted_until_heal_agreeing_samples() -> None:
    made = controller(heal_samples=50)
    for _ in range(49):
        tick(made, launch=0)
        assert made.faults & FAULT_ACQUIRING
        assert made.faults & FAULT_SENSOR
    tick(made, launch=0)
    assert made.faults == 0
    # Samples that jump about agree with nothing.
    made = controller(heal_samples=10)
    for i in range(300):
        tick(made, 100 + 50 * (i % 5), launch=0)
        assert made.faults & FAULT_ACQUIRING


# ---- H5: out of sight ----


def rising_beyond(**changes: int | list[int]) -> Controller:
    """A run whose nose rises 2 mm a tick, to 488 mm: near the end of the sensor's 500 mm."""
    made = launched(**changes)
    for i in range(180):
        tick(made, 130 + 2 * i)
    assert made.height.good >= made.height._near
    return made


def hide(made: Controller, counts: int = LOST) -> None:
    """So many lost samples that the nose is out of sight."""
    for _ in range(made._calibration.agree_samples * made._calibration.sample_ticks):
        tick(made, counts=counts)
    assert made.height.out_of_sight


@pytest.mark.rule("H5")
@pytest.mark.parametrize(
    ("garbage", "samples"), [(LOST, 3), (4095, 3), (2000, 1), (1065, 1), (300, 1), (60, 1)]
)
def test_near_the_end_samples_not_used_mean_out_of_sight_whatever_they_read(
    garbage: int, samples: int
) -> None:
    made = rising_beyond()
    y = made.reduction.output
    for _ in range(samples):
        assert not made.height.out_of_sight
        tick(made, counts=garbage)
    assert made.faults & FAULT_OUT_OF_SIGHT
    assert not made.faults & FAULT_SENSOR
    assert made.command.reason == REASON_OUT_OF_SIGHT
    assert (made.reduction.state, made.retard.state) == (PEAK, PEAK)
    assert made.command.reduction >= y
    # The hold does not run.
    for i in range(2, 3001):
        tick(made, counts=garbage)
        assert made.command.reduction >= y
        assert made.out_of_sight_ticks == i
    assert made.reduction.hold_left == 300


@pytest.mark.rule("H4", "H5")
def test_near_the_end_one_lost_sample_cuts_nothing_and_counts_for_nothing() -> None:
    # The recordings' sensors lose one sample in a hundred; so does this one, for a second.
    made = rising_beyond()
    for i in range(1000):
        tick(made, 488, counts=LOST if i % 3 else None)  # two of three are lost
        assert (made.height.out_of_sight, made.height.bad, made.failing) == (0, 0, 0)
        assert made.command.reason == REASON_LIFT


@pytest.mark.rule("H5", "H6")
def test_out_of_sight_for_the_fault_s_hold_time_is_a_fault_whose_hold_is_over() -> None:
    made = rising_beyond(fault_hold_ticks=500, fault_release_q16=1 << 16, fault_retard_release_q16=1 << 15)
    hide(made)
    for _ in range(499):
        tick(made, counts=LOST)
        assert made.height.out_of_sight
        assert made.command.reduction == 600
    for i in range(1, 601):
        tick(made, counts=LOST)
        assert not made.height.out_of_sight
        assert made.faults & FAULT_SENSOR
        assert made.command.reduction == max(600 - i, 0 if i > 600 else 600 - i)
    tick(made, counts=LOST)
    assert (made.command.reduction, made.command.askers) == (0, 0)


@pytest.mark.rule("H5")
def test_out_of_sight_demands_the_larger_of_the_output_and_the_map_s_greatest_above_the_end() -> None:
    # The map falls beyond 200 mm of lift: 400 to 600 there, 100 to 50 above.
    falls = [0] * 256
    for row, (a, b) in enumerate(((0, 0), (0, 0), (900, 900), (100, 50))):
        falls[row * 16], falls[row * 16 + 1] = a, b
    made = rising_beyond(reduction_map=falls, hold_ticks=1000)
    peak = made.reduction.output
    assert peak > 800
    hide(made)
    assert (made.reduction.demand, made.reduction.output) == (peak, peak)
    made = rising_beyond(reduction_map=falls, hold_ticks=1)
    hide(made)
    assert 100 <= made.reduction.demand == made.reduction.output < 200
    # The plain map: what it has at and above the end's lift, 370 mm.
    made = rising_beyond(hold_ticks=1)
    hide(made)
    assert made.command.reduction == 600
    assert made.command.retard == 200


@pytest.mark.rule("H5")
def test_out_of_sight_ends_by_agree_samples_near_the_end() -> None:
    made = rising_beyond()
    hide(made)
    for _ in range(500):
        tick(made, 300)  # steady and plausible, but neither near the end nor near rest
        assert made.height.out_of_sight
    for i in range(1, 4):
        tick(made, 490)
        assert made.height.out_of_sight == (i < 3)
    assert made.height.good == pytest.approx(490 * 16, abs=2)
    assert made.lift.value == pytest.approx(360 * 16, abs=2)
    assert made.command.reason == REASON_LIFT
    # A new count of ticks only with a new launch.
    assert made.out_of_sight_ticks == 503


@pytest.mark.rule("H5", "L3")
def test_after_out_of_sight_the_whole_hold_follows() -> None:
    # Half of the hold has run out when the nose goes out of sight.
    made = rising_beyond(hold_ticks=100, reduction_map=table([0, 0], [0, 0], [600, 600], [500, 500]))
    assert made.reduction.state == HOLD
    assert 0 < made.reduction.hold_left < 100
    hide(made)
    assert (made.reduction.state, made.reduction.output) == (PEAK, 600)
    while made.height.out_of_sight:
        tick(made, 490)
    for _ in range(99):
        assert made.reduction.output == 600
        tick(made, 490)
    assert made.reduction.output == 600
    tick(made, 490)
    assert made.reduction.output == made.reduction.demand < 600


@pytest.mark.rule("H5", "L8")
def test_out_of_sight_ends_by_disarm_and_then_hold_and_release_run_out() -> None:
    made = rising_beyond(hold_ticks=40)
    hide(made)
    for _ in range(99):
        tick(made, counts=LOST, armed=0)
        assert made.height.out_of_sight
    peak = made.command.reduction
    for _ in range(40):
        tick(made, counts=LOST, armed=0)
        assert (made.height.out_of_sight, made.command.reduction) == (0, peak)
    tick(made, counts=LOST, armed=0)
    assert made.command.reduction == 0
    # The count of its ticks stays readable until the next launch.
    assert made.out_of_sight_ticks == 100
    tick(made, launch=0)
    assert made.out_of_sight_ticks == 100
    tick(made)
    assert (made.launched, made.out_of_sight_ticks) == (1, 0)


@pytest.mark.rule("H5")
def test_out_of_sight_ends_by_reset() -> None:
    made = rising_beyond()
    hide(made)
    made.reset()
    assert (made.height.out_of_sight, made.command.reduction) == (0, 0)


@pytest.mark.rule("H5")
def test_a_trend_that_reaches_the_end_in_the_ticks_waited_is_out_of_sight_too() -> None:
    # Rising 4 mm a sample from rest; lost at 130 + 4 * 80 = 450 mm, 50 mm below the end.
    for samples, expected in ((80, 1), (31, 0)):
        made = launched()
        for i in range(1, samples + 1):
            tick(made, 130 + 4 * i)
        assert made.height.good < made.height._near
        lost = 0
        while not made.height.faulted and not made.height.out_of_sight:
            tick(made, counts=LOST)
            lost += 1
        assert made.height.out_of_sight == expected
        if expected:
            assert lost == pytest.approx(50 / 4, abs=1)


@pytest.mark.rule("H5")
def test_the_trend_is_the_rise_of_31_steps_over_31_samples() -> None:
    # A unit a sample, and 10 units to go: the tenth lost sample reaches the end.
    made = height(
        **{"sensor_height": [0, 4095], "window_low": 0, "window_high": 4094, "rest": 4000, "near_end": 5},
        **{"heal_samples": 1, "confirm_samples": 100},
    )
    for units in range(4085 - 40, 4086):
        made.sample(units, 0, 1, 0, REST, 0)
    for lost in range(1, 11):
        made.sample(4095, 0, 1, 0, REST, 0)
        assert made.out_of_sight == (lost == 10)


@pytest.mark.rule("H5")
def test_runs_begun_anew_between_two_samples_make_no_product_too_large() -> None:
    # Out of sight by the trend, and disarmed before the next sample, over and over: nothing counts those
    # samples as bad, and the time waited grows without end.
    made = height(
        **{"sensor_height": [-16383, 16384], "window_low": 0, "window_high": 4094, "near_end": 1},
        **{"heal_samples": 1, "confirm_samples": 4096, "allowance": 32767, "allowance_rate": 32767},
    )
    for i in range(TREND_SAMPLES + 1):
        made.sample(i * 4080 // TREND_SAMPLES, 0, 1, 0, REST, 0)
    while not made.out_of_sight:
        made.sample(4095, 0, 1, 0, REST, 0)
    for _ in range(40_000):
        made.sample(4095, 0, 1, 0, REST, 0)
        assert made.out_of_sight
        made.disarm()
    for name in ("good", "waited", "_far"):
        setattr(made, name, Bounded(getattr(made, name)))
    made.trend = [Bounded(one) for one in made.trend]
    made.sample(4095, 0, 1, 0, REST, 0)
    assert made.out_of_sight


@pytest.mark.rule("H5", "H2")
def test_the_end_s_lift_is_that_of_the_rest_height_in_use() -> None:
    # Lift at the sensor's end: 370 mm over the calibrated rest height, 360 mm over the learned one. The map
    # is 60 % at 360 mm and 30 % at 370 mm.
    steep = {
        **{
            "lift_axis": [0, 5440, 5760, 5920],
            "reduction_map": table([0, 0], [0, 0], [600, 600], [300, 300]),
        },
        **{"hold_ticks": 0, "learn_window": 20, "learn_tolerance": 320, "learn_spread": 160},
    }

    def demand_out_of_sight(made: Controller) -> int:
        for _ in range(5):
            tick(made, 476)
        assert made.reduction.output < 300
        hide(made)
        return made.reduction.demand

    made = controller(**steep)
    for _ in range(100):
        tick(made, 140, launch=0)
    tick(made, 140)
    assert demand_out_of_sight(made) == pytest.approx(600, abs=5)
    # Armed anew: the calibrated rest height, and its end.
    for _ in range(300):
        tick(made, 140, armed=0, launch=0)
    tick(made, 140)
    assert (made.lift.rest, made.failing) == (2080, 0)
    assert demand_out_of_sight(made) == pytest.approx(300, abs=5)


@pytest.mark.rule("H5")
def test_the_demand_out_of_sight_begins_at_the_end_and_not_at_the_last_height() -> None:
    made = launched(
        **{
            "lift_axis": [0, 5600, 5760, 5920],
            "reduction_map": table([0, 0], [400, 400], [900, 900], [450, 450]),
        }
    )
    for _ in range(10):
        tick(made, 480)  # lift 350 mm
    assert made.reduction.output == pytest.approx(400, abs=3)
    hide(made)
    assert made.reduction.output == pytest.approx(450, abs=3)


@pytest.mark.rule("H5")
def test_a_trend_needs_32_samples() -> None:
    made = height(heal_samples=1, allowance_rate=800, near_end=16)
    made.sample(counts_of(130), 0, 1, 0, REST, 0)
    for i in range(1, TREND_SAMPLES):
        made.sample(counts_of(130 + 10 * i), 0, 1, 0, REST, 0)
        assert made.used
    # 31 used after the first: 10 mm a sample, 60 mm to go.
    for _ in range(15):
        made.sample(LOST, 0, 1, 0, REST, 0)
    assert not made.out_of_sight


@pytest.mark.rule("H5")
def test_before_launch_and_in_a_fault_there_is_no_out_of_sight() -> None:
    made = healthy()
    for _ in range(3):
        made.sample(counts_of(490), 0, 0, 0, REST, 0)
    for _ in range(30):
        made.sample(LOST, 0, 0, 0, REST, 0)
        assert not made.out_of_sight
    assert made.faulted
    made.sample(LOST, 0, 1, 0, REST, 0)
    assert not made.out_of_sight


# ---- H6: what a fault does ----


def lifted(**changes: int | list[int]) -> Controller:
    """A run with the nose at 330 mm: lift 200 mm, reduction 400, retard 200."""
    made = launched(**changes)
    for _ in range(520):  # until the jump is no longer provisional (H11)
        tick(made, 330)
    assert (made.reduction.output, made.retard.output) == (400, 200)
    return made


@pytest.mark.rule("H6")
def test_a_fault_while_torque_is_taken_keeps_it_and_lets_it_go_at_the_fault_s_own_rate() -> None:
    made = lifted(
        hold_ticks=50, fault_hold_ticks=400, fault_release_q16=2 << 16, fault_retard_release_q16=1 << 15
    )
    for _ in range(19):
        tick(made, counts=LOST)
        assert not made.failing
    for _ in range(400):
        tick(made, counts=LOST)
        assert made.failing
        assert (made.command.reduction, made.command.retard) == (400, 200)
        assert (made.reduction.state, made.command.reason) == (KEPT, REASON_KEPT)
    for i in range(1, 200):
        tick(made, counts=LOST)
        assert made.command.reduction == 400 - 2 * i
        assert made.command.retard == 200 - (i + 1) // 2
        assert made.reduction.state == FAULT_RELEASE
    for _ in range(1000):
        tick(made, counts=LOST)
    assert (made.command.reduction, made.command.retard, made.command.askers) == (0, 0, 0)
    assert (made.failing, made.keeping) == (FAULT_SENSOR, 0)


@pytest.mark.rule("H3", "H6")
def test_retard_alone_is_torque_taken_too() -> None:
    made = launched()
    for _ in range(20):
        tick(made, 210)  # lift 80 mm
    assert (made.reduction.output, made.retard.output) == (0, 25)
    tick(made, 130)
    assert made.faults & FAULT_FALL
    assert (made.keeping, made.command.retard) == (1, 25)


@pytest.mark.rule("H3", "H6")
def test_a_fall_that_is_a_fault_keeps_what_is_taken_from_its_first_sample() -> None:
    made = lifted(hold_ticks=0, allowance_rate=10)
    tick(made, 130)
    assert made.faults & FAULT_FALL
    assert (made.command.reduction, made.reduction.state) == (400, KEPT)
    for _ in range(2999):
        tick(made, 130)
        assert made.command.reduction == 400
    tick(made, 130)
    assert 399 <= made.command.reduction < 400


@pytest.mark.rule("H6", "L3")
@pytest.mark.parametrize("kept", [30, 100])
def test_when_the_fault_heals_the_hold_runs_on_from_the_beginning_of_the_fault(kept: int) -> None:
    # 19 samples are lost before it is a fault; `kept` ticks of the hold of 50 pass in it, 10 of them healing.
    made = lifted(hold_ticks=50, heal_samples=10)
    for _ in range(19):
        tick(made, counts=LOST)
    for _ in range(kept - 10):
        tick(made, counts=LOST)
        assert (made.reduction.state, made.reduction.output) == (KEPT, 400)
    for i in range(1, 11):
        tick(made, 325)
        assert made.failing == (FAULT_SENSOR if i < 10 else 0)
    # The tenth has healed it, and is the first of the rest of the hold.
    for _ in range(max(50 - kept, 0)):
        assert (made.reduction.state, made.reduction.output) == (HOLD, 400)
        tick(made, 325)
    if kept < 50:
        tick(made, 325)
    assert made.reduction.output == made.reduction.demand == 380


@pytest.mark.rule("H6")
def test_a_fault_with_nothing_taken_after_launch_gives_the_blind_reduction() -> None:
    made = launched(
        **{"blind_reduction": 200, "blind_growth_q16": 4 << 16, "blind_until_ms": 500},
        **{"fault_release_q16": 1 << 16},
    )
    for _ in range(20):
        tick(made, counts=LOST)
    assert made.failing
    grown = [made.command.reduction]
    for _ in range(49):
        tick(made, counts=LOST)
        grown.append(made.command.reduction)
    assert grown == [4 * i for i in range(1, 51)]
    assert made.command.reason == REASON_BLIND
    while made.elapsed_ms < 499:
        tick(made, counts=LOST)
        assert made.command.reduction == 200
    for i in range(1, 201):
        tick(made, counts=LOST)
        assert made.command.reduction == 200 - i


@pytest.mark.rule("H6")
def test_a_fault_with_less_taken_than_the_blind_reduction_asks_for_that_too() -> None:
    # 12 % are kept; the blind reduction grows from 0 by 1 unit a tick, and the larger acts.
    made = launched(reduction_map=[120] * 256, retard_map=[0] * 256, hold_ticks=0, allowance=400)
    for _ in range(19):
        tick(made, counts=LOST)
    assert made.reduction.output == 120
    for i in range(1, 400):
        tick(made, counts=LOST)
        assert made.failing
        assert made.command.reduction == max(120, min(i, 200))
        assert made.command.reason == (REASON_KEPT if i <= 120 else REASON_BLIND)
    # As much as the blind one is enough.
    made = launched(reduction_map=[200] * 256, retard_map=[0] * 256, hold_ticks=0, allowance=400)
    for _ in range(300):
        tick(made, counts=LOST)
    assert (made.blind, made.command.reduction, made.command.reason) == (0, 200, REASON_KEPT)


@pytest.mark.rule("H6")
def test_the_blind_reduction_ends_when_the_sensor_heals_and_can_be_none() -> None:
    made = launched(fault_release_q16=1 << 16)
    for _ in range(300):
        tick(made, counts=LOST)
    assert made.command.reduction == 200
    for _ in range(50):
        tick(made)
    assert made.command.reduction == 199
    made = launched(blind_reduction=0)
    for _ in range(300):
        tick(made, counts=LOST)
        assert made.command.reduction == 0


@pytest.mark.rule("H6")
@pytest.mark.parametrize("ticks_before", [0, 1, 60])
def test_a_fault_present_at_launch_is_a_bit_for_the_whole_run_and_nothing_else(ticks_before: int) -> None:
    made = controller()
    for _ in range(ticks_before):
        tick(made, counts=LOST, launch=0)
    for _ in range(200):
        tick(made, counts=LOST)
        assert made.faults & FAULT_AT_LAUNCH
        assert made.command.reduction == 0
    # The sensor heals and the lift works; the bit stays until the run ends.
    for _ in range(60):
        tick(made, 330)
    assert made.command.reduction == 400
    assert made.faults == FAULT_AT_LAUNCH
    for _ in range(100):
        tick(made, 330, armed=0)
    assert made.faults == 0


@pytest.mark.rule("H6")
@settings(max_examples=60)
@given(plausible_calibrations, segments)
def test_kept_torque_comes_back_at_the_fault_s_rate_only(calibration: Values, parts: Segments) -> None:
    made = Controller()
    assert made.load(pack(calibration)) == 0
    c = made._calibration
    kept = 0
    for row in ticks(parts):
        before = (made.reduction.output, made.retard.output)
        made.step(*row)
        if not made.keeping:
            kept = 0
            continue
        assert made.launched
        assert before[0] > 0 or before[1] > 0
        kept += 1
        now = (made.reduction.output, made.retard.output)
        if made.height.out_of_sight:
            continue
        if kept <= c.fault_hold_ticks and made.keep_left > 0:
            assert now == before
        rates = (c.fault_release_q16, c.fault_retard_release_q16)
        for old, new, rate in zip(before, now, rates, strict=True):
            assert old >= new >= old - 1 - (rate >> 16)


# ---- H10: return ----


def lost_in_flight(lost: int = 600, **changes: int | list[int]) -> Controller:
    """A run with the nose at 330 mm and 40 % taken whose sensor was lost for so many ticks."""
    made = lifted(**changes)
    for _ in range(lost):
        tick(made, counts=LOST)
    assert made.keeping
    assert made.command.reduction == 400
    return made


def wander(made: Controller, mm: float, ticks: int, size: float = 0.4) -> int | None:
    """Readings at a height that wander by +-size; after how many the sensor was healthy again."""
    for i in range(ticks):
        tick(made, mm + size * (i % 3 - 1))
        if not made.failing and not made.height.out_of_sight:
            return i + 1
    return None


@pytest.mark.rule("H10")
def test_a_nose_at_rest_again_ends_a_fault_while_torque_is_taken_after_half_a_second() -> None:
    # Without it the car would drive with 40 % taken until the fault's hold is over.
    made = lost_in_flight()
    assert wander(made, 135, 3000) == 500
    assert made.height.good == pytest.approx(135 * 16, abs=8)
    assert made.lift.value == made.lift.of_height(made.height.good)  # filters start anew
    tick(made, 135)
    # The hold of 300 ticks passed meanwhile.
    assert (made.command.reduction, made.faults) == (0, 0)


@pytest.mark.rule("H10", "L3")
@pytest.mark.parametrize(("hold", "left"), [(300, 0), (700, 200)])
def test_a_nose_at_rest_again_ends_out_of_sight_and_its_samples_count_as_hold(hold: int, left: int) -> None:
    made = rising_beyond(hold_ticks=hold)
    hide(made)
    for _ in range(400):
        tick(made, counts=LOST)
    assert wander(made, 135, 3000) == 500
    for _ in range(left):
        assert (made.reduction.state, made.command.reduction) == (HOLD, 600)
        tick(made, 135)
    if left:
        tick(made, 135)
    assert made.command.reduction == 0


@pytest.mark.rule("H10")
@pytest.mark.parametrize(("mm", "back"), [(84, None), (86, 500), (130, 500), (219, 500), (221, None)])
def test_it_returns_only_from_45_mm_below_rest_to_90_mm_above(mm: float, back: int | None) -> None:
    assert wander(lost_in_flight(), mm, 2000) == back


@pytest.mark.rule("H10", "H2")
@pytest.mark.parametrize(("mm", "back"), [(94, None), (97, 500), (225, 500)])
def test_rest_is_the_learned_height_where_one_was_learned(mm: float, back: int | None) -> None:
    made = controller(learn_window=20, learn_tolerance=320, learn_spread=160)
    for _ in range(200):
        tick(made, 140, launch=0)
    assert made.lift.rest == pytest.approx(140 * 16, abs=2)
    for _ in range(520):
        tick(made, 330)
    for _ in range(600):
        tick(made, counts=LOST)
    assert wander(made, mm, 2000) == back


@pytest.mark.rule("H10")
@pytest.mark.parametrize("size", [0, 0.12, 0.24])
def test_a_frozen_reading_never_returns(size: float) -> None:
    # A spread of no more than 0.5 mm, and of 2 counts (0.24 mm), is no nose.
    made = lost_in_flight()
    assert wander(made, 130, 2400, size) is None
    assert made.command.reduction == 400


@pytest.mark.rule("H10")
@pytest.mark.parametrize(("heights", "counts", "back"), [(9, 3, 500), (8, 3, None), (30, 2, None)])
def test_the_spread_is_more_than_half_a_millimetre_and_more_than_two_counts(
    heights: int, counts: int, back: int | None
) -> None:
    # So many counts from 1065 on span so many units of 1/16 mm.
    curve = {
        "sensor_points": 4,
        "sensor_counts": [0, 1065, 1065 + counts, 4095],
        "sensor_height": [0, 2080, 2080 + heights, 8000],
    }
    made = launched(**curve)
    for _ in range(520):
        tick(made, counts=2500)
    for _ in range(600):
        tick(made, counts=LOST)
    assert made.keeping
    found = None
    for i in range(1500):
        tick(made, counts=1065 + counts * (i % 2))
        if not made.failing:
            found = i + 1
            break
    assert found == back


@pytest.mark.rule("H10")
@pytest.mark.parametrize("broken_by", [LOST, 4095, counts_of(160), counts_of(60)])
def test_all_samples_of_the_chain_are_in_a_row(broken_by: int) -> None:
    made = lost_in_flight(fault_hold_ticks=60_000)
    for _ in range(4):
        assert wander(made, 130, 499) is None
        tick(made, counts=broken_by)
    assert wander(made, 130, 3000) == 500


@pytest.mark.rule("H10")
def test_a_sample_is_no_further_from_the_one_before_than_the_constant_part_and_a_quarter_of_the_rate() -> (
    None
):
    # A count is a unit: 48 + 80 / 4 = 68.
    unit = {
        "sensor_height": [0, 4095],
        "rest": 1000,
        "reduction_map": table([0, 0], [0, 0], *[[400, 400]] * 2),
    }
    for step, back in ((68, 500), (69, None)):
        made = launched(**unit, **{"lift_axis": [100, 200, 300, 400]})
        for _ in range(520):
            tick(made, counts=3000)
        for _ in range(600):
            tick(made, counts=LOST)
        found = None
        for i in range(1200):
            tick(made, counts=1000 + step * (i % 2))
            if not made.failing:
                found = i + 1
                break
        assert found == back, step


@pytest.mark.rule("H10")
@settings(max_examples=80)
@given(st.integers(1, 700), st.integers(0, 1), st.sampled_from(((1000, 1), (500, 3), (1000, 5), (1000, 20))))
def test_a_chain_begins_where_a_nose_could_have_fallen_or_needs_three_times_the_samples(
    lost: int, falling: int, clock: tuple[int, int]
) -> None:
    # Outside source: free fall, s = g t^2 / 2 (Halliday, Resnick, Walker, Fundamentals of Physics, 10th ed.,
    # ch. 2-5; from memory), with twice g, rounded to 20 m/s2, because springs help the nose down.
    tick_us, sample_ticks = clock
    made = healthy(
        **{"tick_us": tick_us, "sample_ticks": sample_ticks, "heal_samples": 100, "return_samples": 20},
        **{"sensor_counts": [0, 65535], "adc_max": 65535, "window_low": 10, "window_high": 65000},
        **{"sensor_height": [-32767, 0], "rest": -32767, "near_end": 1},
    )
    for _ in range(102):
        made.sample(65000, 0, 0, 0, -32767, 0)
    start = made.good
    assert start > -300
    for _ in range(lost):
        made.sample(0, 0, 0, 1, -32767, falling)
    while not made.faulted:
        lost += 1
        made.sample(0, 0, 0, 1, -32767, falling)
    seconds = Fraction((lost + 1) * tick_us * sample_ticks, 1_000_000)
    exact = 3 + 10_000 * seconds**2  # mm: the constant part, 20 m/s2
    if falling:
        exact += Fraction((lost + 1) * sample_ticks * 80, 2 * 16)  # half of 80 units a tick
    for off, longer in ((-1, False), (1, True)):
        there = start - int(exact * 16) - off * (int(exact) // 8 + 16)
        if there < -32000:
            continue
        twin = copy.deepcopy(made)
        counts = int((there + 32767) * 65535 / 32767)
        rest = there
        for i in range(1, 61):
            twin.sample(counts + 30 * (i % 2), 0, 0, 1, rest, falling)
            if not twin.faulted:
                break
        assert i == (60 if longer else 20)


@pytest.mark.rule("H10")
def test_beyond_the_range_random_readings_give_no_torque_back() -> None:
    # A 20 ms sensor reads anything from 50 to 250 mm for as long as the fault's hold.
    rng = random.Random(1)
    slow = {"sample_ticks": 20, "confirm_samples": 1, "heal_samples": 3, "return_samples": 25}
    for _ in range(30):
        made = launched(**slow, allowance=400)
        for _ in range(3000):
            tick(made, 490)
        assert made.command.reduction == 600
        while not made.height.out_of_sight:
            tick(made, rng.uniform(50, 250))
        for _ in range(2900):
            tick(made, rng.uniform(50, 250))
            assert made.command.reduction == 600


@pytest.mark.rule("H10")
@settings(max_examples=40)
@given(st.integers(0, 2**32), st.sampled_from((0, 4095, 1065, 1100, 700, 1700)))
@example(297, 1065)  # healed by H4 at its 67th sample
@example(345, 1065)  # came back with the few samples of its chain that still moved, without the lost one
def test_a_constant_reading_never_returns_whatever_came_before(number: int, reading: int) -> None:
    """A lost sample parts them: a chain that moves first and freezes then may return, as the rule says."""
    rng = random.Random(number)
    made = lifted(fault_hold_ticks=60_000, confirm_samples=rng.choice((1, 20, 60)))
    for counts in random_counts(rng, rng.randint(1, 600)):
        tick(made, counts=counts)
    tick(made, counts=0)
    for i in range(1700):
        lost = made.keeping or made.height.out_of_sight
        tick(made, counts=reading)
        # Samples used in a row (H4), near the end (H5) or after a jump (H11) heal it soon, or nothing does:
        # 50 heal, after 40 at most the allowance has grown to its greatest (H3).
        if lost and i > 100:
            assert made.failing or made.height.out_of_sight


# ---- H11: a jump that was the failure ----


def jumped(wrong: int, mm: float = 490, before: float = 150, **changes: int | list[int]) -> Controller:
    """A run with the nose at `before` whose sensor then reads `mm` for so many ticks."""
    made = launched(**changes)
    for i in range(40):
        tick(made, 130 + (before - 130) * min(i, 20) / 20)
    for _ in range(wrong):
        tick(made, mm)
    return made


@pytest.mark.rule("H11", "H5")
def test_ten_wrong_readings_near_the_end_cost_the_heal_time_and_not_the_race() -> None:
    made = jumped(10, hold_ticks=0)
    assert made.command.reduction == 600
    tick(made, 150)
    assert made.height.out_of_sight
    for i in range(50):
        assert made.height.out_of_sight
        tick(made, 150 + i % 2)
    assert (made.height.out_of_sight, made.failing) == (0, 0)
    assert made.height.good == pytest.approx(150 * 16, abs=20)
    tick(made, 150)
    assert made.command.reduction == 0


@pytest.mark.rule("H11", "H3")
def test_the_same_below_the_near_end_where_the_fall_is_a_fault() -> None:
    made = jumped(10, mm=300, hold_ticks=0)
    assert made.command.reduction > 0
    tick(made, 150)
    assert made.faults & FAULT_FALL
    for _ in range(50):
        assert made.failing
        tick(made, 150)
    assert not made.failing
    tick(made, 150)
    assert made.command.reduction == 0


@pytest.mark.rule("H11")
def test_a_jump_is_provisional_for_return_samples_only() -> None:
    # The third wrong reading is the jump. After 451 of them one begins out of sight and 50 heal: 499 in all.
    for wrong, back in ((451, True), (452, False)):
        made = jumped(wrong, hold_ticks=0, fault_hold_ticks=60_000)
        for _ in range(52):
            tick(made, counts=counts_of(150))
        assert bool(made.height.out_of_sight) != back, wrong


@pytest.mark.rule("H11")
@pytest.mark.parametrize(("off", "back"), [(100, True), (-100, True), (106, False), (-106, False)])
def test_it_comes_back_within_the_downward_allowance_of_the_height_before(off: float, back: bool) -> None:
    # 3 mm and 20 ms at 5 mm/ms are 103 mm.
    made = jumped(10, before=150, hold_ticks=0)
    for _ in range(60):
        tick(made, 150 + off)
    assert bool(made.height.out_of_sight) != back


@pytest.mark.rule("H11")
def test_a_nose_that_rose_within_the_allowance_has_not_jumped() -> None:
    made = rising_beyond()
    for _ in range(300):
        tick(made, 150)
        assert made.height.out_of_sight


@pytest.mark.rule("H11")
def test_of_two_jumps_the_height_before_the_first_counts() -> None:
    made = jumped(10, mm=300)
    for _ in range(10):
        tick(made, 450)
    for _ in range(51):
        tick(made, 150)
    assert (made.height.out_of_sight, made.failing) == (0, 0)


# ---- H8: stuck ----

STUCK = {"stuck_samples": 100, "stuck_band": 16, "stuck_speed": 300}


def driving(mm: float, count: int, made: Controller, speed: int = 1000) -> None:
    for _ in range(count):
        tick(made, mm, speed=speed)


def up_to_speed(**changes: int | list[int]) -> Controller:
    """A launched run at 100 km/h, nose at rest and moving all the time."""
    made = launched(**{**STUCK, **changes})
    for i in range(1, 101):
        tick(made, 130 + 2 * (i % 2), speed=10 * i)
    assert not made.height.stuck
    return made


@pytest.mark.rule("H8")
def test_a_steady_reading_on_a_moving_car_is_stuck_and_a_fault_while_nothing_is_taken() -> None:
    made = up_to_speed()
    driving(130, 99, made)
    assert not made.height.stuck
    driving(130, 1, made)
    assert made.faults & FAULT_STUCK
    assert made.failing
    driving(130, 300, made)
    assert (made.command.reduction, made.command.reason) == (200, REASON_BLIND)


@pytest.mark.rule("H8")
def test_stuck_heals_only_by_leaving_the_band() -> None:
    made = up_to_speed()
    driving(130, 150, made)
    driving(130.9, 50, made)  # still within the band of 1 mm
    assert made.failing
    driving(130, 50, made, speed=0)  # standing
    assert made.failing
    for counts in (LOST, LOST, 4095):
        tick(made, counts=counts, speed=0)
        assert made.failing
    driving(130, 5, made, speed=0)
    assert made.failing
    driving(131.3, 1, made, speed=0)
    assert not made.failing
    assert not made.faults & FAULT_STUCK


@pytest.mark.rule("H8")
def test_lost_samples_do_not_hide_a_stuck_reading() -> None:
    made = up_to_speed()
    for i in range(200):
        tick(made, counts=LOST if i % 10 == 9 else counts_of(130), speed=1000)
    assert made.height.stuck


@pytest.mark.rule("H8")
def test_with_torque_taken_stuck_is_a_bit_and_no_fault_until_nothing_is_taken() -> None:
    # A nose resting on the wheelie bar is steady too.
    made = up_to_speed(hold_ticks=300, trigger=0)
    driving(330, 250, made)
    assert made.faults & FAULT_STUCK
    assert not made.failing
    assert (made.command.reduction, made.command.reason) == (made.reduction.demand, REASON_LIFT)


@pytest.mark.rule("H8")
def test_stuck_is_turned_off_by_no_time_and_by_a_slow_car() -> None:
    made = up_to_speed(stuck_samples=0)
    driving(130, 400, made)
    assert not made.height.stuck
    made = up_to_speed(stuck_speed=1000)
    driving(130, 400, made)  # not faster than the speed
    assert not made.height.stuck


@pytest.mark.rule("H8", "H5")
def test_near_the_end_stuck_is_no_fault() -> None:
    made = up_to_speed(reduction_map=[0] * 256, retard_map=[0] * 256)
    driving(490, 300, made)
    assert made.height.stuck
    assert not made.failing


@pytest.mark.rule("H6", "H8")
def test_a_reading_that_is_stuck_after_a_kept_fault_is_a_fault_of_its_own() -> None:
    made = up_to_speed(
        **{"fault_hold_ticks": 300, "heal_samples": 200},
        **{"fault_release_q16": 100 << 16, "fault_retard_release_q16": 100 << 16},
    )
    driving(330, 20, made)
    for _ in range(400):
        tick(made, counts=LOST, speed=1000)
    assert (made.failing, made.command.reduction) == (FAULT_SENSOR, 0)
    # It comes back frozen: healed first, and then a fault of another kind.
    driving(130, 210, made)
    assert made.failing == 0
    driving(130, 600, made)
    assert made.failing == FAULT_STUCK
    assert (made.command.reduction, made.command.reason) == (200, REASON_BLIND)


# ---- sizes ----


@pytest.mark.rule("H3", "H5")
def test_the_widest_sensor_keeps_its_products_below_2_to_the_30() -> None:
    into = Calibration()
    widest = values(
        **{"adc_max": 65535, "window_low": 0, "window_high": 65535, "sensor_counts": [0, 65535]},
        **{"sensor_height": [-32767, 0], "rest": -32767, "near_end": 1, "sample_ticks": 1000},
        **{"allowance": 32767, "allowance_rate": 32767, "confirm_samples": WAIT_LIMIT, "heal_samples": 1},
    )
    assert read(pack(widest), into) == 0
    for name in ("allowance", "allowance_rate", "sample_ticks", "confirm_samples", "near_end", "rest"):
        setattr(into, name, Bounded(getattr(into, name)))
    into.sensor_height = [Bounded(one) for one in into.sensor_height]
    into.sensor_counts = [Bounded(one) for one in into.sensor_counts]
    made = Height(into)
    for i in range(40):
        made.sample(Bounded(1500 * i), 0, 1, 0, REST, 0)
        assert made.used
    for _ in range(WAIT_LIMIT + 8):
        made.sample(Bounded(0), 0, 1, 1, REST, 0)
    into.window_low = 1
    for _ in range(66000):
        made.sample(0, 0, 1, 1, REST, 0)
    assert made.waited == 65535
