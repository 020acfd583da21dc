"""A difference made small still differs, and is small where one tick matters."""

from __future__ import annotations

import numpy as np

from bench.conformance.cases import Case
from bench.conformance.shrink import MOST_RUNS, shrink


def test_two_ticks_that_matter_are_what_is_left() -> None:
    """A device that differs at its 351st tick if it has seen the 37th."""
    asked = []

    def differs(case: Case) -> int | None:
        rows = np.concatenate([np.arange(first, end) for first, end in case.kept])
        asked.append(len(rows))
        return int(np.flatnonzero(rows == 350)[0]) if 36 in rows and 350 in rows else None

    small = shrink(Case(5, 400), 350, differs, most=200)
    assert differs(small) is not None
    assert sum(end - first for first, end in small.kept) <= 16
    assert asked == [n for n in asked if n <= 351]


def test_no_more_runs_are_made_than_allowed() -> None:
    runs = 0

    def differs(case: Case) -> int | None:
        nonlocal runs
        runs += 1
        return None

    small = shrink(Case(5, 400), 399, differs)
    assert runs <= MOST_RUNS
    assert small.kept == ((0, 400),)


def test_a_difference_at_the_end_keeps_all_ticks_before_it() -> None:
    """The tick may lie in the end at rest, behind the case's own ticks."""
    assert shrink(Case(5, 400), 430, lambda case: None, most=1).kept == ((0, 400),)
