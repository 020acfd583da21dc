"""What counts as equal for a controller of other make: outputs chosen, tolerances, lag."""

from __future__ import annotations

import numpy as np
import pytest

from bench.errors import UserError
from bench.link.protocol import OUTPUT, Records, StepAnswer
from bench.verify.compare import Options, Step, plan
from bench.verify.judge import NAMES, Criterion, Difference, Judge, parse
from bench.verify.source import TraceSource
from tests.link_support import IMAGE, local, run_inputs


def steps(n: int = 900) -> list[tuple[Step, StepAnswer]]:
    """A run of the reference: each step and its right answer."""
    source = TraceSource(run_inputs(n))
    made = [step for step in plan(source, local(), 1024, Options(digest=False)) if step is not None]
    return [(step, StepAnswer.unpack(step.expected)) for step in made]


RUN = steps()
ALL = np.concatenate([right.outputs for _, right in RUN])


def judged(
    criterion: Criterion, outputs: Records, events: bytes | None = None
) -> tuple[Difference | None, int]:
    """The first difference of outputs (and events) given for the whole run, and the lag found."""
    judge = Judge(criterion, IMAGE)
    at = 0
    for step, right in RUN:
        told = right.events
        if events is not None:
            told, events = events[: len(told)], events[len(told) :]
        got = StepAnswer(right.request_crc, 0, 0, outputs[at : at + len(right.outputs)], told)
        at += len(right.outputs)
        found = judge.take(step, right, got)
        if found is not None:
            return found, judge.lag
    return None, judge.lag


def late(ticks: int) -> Records:
    moved = np.zeros(len(ALL), OUTPUT)
    moved[ticks:] = ALL[: len(ALL) - ticks]
    return moved


def test_only_what_was_asked_for_is_compared() -> None:
    other = ALL.copy()
    other["lift"] += 5
    assert judged(parse("reduction,retard", None, None, True), other)[0] is None
    found, _ = judged(parse("reduction,lift", None, None, True), other)
    assert found is not None
    assert [f.name for f in found.fields] == ["lift"]


@pytest.mark.parametrize("off", [1, 2, 3, -3])
def test_a_tolerance_is_kept_to_the_unit(off: int) -> None:
    other = ALL.copy()
    tick = int(np.flatnonzero(ALL["reduction"] > 10)[7])
    other["reduction"][tick] = int(other["reduction"][tick]) + off
    found, _ = judged(parse("reduction,retard", "reduction=2,retard=1", None, True), other)
    assert (found is None) == (abs(off) <= 2)
    if found is not None:
        assert (found.tick, found.fields[0].got - found.fields[0].expected) == (tick, off)


@pytest.mark.parametrize("ticks", range(6))
def test_the_lag_is_found(ticks: int) -> None:
    """The engine's events follow the reduction that was answered, whatever its lag."""
    criterion = parse("reduction,retard", None, "0:5", True)
    assert judged(criterion, late(ticks)) == (None, ticks)


def test_a_lag_that_is_not_allowed_or_not_the_same_all_along_is_a_difference() -> None:
    assert judged(parse("reduction", None, "0:5", True), late(6))[0] is not None
    assert judged(parse("reduction", None, "0:1", True), late(2))[0] is not None
    assert judged(parse("reduction", None, "3:5", True), late(2))[0] is not None
    drifting = late(1)
    drifting[600:] = late(3)[600:]
    found, lag = judged(parse("reduction", None, "0:5", True), drifting)
    assert found is not None
    assert found.tick >= 600
    assert lag in (1, 3)


def test_a_lag_is_not_found_where_the_outputs_are_wrong() -> None:
    other = late(2)
    tick = int(np.flatnonzero(other["reduction"] > 100)[30])
    other["reduction"][tick] -= 1
    found, lag = judged(parse("reduction", None, "0:5", True), other)
    assert found is not None
    assert (found.tick, lag) == (tick, 2)


def test_events_are_held_against_the_reference_or_the_reduction_that_was_answered() -> None:
    events = b"".join(right.events for _, right in RUN)
    wrong = bytearray(events)
    at = [i for i, event in enumerate(events) if event & 3][40]
    wrong[at] = 0
    for lag in (None, "0:1"):
        criterion = parse("reduction,events", None, lag, True)
        assert judged(criterion, ALL, events)[0] is None
        found, _ = judged(criterion, ALL, bytes(wrong))
        assert found is not None
        assert found.fields[0].name == "event"
    assert judged(parse("reduction,events", "events=1", None, True), ALL, bytes(wrong))[0] is None
    lower = ALL.copy()
    lower["reduction"] = np.maximum(lower["reduction"].astype(int) - 10, 0)
    found, _ = judged(parse("reduction,events", "reduction=10", None, True), lower, events)
    assert found is not None  # the reference's events are not those of the reduction that was answered
    assert found.fields[0].name == "event"


def test_words() -> None:
    plain = parse(None, None, None, True)
    assert plain.exact
    assert plain.compared() == "every output, event and state"
    assert plain.not_compared() == []
    assert parse(None, None, None, False).not_compared() == ["digest"]
    some = parse("reduction, events", "events=4", "0:2", True)
    assert some.compared() == "reduction, events within 4; 0 to 2 ticks late"
    assert some.not_compared() == [*(n for n in NAMES if n not in ("reduction", "events")), "digest"]


@pytest.mark.parametrize(
    ("outputs", "tolerance", "lag", "said"),
    [
        ("reduction,torque", None, None, "no output 'torque'"),
        ("", None, None, "no output ''"),
        (None, "reduction", None, "no tolerance 'reduction'"),
        (None, "reduction=-1", None, "no tolerance 'reduction=-1'"),
        (None, "reduction=1.5", None, "no tolerance"),
        ("retard", "reduction=1", None, "no tolerance 'reduction=1'"),
        (None, None, "5:0", "no lag '5:0'"),
        (None, None, "x", "no lag 'x'"),
        (None, None, "0:1001", "no lag"),
    ],
)
def test_what_is_none_is_one_clear_line(
    outputs: str | None, tolerance: str | None, lag: str | None, said: str
) -> None:
    with pytest.raises(UserError, match=said) as told:
        parse(outputs, tolerance, lag, True)
    assert "\n" not in str(told.value)
