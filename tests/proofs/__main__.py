"""Proves everything and prints it: `python -m tests.proofs`; exit code 1 when a claim is open.

With `--long` every planted fault must be found as well, and the translation of the C core is compared
with the compiled core in many more cases. `python -m tests.proofs NAME ...` proves the claims named.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any

from bench.console import make_console, make_table, print_table
from tests.proofs import claims, faults, symbolic
from tests.proofs.bounds import UNITS, prove_bounds
from tests.proofs.core import Core
from tests.proofs.enumerated import engine_share
from tests.proofs.reference import Reference
from tests.proofs.symbolic import LIMIT, NotProved
from tests.proofs.translated import differences

SHOWN = 12  # of the largest bounds
CASES = 60  # of the translation, with --long

Row = tuple[str, str, str, str]  # claim, rules, domain, method


def _claim(name: str, to: Any) -> str:
    done = claims.run_claim(name, to)
    return f"{done.paths} paths, {done.queries} questions"


def _bounds(to: Any, found: dict[Any, int]) -> str:
    bounds, paths, queries = prove_bounds(to)
    found.update(bounds)
    left = to.left_out(bounds)
    if left:
        raise NotProved(f"operations without a bound: {'; '.join(left)}")
    most = max(bounds.values()) / LIMIT
    return f"{to.operations()} operations, at most {most:.4f} of 2^30; {paths} paths, {queries} questions"


def _share() -> str:
    worst = engine_share()
    if worst.events >= 4:
        raise NotProved(f"off by {worst.events} events")
    at = f"{worst.cylinders} cylinders, r = {worst.reduction}"
    return f"{worst.events} events at worst ({at}); {worst.cases} cases"


def _faults(to: type, list_of: tuple[faults.Fault, ...]) -> str:
    for fault in list_of:
        if faults.found(fault.proof, to((fault.module, fault.text, fault.other))) is None:
            raise NotProved(f"{fault.proof} does not find {fault.other!r} in {fault.module}")
    return f"{len(list_of)} faults, all found"


def _ranges() -> str:
    to = Reference()
    for fault in faults.RANGES:
        with faults.wider(fault):
            if faults.found(fault.proof, to) is None:
                raise NotProved(f"{fault.proof} does not find {fault.field} up to {fault.greatest}")
    return f"{len(faults.RANGES)} faults, all found"


def _translation() -> str:
    ticks = sum(differences(seed) for seed in range(CASES))
    return f"{CASES} cases, {ticks} ticks, equal"


def _all(
    reference: Reference, core: Core, long: bool, found: dict[str, dict[Any, int]]
) -> list[tuple[Row, Callable[[], str]]]:
    rows: list[tuple[Row, Callable[[], str]]] = []
    for to in (reference, core):
        for name, one in claims.CLAIMS.items():
            row = (one.text, " ".join(one.rules), one.domain, f"{to.name}, z3")
            rows.append((row, lambda name=name, to=to: _claim(name, to)))  # type: ignore[misc]
        text = "no intermediate reaches 2^30, no divisor is 0, no place outside an array; invariants are kept"
        row = (
            text,
            "T1",
            "any accepted calibration, any inputs, any reachable state",
            f"{to.name}, z3, {len(UNITS)} units",
        )
        rows.append((row, lambda to=to: _bounds(to, found.setdefault(to.name, {}))))  # type: ignore[misc]
    share = "over any events in a row the engine's skipped count is within 4 of its share"
    rows.append(
        (
            (share, "C2", "1 to 12 cylinders, every r, any history, from the second cycle on", "every case"),
            _share,
        )
    )
    if long:
        rows.append(
            (
                ("a fault put into the reference is found", "", "planted faults", "tests"),
                lambda: _faults(Reference, faults.IN_REFERENCE),
            )
        )
        rows.append(
            (
                ("a fault put into the C core is found", "", "planted faults", "tests"),
                lambda: _faults(Core, faults.IN_CORE),
            )
        )
        rows.append((("a wider range of a field is found", "", "planted faults", "tests"), _ranges))
        rows.append(
            (("the translated C core equals the compiled one", "", "random cases", "compared"), _translation)
        )
    return rows  # fmt: skip


def main(arguments: list[str]) -> int:
    """Prints claims and figures as they come; the last line says how many are open."""
    long = "--long" in arguments
    named = [one for one in arguments if one != "--long"]
    console = make_console()
    reference, core = Reference(), Core()
    found: dict[str, dict[Any, int]] = {}
    if named:
        unknown = [name for name in named if name not in claims.CLAIMS]
        if unknown:
            console.print(f"no claim is called {unknown[0]}; there are: {' '.join(claims.CLAIMS)}")
            return 2
        rows = [
            ((claims.CLAIMS[name].text, "", "", to.name), lambda name=name, to=to: _claim(name, to))
            for to in (reference, core)
            for name in named
        ]
    else:
        rows = _all(reference, core, long, found)
    table = make_table(
        ("claim", False), ("rule", False), ("for", False), ("method", False), ("result", False), ("s", True)
    )
    proved = open_ones = 0
    for (text, rules, domain, method), prove in rows:
        begun = time.monotonic()
        try:
            result = prove()
            proved += 1
        except NotProved as wrong:
            result = f"OPEN: {wrong}"
            open_ones += 1
            symbolic.end()
        table.add_row(text, rules, domain, method, result, f"{time.monotonic() - begun:.1f}")
    print_table(console, "Claims", table)
    for to in (reference, core):
        if found.get(to.name):
            largest = make_table(("bound", True), ("of 2^30", True), ("intermediate", False))
            for place, size in sorted(found[to.name].items(), key=lambda item: -item[1])[:SHOWN]:
                largest.add_row(str(size), f"{size / LIMIT:.4f}", to.where(place))
            print_table(console, f"Largest intermediates of the {to.name}", largest)
    console.print(f"{proved} claims proved, {open_ones} open")
    return 1 if open_ones else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
