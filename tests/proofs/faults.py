"""Faults in copies of the code: every proof must fail on those that it is there to find (faults.toml)."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from tests.proofs import bounds, claims, contracts, symbolic
from tests.proofs.symbolic import NotProved


class Fault(NamedTuple):
    """A claim or unit that must fail, and the change that makes it wrong."""

    proof: str
    module: str
    text: str
    other: str


class Wider(NamedTuple):
    """A unit that must fail when the image check accepts values of a field up to another one."""

    proof: str
    field: str
    greatest: int


_LISTED = tomllib.loads((Path(__file__).parent / "faults.toml").read_text(encoding="utf-8"))
IN_REFERENCE = tuple(Fault(**one) for one in _LISTED["reference"])
IN_CORE = tuple(Fault(**one) for one in _LISTED["core"])
RANGES = tuple(Wider(**one) for one in _LISTED["range"])


@contextmanager
def wider(fault: Wider) -> Iterator[None]:
    """Accepts more for a while."""
    before = contracts.FIELD[fault.field]
    contracts.FIELD[fault.field] = (before[0], before[1], fault.greatest)
    try:
        yield
    finally:
        contracts.FIELD[fault.field] = before


def found(proof: str, to: Any) -> str | None:
    """What a proof says against code with a fault, or None where it finds nothing."""
    try:
        if proof in claims.CLAIMS:
            claims.run_claim(proof, to)
        if proof in bounds.UNITS:
            bounds.prove_bounds(to, [proof])
    except NotProved as wrong:
        return str(wrong)
    finally:
        symbolic.end()
    return None
