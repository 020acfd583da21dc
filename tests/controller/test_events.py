"""Cylinder events: what is skipped, how evenly, for every reduction and number of cylinders (C1 to C3)."""

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bench.calibration.image import pack
from controller import Calibration, read
from controller.constants import CYLINDERS, FUEL_OFF, FULL, SPARK_OFF
from controller.events import Events
from tests.hostile import Bounded
from tests.support import controller, tick, values


def events(cylinders: int, order: list[int] | None = None, bits: int = FUEL_OFF | SPARK_OFF) -> Events:
    calibration = Calibration()
    changes = {
        "cylinders": cylinders,
        "firing_order": order or list(range(1, cylinders + 1)),
        "event_bits": bits,
    }
    assert read(pack(values(**changes)), calibration) == 0
    made = Events()
    made.calibrate(calibration)
    return made


class Engine:
    """An engine that runs on, event by event in its firing order."""

    def __init__(self, cylinders: int) -> None:
        self.cylinders = cylinders
        self.made = events(cylinders)
        self.place = 0

    def turn(self, count: int, reduction: int) -> list[int]:
        """1 for each event skipped, 0 for each fired."""
        skipped = []
        for _ in range(count):
            skipped.append(1 if self.made.event(self.place + 1, reduction) else 0)
            self.place = (self.place + 1) % self.cylinders
        return skipped


def spread(skipped: list[int], reduction: int) -> int:
    """The largest |count - w * r| over all windows of w events, in 1/1000 event.

    The count of a window less its share is a difference of two prefix values, so the largest one is the
    greatest prefix value less the least.
    """
    level = least = greatest = 0
    for one in skipped:
        level += FULL * one - reduction
        least = min(least, level)
        greatest = max(greatest, level)
    return greatest - least


def assert_fair(engine: Engine, reduction: int, cycles: int) -> None:
    """C2, from the second cycle of a constant reduction on."""
    n = engine.cylinders
    engine.turn(n, reduction)
    skipped = engine.turn(n * cycles, reduction)
    assert spread(skipped, reduction) <= 4 * FULL
    for k in range(n):
        assert spread(skipped[k::n], reduction) <= FULL


def history(rng: random.Random, kind: str, events_before: int) -> list[int]:
    """Reductions before the constant one, an event each."""
    rows = range(events_before)
    if kind == "rise":
        top = rng.randint(1, FULL)
        return [top * i // events_before for i in rows]
    if kind == "hold":
        return [rng.randint(0, FULL)] * events_before
    if kind == "ramp":
        return [FULL - FULL * i // events_before for i in rows]
    if kind == "ends":
        return [rng.choice((0, FULL)) for _ in rows]
    return [rng.choice((0, 1, 499, 500, 501, 999, FULL, rng.randint(0, FULL))) for _ in rows]


HISTORIES = ("rise", "hold", "ramp", "ends", "hostile")


def test_the_measure_of_fairness_can_tell() -> None:
    # The two ways that fail: one half starved for ever, and everything skipped at once.
    assert spread([1] * 20, 500) > FULL
    assert spread([1, 0] * 20, 500) <= FULL
    assert spread(([1] * 9 + [0] * 9) * 5, 500) > 4 * FULL


@pytest.mark.rule("C2")
@settings(max_examples=60)
@given(
    st.integers(1, CYLINDERS),
    st.integers(0, FULL),
    st.sampled_from(HISTORIES),
    st.integers(0, 100),
    st.integers(0, 2**32),
)
@example(8, 500, "ramp", 3, 0)
@example(12, 999, "hostile", 40, 1)
def test_skips_are_fair_after_any_history(
    cylinders: int, reduction: int, kind: str, length: int, number: int
) -> None:
    engine = Engine(cylinders)
    for before in history(random.Random(number), kind, length):
        engine.turn(1, before)
    assert_fair(engine, reduction, 40)


@pytest.mark.rule("C2")
@settings(max_examples=30)
@given(st.integers(1, CYLINDERS), st.integers(0, FULL), st.lists(st.integers(0, FULL), max_size=60))
def test_skips_are_fair_after_any_listed_history(cylinders: int, reduction: int, before: list[int]) -> None:
    engine = Engine(cylinders)
    for one in before:
        engine.turn(1, one)
    assert_fair(engine, reduction, 25)


@pytest.mark.slow
@pytest.mark.rule("C2")
@pytest.mark.parametrize("cylinders", range(1, CYLINDERS + 1))
def test_skips_are_fair_at_every_reduction(cylinders: int) -> None:
    """Every reduction after every kind of history; the engine runs on, so that its integral is anywhere."""
    rng = random.Random(cylinders)
    engine = Engine(cylinders)
    order = list(range(FULL + 1))
    rng.shuffle(order)
    for reduction in order:
        for kind in HISTORIES:
            for before in history(rng, kind, rng.randint(1, 4 * cylinders)):
                engine.turn(1, before)
            assert_fair(engine, reduction, 60)


@pytest.mark.rule("C2")
@settings(max_examples=30)
@given(
    st.integers(1, CYLINDERS),
    st.lists(st.tuples(st.integers(1, FULL - 1), st.integers(1, 60)), min_size=1, max_size=8),
)
def test_every_decision_is_that_of_one_integral_that_never_wraps(
    cylinders: int, runs: list[tuple[int, int]]
) -> None:
    """Cylinder k of n skips when floor((I + 1000 k) / (1000 n)) moved since its own last event."""
    engine = Engine(cylinders)
    integral = 0
    marks = [0] * cylinders
    for reduction, length in [*runs, (FULL - 1, 20 * cylinders)]:
        for _ in range(length):
            k = engine.place
            integral += reduction
            mark = (integral + FULL * k) // (FULL * cylinders)
            assert engine.turn(1, reduction) == [int(mark != marks[k])]
            marks[k] = mark


@pytest.mark.rule("C2")
@pytest.mark.parametrize("cylinders", [2, 4, 6, 8, 10, 12])
def test_half_does_not_starve_the_same_half(cylinders: int) -> None:
    engine = Engine(cylinders)
    skipped = engine.turn(cylinders * 20, 500)
    for k in range(cylinders):
        assert abs(sum(skipped[k::cylinders]) - 10) <= 1


def necklace(pattern: list[int] | str) -> str:
    """The pattern turned to its first place in the alphabet: equal for all rotations."""
    text = "".join("x" if one in (1, "x") else "." for one in pattern)
    return min(text[i:] + text[:i] for i in range(len(text)))


@pytest.mark.rule("C2")
@pytest.mark.parametrize(
    "printed",
    [
        # G. Toussaint, "The Euclidean algorithm generates traditional musical rhythms", BRIDGES 2005,
        # pp 47-56, the list as quoted from the paper; E(5,16) corrected for its misprint (17 cells).
        *("x.x..", "x.xx", "x.x.x", "x.x.x..", "x..x..x.", "x.x.x.x", "x.x.x.x..", "x..x..x..x.", "x.xxxx"),
        *("x.xx.xx", "x.xx.xx.", "x.x.x.x.x", "x.x.x.x.x..", "x..x.x..x.x.", "x.xxxxxx", "x..x..x..x..x..."),
    ],
)
def test_one_cylinder_skips_in_the_printed_evenly_spread_patterns(printed: str) -> None:
    n = len(printed)
    k = printed.count("x")
    # k skips in n events. Where k/n is no whole number of thousandths the next one above it gives the same
    # first n decisions: n thousandths are less than the distance 1/n of i*k/n from the next integer.
    reduction = -(-FULL * k // n)
    engine = Engine(1)
    assert necklace(engine.turn(n, reduction)) == necklace(printed)
    if reduction * n == FULL * k:
        # Exact: the same pattern for ever, and from any point on.
        for _ in range(5):
            engine.turn(1, reduction)
            assert necklace(engine.turn(n, reduction)) == necklace(printed)


@pytest.mark.rule("C2")
@settings(max_examples=40)
@given(st.integers(0, FULL), st.integers(1, 40), st.lists(st.integers(0, FULL), max_size=20))
def test_one_cylinder_keeps_every_window_within_one_event(
    reduction: int, window: int, before: list[int]
) -> None:
    # Balanced words (M. Lothaire, Algebraic Combinatorics on Words, Cambridge 2002, ch. 2; from memory): a
    # window of w holds floor or ceil of w*r.
    engine = Engine(1)
    for one in before:
        engine.turn(1, one)
    engine.turn(1, reduction)
    skipped = engine.turn(200, reduction)
    low, rest = divmod(window * reduction, FULL)
    for i in range(200 - window):
        assert low <= sum(skipped[i : i + window]) <= low + (1 if rest else 0)


@pytest.mark.rule("C3")
@settings(max_examples=40)
@given(st.integers(1, CYLINDERS), st.lists(st.integers(0, FULL), max_size=40))
def test_nothing_skips_none_and_full_skips_all_from_the_next_decision_on(
    cylinders: int, before: list[int]
) -> None:
    engine = Engine(cylinders)
    for one in before:
        engine.turn(1, one)
    assert engine.turn(3 * cylinders, 0) == [0] * 3 * cylinders
    assert engine.turn(3 * cylinders, FULL) == [1] * 3 * cylinders
    assert engine.turn(1, 0) == [0]
    assert engine.turn(1, FULL) == [1]


@pytest.mark.rule("C2", "C3")
@given(st.integers(1, CYLINDERS), st.lists(st.integers(0, FULL), max_size=120))
def test_a_changing_reduction_skips_about_its_sum(cylinders: int, reductions: list[int]) -> None:
    engine = Engine(cylinders)
    skipped = sum(engine.turn(1, one)[0] for one in reductions)
    inner = sum(one for one in reductions)
    # A bound of our own: each cylinder is off by less than one event for the integral, and one at each end.
    ends = sum(1 for one in reductions if one in (0, FULL))
    assert abs(skipped * FULL - inner) <= (2 * cylinders + ends + 1) * FULL


@pytest.mark.rule("C1")
@pytest.mark.parametrize("bits", [FUEL_OFF, SPARK_OFF, FUEL_OFF | SPARK_OFF])
def test_the_spark_follows_the_fuel_of_its_cycle(bits: int) -> None:
    made = events(4, [1, 3, 4, 2], bits)
    for reduction in (0, 300, FULL, 700):
        for _ in range(8):
            for cylinder in (1, 3, 4, 2):
                decided = made.event(cylinder, reduction)
                assert decided in (0, bits)
                # As often as it is asked.
                assert made.spark(cylinder) == decided & SPARK_OFF == made.spark(cylinder)


@pytest.mark.rule("C1", "C3")
def test_a_charge_already_fuelled_fires() -> None:
    made = controller()
    tick(made, launch=0)
    assert made.event(1) == 0
    tick(made, launch=0, request=(1000, 0, 20))
    assert made.command.reduction == 1000
    assert made.spark(1) == 0  # its fuel came before the request
    assert made.event(8) == FUEL_OFF | SPARK_OFF
    tick(made, launch=0)
    assert made.command.reduction == 0
    assert made.spark(8) == SPARK_OFF  # no spark for a charge that has no fuel
    assert made.event(8) == 0
    assert made.spark(8) == 0


@pytest.mark.rule("C1", "C2")
@given(st.integers(1, CYLINDERS).flatmap(lambda n: st.permutations(range(1, n + 1))), st.integers(0, FULL))
def test_the_place_in_the_firing_order_counts_not_the_cylinder_s_number(
    order: list[int], reduction: int
) -> None:
    made = events(len(order), order)
    in_order = [1 if made.event(cylinder, reduction) else 0 for _ in range(8) for cylinder in order]
    assert in_order == Engine(len(order)).turn(8 * len(order), reduction)


@pytest.mark.rule("C1")
@given(st.lists(st.tuples(st.integers(-3, 20), st.integers(0, FULL)), max_size=60))
def test_one_decision_for_each_cylinder_and_cycle(calls: list[tuple[int, int]]) -> None:
    """Any order of calls: a decision stands until the same cylinder's next one."""
    made = events(5, [5, 3, 1, 2, 4])
    stands = dict.fromkeys(range(1, 6), 0)
    for cylinder, reduction in calls:
        before = made.digest(0)
        decided = made.event(cylinder, reduction)
        if cylinder in stands:
            stands[cylinder] = decided
        else:
            assert decided == 0
            assert made.digest(0) == before
            assert made.spark(cylinder) == 0
        for each, stood in stands.items():
            assert made.spark(each) == stood & SPARK_OFF


@pytest.mark.rule("C1", "R4")
def test_events_follow_the_capped_command() -> None:
    made = controller(reduction_limit=0)
    tick(made, launch=0, request=(1000, 0, 20))
    assert [made.event(k) for k in (1, 8, 4, 3)] == [0] * 4
    made = controller(reduction_limit=500, cylinders=4, firing_order=[1, 3, 4, 2])
    tick(made, launch=0, request=(1000, 0, 20))
    skipped = sum(made.event(k) > 0 for _ in range(100) for k in (1, 3, 4, 2))
    assert abs(skipped - 200) <= 4


@pytest.mark.rule("C1")
@pytest.mark.parametrize(
    ("cylinders", "rpm", "rate"),
    [
        # Four-stroke: an event each 720/N degrees, so rpm * N / 120 a second; computed from that.
        (8, 1000, 66.67),
        (8, 3000, 200.0),
        (8, 6000, 400.0),
        (8, 8000, 533.33),
        (8, 9600, 640.0),
        (4, 6000, 200.0),
        (6, 6000, 300.0),
    ],
)
def test_the_share_skipped_at_event_rates_of_engines(cylinders: int, rpm: int, rate: float) -> None:
    # Ten seconds of crank angle in exact degrees: one decision each 720/N.
    degrees = 0.0
    engine = Engine(cylinders)
    skipped = decided = 0
    while degrees < rpm * 6 * 10:
        skipped += engine.turn(1, 250)[0]
        decided += 1
        degrees += 720 / cylinders
    assert decided == pytest.approx(10 * rate, abs=1)
    assert skipped == pytest.approx(10 * rate / 4, abs=4)


@pytest.mark.rule("C2")
def test_the_integral_never_reaches_2_to_the_30() -> None:
    engine = Engine(CYLINDERS)
    for _ in range(2000):
        engine.made.event(engine.place + 1, Bounded(FULL - 1))
        engine.place = (engine.place + 1) % CYLINDERS
        assert 0 <= engine.made.integral < FULL * CYLINDERS * 16


def test_reset_is_as_fresh() -> None:
    engine = Engine(6)
    engine.turn(50, 321)
    engine.made.reset()
    assert engine.made.digest(0) == events(6).digest(0)
