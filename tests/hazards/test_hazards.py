"""Every failure of the height sensor, its wiring or the arming input, at every phase of a launch.

`python -m tests.hazards` prints the whole table; tests/hazards/__init__.py tells how it is made.
"""

from __future__ import annotations

import pytest

import controller.step
from controller.constants import FAULT_OUT_OF_SIGHT, FAULT_SENSOR, REST
from controller.height import Height
from controller.lift import Lift
from tests.hazards import runs
from tests.hazards.cells import CELLS, FAILURES, promise
from tests.hazards.judge import judge
from tests.hazards.taken_out import VARIANTS, Variant
from tests.hazards.tally import RUNS, Tally, name_of, pinned, tally
from tests.support import launched, tick

pytestmark = pytest.mark.rule("H3", "H4", "H5", "H6", "H8", "H9", "H10", "H11", "L8")

FEW = 1  # runs of a cell without and with look-ahead; the first ones of the many

RECORDED = pinned()


def hold_to_promises(failure: str, phase: str, look_ahead: bool, result: Tally) -> None:
    name = name_of(failure, phase, look_ahead)
    assert not result.broken, f"{name}: {result.broken}"
    assert not RECORDED.grown(name, result)
    if promise(failure, phase):
        assert not result.back, (
            f"{name}: torque came back, promised by {promise(failure, phase)}: {result.told}"
        )


@pytest.mark.parametrize(("failure", "phase"), CELLS)
@pytest.mark.parametrize("look_ahead", [False, True], ids=["plain", "ahead"])
def test_torque_does_not_come_back(failure: str, phase: str, look_ahead: bool) -> None:
    hold_to_promises(failure, phase, look_ahead, tally(failure, phase, look_ahead, FEW))


@pytest.mark.slow
@pytest.mark.parametrize("failure", FAILURES)
@pytest.mark.parametrize("look_ahead", [False, True], ids=["plain", "ahead"])
def test_torque_does_not_come_back_in_many_runs(failure: str, look_ahead: bool) -> None:
    for phase in (phase for of, phase in CELLS if of == failure):
        hold_to_promises(failure, phase, look_ahead, tally(failure, phase, look_ahead, RUNS))


def test_the_record_holds_just_the_cells_that_nothing_promises() -> None:
    names = {name_of(*cell, look) for cell in CELLS if not promise(*cell) for look in (False, True)}
    assert set(RECORDED.back) == names
    runs_of = [*RECORDED.back.values(), *RECORDED.stays.values()]
    assert all(sorted(set(back)) == back and set(back) <= set(range(RUNS)) for back in runs_of)


def sees(variant: Variant) -> bool:
    """Whether the suite sees the variant in its cell, in at most 80 runs."""
    for number in range(40):
        for look_ahead in (False, True):
            name = name_of(variant.failure, variant.phase, look_ahead)
            verdict = judge(runs.make(variant.failure, variant.phase, look_ahead, number))
            if variant.says == "back":
                seen = verdict.back and number not in RECORDED.back.get(name, [])
            elif variant.says == "stays":
                seen = verdict.stays and number not in RECORDED.stays.get(name, [])
            else:
                seen = any(line.startswith(variant.says) for line in verdict.broken)
            if seen:
                return True
    return False


@pytest.mark.parametrize(
    "variant", VARIANTS, ids=[f"{v.rule}-{v.part.__name__}-{v.failure}-{v.phase}" for v in VARIANTS]
)
def test_a_rule_taken_out_is_seen(variant: Variant, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runs, "USES_CORE", False)
    if issubclass(variant.part, Height):
        monkeypatch.setattr(controller.step, "Height", variant.part)
    elif issubclass(variant.part, Lift):
        monkeypatch.setattr(controller.step, "Lift", variant.part)
    else:
        monkeypatch.setattr(runs, "Controller", variant.part)
    assert sees(variant)


def test_every_rule_of_the_suite_is_taken_out_once() -> None:
    assert {variant.rule for variant in VARIANTS} >= {"H3", "H4", "H5", "H6", "H8", "H10", "H11", "L8"}


def test_equal_names_give_equal_runs() -> None:
    first = runs.make("mostly_dead", "falling", True, 3)
    again = runs.make("mostly_dead", "falling", True, 3)
    other = runs.make("mostly_dead", "falling", True, 4)
    assert first.c.image == again.c.image
    assert (first.readings.counts == again.readings.counts).all()
    assert (first.out.reduction == again.out.reduction).all()
    assert first.c.image != other.c.image


def test_a_steady_disarm_ends_out_of_sight_and_comes_to_rest() -> None:
    made = launched(hold_ticks=50)
    height = 130.0
    while height < 480:
        tick(made, height)
        height += 1.5
    for _ in range(2500):  # less than the fault's hold, after which it is a fault (H5)
        tick(made, counts=4095)
    assert made.faults & FAULT_OUT_OF_SIGHT
    assert not made.faults & FAULT_SENSOR
    kept = made.reduction.output
    for _ in range(99):
        tick(made, counts=4095, armed=0)
        assert made.faults & FAULT_OUT_OF_SIGHT
        assert made.reduction.output == kept
    tick(made, counts=4095, armed=0)
    assert not made.faults & FAULT_OUT_OF_SIGHT
    for _ in range(60):
        tick(made, counts=4095, armed=0)
    assert made.reduction.state == REST
    assert made.command.reduction == 0
