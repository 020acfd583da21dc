"""The tools of the proofs allow what Python's integers do, go every way, and do not prove what is false."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import pytest
import z3

from tests.proofs.symbolic import (
    Array,
    NotProved,
    Session,
    every,
    greatest_of,
    implies,
    least_of,
    nonnegative_product,
    relate,
    session,
)

SMALL = range(-3, 4)

OPERATIONS: dict[str, Callable[[Any, Any], Any]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "x y + y": lambda x, y: x * y + y,
    "(x - y) (x + 2)": lambda x, y: (x - y) * (x + 2),
    "x // 3": lambda x, y: x // 3,
    "x % 3": lambda x, y: x % 3,
    "(x + y) >> 1": lambda x, y: (x + y) >> 1,
    "x << 2": lambda x, y: x << 2,
    "x & 3": lambda x, y: x & 3,
    "x // (y + 4)": lambda x, y: x // (y + 4),
    "x % (y + 4)": lambda x, y: x % (y + 4),
    "(x + 3) & (y + 3)": lambda x, y: (x + 3) & (y + 3),
    "(x + 3) | (y + 3)": lambda x, y: (x + 3) | (y + 3),
    "(x + 3) & ~y": lambda x, y: (x + 3) & ~y,
    "abs": lambda x, y: abs(x - y),
    "- x": lambda x, y: -x,
    "min": lambda x, y: least_of(x, y, 1) if not isinstance(x, int) else min(x, y, 1),
    "max": lambda x, y: greatest_of(x, y) if not isinstance(x, int) else max(x, y),
    "branches": lambda x, y: x * y if x > y else (x + y if x != 0 else y - y + 7),
}


@pytest.mark.parametrize("name", OPERATIONS)
def test_what_python_gives_is_never_excluded(name: str) -> None:
    """For all small x and y z3 finds Python's result possible on the way that x and y go, and bounds hold."""
    operation = OPERATIONS[name]
    expected = {(x, y): operation(x, y) for x in SMALL for y in SMALL}
    seen = set()

    def body() -> None:
        now = session()
        x, y = now.integer("x", SMALL[0], SMALL[-1]), now.integer("y", SMALL[0], SMALL[-1])
        result = operation(x, y)
        for (a, b), value in expected.items():
            now.solver.push()
            now.solver.add(x.term == a, y.term == b)
            if now.solver.check() == z3.sat:  # this way
                now.solver.add(result.term == value)
                if now.solver.check() == z3.sat and result.least <= value <= result.greatest:
                    seen.add((a, b))
            now.solver.pop()

    Session().run(body)
    assert seen == expected.keys()


def test_the_facts_of_products_hold_for_all_small_integers() -> None:
    """What `relate` and `nonnegative_product` tell z3, checked by z3's own multiplication."""

    def body() -> None:
        now = session()
        x, y = now.integer("x", -5, 4), now.integer("y", -2, 6)
        now.solver.push()
        relate(x, y)
        facts = z3.And(*now.solver.assertions(), nonnegative_product(x - 1, y + 1).term)
        now.solver.pop()
        for a in range(-5, 5):
            for b in range(-2, 7):
                true = {"x": a, "y": b, "x*y": a * b}
                held = z3.substitute(facts, *((z3.Int(n), z3.IntVal(v)) for n, v in true.items()))
                assert z3.is_true(z3.simplify(held)), (a, b)

    Session().run(body)


def test_every_way_is_gone_once() -> None:
    ways = []

    def body() -> None:
        x, y = session().integer("x", 0, 9), session().integer("y", 0, 9)
        way = "a" if x < 3 else ("b" if x + y > 12 else "c")
        ways.append(way + ("d" if x < 5 else "e"))

    assert Session().run(body) == 5
    assert sorted(ways) == ["ad", "bd", "be", "cd", "ce"]


def test_a_false_claim_is_not_proved_and_has_an_example() -> None:
    def body() -> None:
        x = session().integer("x", 0, 100)
        session().prove(implies(x > 50, x * 2 > 103), "twice")

    with pytest.raises(NotProved, match="twice: x=51"):
        Session().run(body)


def test_a_bound_is_found_and_one_too_large_is_refused() -> None:
    """3 x + 3 y is at most 3000 where x + y is at most 1000: more than the two bounds alone tell."""

    def body() -> None:
        x, y = session().integer("x", 0, 1000), session().integer("y", 0, 1000)
        session().assume(x + y <= 1000)
        x * 3 + y * 3

    found = Session(limit=6000, watch="test_symbolic")
    found.run(body)
    assert max(found.bounds.values()) == 3000

    with pytest.raises(NotProved, match=r"below the limit at test_symbolic\.py"):
        Session(limit=2999, watch="test_symbolic").run(body)


def test_no_division_by_what_may_be_zero() -> None:
    def body() -> None:
        session().integer("x", 0, 9) // session().integer("y", 0, 9)

    with pytest.raises(NotProved, match="divisor"):
        Session().run(body)


def test_places_stay_inside_an_array_and_axes_rise() -> None:
    def body() -> None:
        points = session().integer("points", 1, 4)
        axis = Array("axis", 4, 0, 100, points, True)
        at = session().integer("at", 0, 3)
        session().assume(at + 1 < points)
        session().prove(axis[at] < axis[at + 1], "rises")
        session().prove(every(axis[0] <= axis[at], axis[at] < 100), "between")
        axis[at + 2]

    with pytest.raises(NotProved, match="a place in axis"):
        Session().run(body)


def test_a_proof_from_what_cannot_be_is_refused() -> None:
    def body() -> None:
        x = session().integer("x", 0, 9)
        session().assume(x > 5)
        session().assume(x < 3)
        session().prove(x == 77, "anything")

    with pytest.raises(RuntimeError, match="nothing keeps what is assumed"):
        Session().run(body)


def test_a_run_that_depends_on_what_ran_before_is_refused() -> None:
    runs = []

    def body() -> None:
        x = session().integer("x", 0, 9)
        runs.append(1)
        if x > len(runs):
            x + 1

    with pytest.raises(RuntimeError, match="another question"):
        Session().run(body)
