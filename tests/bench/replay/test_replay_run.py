"""Stepping a whole trace: the outputs are the controller's own, the events those of the engine speed."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.errors import UserError
from bench.replay.run import INPUT_TYPES, OUTPUT_TYPES, Ints, Reference, Run, make_core, run
from controller import Controller
from firmware_model import binding
from tests.replay_support import compiled
from tests.tools import need_core


def inputs(n: int, **columns: Ints | int) -> dict[str, Ints]:
    """A healthy sensor at rest, armed and launched after 200 ticks, unless told otherwise."""
    made = {name: np.zeros(n, kind) for name, kind in INPUT_TYPES.items()}
    made["counts"][:] = 1065
    made["speed_valid"][:] = 1
    made["armed"][:] = 1
    made["launch"][200:] = 1
    for name, column in columns.items():
        made[name][:] = column
    return made


def flight(n: int = 3000, rpm: int = 7000) -> dict[str, Ints]:
    """A nose that goes up and down once."""
    height = 130 + 260 * np.sin(np.pi * np.clip((np.arange(n) - 500) / 1500, 0, 1)) ** 2
    return inputs(n, counts=np.rint(height * 4095 / 500), engine=rpm, speed=np.arange(n) // 4)


FLIGHT = compiled(release_q16=20000, retard_release_q16=5000)


class TestEvents:
    @pytest.mark.parametrize(
        ("cylinders", "rpm", "per_s"),
        [
            # N rpm / 120 events a second: a four-stroke cycle takes 720 degrees (J. B. Heywood, Internal
            # Combustion Engine Fundamentals, McGraw-Hill 1988, ch. 1; from memory), the rates follow from it
            (8, 1000, Fraction(1000, 15)), (8, 3000, Fraction(200)), (8, 6000, Fraction(400)),
            (8, 9600, Fraction(640)), (4, 6000, Fraction(200)), (6, 6000, Fraction(300)),
        ],
    )  # fmt: skip
    def test_rate(self, cylinders: int, rpm: int, per_s: Fraction) -> None:
        order = list(range(1, cylinders + 1))
        file = compiled(cylinders=cylinders, firing_order=order)
        made = run("reference", file.image, inputs(1500, engine=rpm))
        assert len(made.event_tick) == int(per_s * Fraction(3, 2))

    @settings(max_examples=30)
    @given(
        rpm=st.lists(st.integers(0, 32767), min_size=1, max_size=60),
        cylinders=st.integers(1, 12),
        tick_us=st.sampled_from([500, 1000, 2500, 10000]),
        cut=st.integers(0, 60),
    )
    def test_none_is_lost_between_ticks_or_parts(
        self, rpm: list[int], cylinders: int, tick_us: int, cut: int
    ) -> None:
        image = compiled(
            cylinders=cylinders, firing_order=list(range(1, cylinders + 1)), tick_us=tick_us
        ).image
        columns = inputs(len(rpm), engine=np.array(rpm))
        engine = Reference(image)
        parts = []
        for part in (slice(0, cut), slice(cut, None)):
            made = engine.run(
                {name: column[part] for name, column in columns.items()}, part.start, events=True
            )
            parts.append(made["event_tick"] + part.start)
        # each event falls in the first tick in which a whole one has gathered
        turned, expected = Fraction(0), []
        for tick, speed in enumerate(rpm):
            before = turned
            turned += Fraction(speed, 60) * Fraction(tick_us, 10**6) * Fraction(cylinders, 2)
            expected += [tick] * (
                turned.numerator // turned.denominator - before.numerator // before.denominator
            )
        assert np.concatenate(parts).tolist() == expected

    def test_follow_the_firing_order(self) -> None:
        made = run("reference", FLIGHT.image, flight())
        order = FLIGHT.row("firing_order")
        assert made.event_cylinder.tolist() == [order[i % 8] for i in range(len(made.event_tick))]


def by_hand(columns: dict[str, Ints], made: Run) -> tuple[list[dict[str, int]], list[int]]:
    """The same steps and events, one by one."""
    c = Controller()
    c.load(FLIGHT.image)
    rows, bits = [], []
    due = list(zip(made.event_tick.tolist(), made.event_cylinder.tolist(), strict=True))
    for tick in range(made.n):
        c.step(tick & 0xFFFF, *(int(columns[name][tick]) for name in INPUT_TYPES))
        rows.append({
            "height": c.height.good, "rest": c.lift.rest, "lift": c.lift.value, "entry": c.lift.entry,
            "progress": c.progress.value, "demand": c.reduction.demand, "latched": c.reduction.output,
            "state": c.reduction.state, "hold_left": c.reduction.hold_left,
            "retard_demand": c.retard.demand, "retard_latched": c.retard.output,
            "retard_state": c.retard.state, "reduction": c.command.reduction,
            "retard": c.command.retard, "reason": c.command.reason, "askers": c.command.askers,
            "faults": c.faults, "out_of_sight_ticks": c.out_of_sight_ticks, "elapsed_ms": c.elapsed_ms,
            "launched": c.launched,
        })  # fmt: skip
        while due and due[0][0] == tick:
            bits.append(c.event(due.pop(0)[1]))
    return rows, bits


def test_outputs_are_those_of_the_controller() -> None:
    columns = flight()
    made = run("reference", FLIGHT.image, columns)
    rows, bits = by_hand(columns, made)
    assert set(made.ticks) == set(OUTPUT_TYPES) == set(rows[0])
    for name, column in made.ticks.items():
        assert column.tolist() == [row[name] for row in rows], name
        assert column.dtype == OUTPUT_TYPES[name]
    assert made.event_bits.tolist() == bits
    assert 0 < sum(bit != 0 for bit in bits) < len(bits)


def test_tick_numbers_wrap_without_an_error() -> None:
    made = run("reference", compiled().image, inputs(66000))
    assert not (made.ticks["faults"] & 256).any()


def test_progress_is_told() -> None:
    told: list[float] = []
    run("reference", compiled().image, inputs(20000), told.append)
    assert told == sorted(told)
    assert len(told) > 1
    assert told[-1] == 1.0


def test_no_ticks() -> None:
    made = Reference(compiled().image).run(inputs(0), 0, events=True)
    assert {len(column) for column in made.values()} == {0}


def test_the_c_core_gives_the_same() -> None:
    need_core()
    reference, core = (run(name, FLIGHT.image, flight(20000)) for name in ("reference", "c"))
    for name in OUTPUT_TYPES:
        assert np.array_equal(reference.ticks[name], core.ticks[name]), name
    assert np.array_equal(reference.event_tick, core.event_tick)
    assert np.array_equal(reference.event_cylinder, core.event_cylinder)
    assert np.array_equal(reference.event_bits, core.event_bits)
    assert core.core == "c"


def test_a_core_that_is_not_there_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(binding, "available", lambda: "the C core is not built")
    with pytest.raises(UserError, match="--core c: the C core is not built; or use --core reference"):
        make_core("c", compiled().image)


def test_an_image_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="image refused"):
        Reference(compiled().image[:-1])
