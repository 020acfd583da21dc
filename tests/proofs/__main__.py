"""Proves everything and prints it: `python -m tests.proofs`; exit code 1 when a claim is open.

With `--long` every planted fault must be found as well, and the translation of the C core is compared
with the compiled core in many more cases. `python -m tests.proofs NAME ...` proves the claims named.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable
from typing import Any, NamedTuple

from rich.console import Console

from bench.console import make_console, make_table, print_table
from firmware_model import binding
from tests.proofs import claims, faults, symbolic
from tests.proofs.bounds import UNITS, prove_bounds
from tests.proofs.core import Core
from tests.proofs.enumerated import engine_share
from tests.proofs.reference import Reference
from tests.proofs.symbolic import LIMIT, NotProved
from tests.proofs.translated import differences, seeds

SHOWN = 12  # of the largest bounds
CASES = 60  # of the translation, with --long


class Row(NamedTuple):
    """What is claimed, and what proves it: a function that gives the figure, or raises NotProved."""

    text: str
    rules: str
    domain: str
    method: str
    prove: Callable[[], str]


def _claim(name: str, codes: tuple[Any, ...]) -> str:
    done = [claims.run_claim(name, to) for to in codes]
    return f"{' + '.join(str(one.paths) for one in done)} paths, {sum(one.queries for one in done)} questions"


def _bounds(to: Any, found: dict[Any, int]) -> str:
    bounds, paths, queries = prove_bounds(to)
    found.update(bounds)
    left = to.left_out(bounds)
    if left:
        raise NotProved(f"operations without a bound: {'; '.join(left)}")
    return f"{to.operations()} operations in {len(UNITS)} units, {paths} paths, {queries} questions"


def _share() -> str:
    worst = engine_share()
    if worst.events >= 4:
        raise NotProved(f"off by {worst.events} events")
    at = f"{worst.cylinders} cylinders, r = {worst.reduction}"
    return f"{worst.events} events at worst ({at}); {worst.cases} cases"


def _faults(to: type, planted: tuple[faults.Fault, ...]) -> str:
    for fault in planted:
        if faults.found(fault.proof, to((fault.module, fault.text, fault.other))) is None:
            raise NotProved(f"{fault.proof} does not find {fault.other!r} in {fault.module}")
    return f"{len(planted)} faults, all found"


def _in_reference() -> str:
    return _faults(Reference, faults.IN_REFERENCE)


def _in_core() -> str:
    return _faults(Core, faults.IN_CORE)


def _ranges() -> str:
    to = Reference()
    for fault in faults.RANGES:
        with faults.wider(fault):
            if faults.found(fault.proof, to) is None:
                raise NotProved(f"{fault.proof} does not find {fault.field} up to {fault.greatest}")
    return f"{len(faults.RANGES)} ranges, all found"


def _translation() -> str:
    ticks = sum(differences(seed) for seed in seeds(CASES))
    return f"{CASES} cases, {ticks} ticks, equal"


def _rows(codes: tuple[Any, ...], found: dict[str, dict[Any, int]]) -> list[Row]:
    rows = []
    for name, one in claims.CLAIMS.items():
        alone = name in claims.OF_THE_REFERENCE
        what, of = ("reference", codes[:1]) if alone else ("reference and C core", codes)
        rules = " ".join(one.rules)
        rows.append(Row(one.text, rules, one.domain, what, lambda name=name, of=of: _claim(name, of)))
    text = "no intermediate reaches 2^30, no divisor is 0, no place is outside an array, invariants hold"
    domain = "any accepted calibration, any inputs, any reachable state"
    for to in codes:
        bounds = found.setdefault(to.name, {})
        rows.append(Row(text, "T1", domain, to.name, lambda to=to, bounds=bounds: _bounds(to, bounds)))
    text = "over any events in a row the engine's skipped count is within 4 of its share"
    domain = "1 to 12 cylinders, every r, any history, from the second cycle on"
    rows.append(Row(text, "C2", domain, "every case", _share))
    return rows


def _long_rows() -> list[Row]:
    return [
        Row("a fault is found", "", "faults.toml", "reference", _in_reference),
        Row("a fault is found", "", "faults.toml", "C core", _in_core),
        Row("a wider range of a field is found", "", "faults.toml", "reference", _ranges),
        Row("the translation equals the compiled core", "", "random cases", "C core", _translation),
    ]


def _print_largest(console: Console, codes: tuple[Reference, Core], found: dict[str, dict[Any, int]]) -> None:
    for to in codes:
        if found.get(to.name):
            largest = make_table(("bound", True), ("of 2^30", True), ("intermediate", False))
            for place, size in sorted(found[to.name].items(), key=lambda item: -item[1])[:SHOWN]:
                largest.add_row(str(size), f"{size / LIMIT:.4f}", to.where(place))
            print_table(console, f"Largest intermediates of the {to.name}", largest)


def main(arguments: list[str]) -> int:
    """Prints claims and figures; the last line says how many are open."""
    named = [one for one in arguments if one != "--long"]
    console = make_console()
    unknown = [name for name in named if name not in claims.CLAIMS]
    if unknown:
        console.print(f"no claim is called {unknown[0]}; there are: {' '.join(claims.CLAIMS)}")
        return 2
    lacking = "gcc is not here; run: apt-get install gcc libc6-dev" if shutil.which("gcc") is None else None
    if "--long" in arguments:
        lacking = lacking or binding.available()
    if lacking:
        console.print(lacking, markup=False)
        return 2
    codes = (Reference(), Core())
    found: dict[str, dict[Any, int]] = {}
    rows = _rows(codes, found)
    if named:
        rows = [row for row in rows if row.text in {claims.CLAIMS[name].text for name in named}]
    elif "--long" in arguments:
        rows += _long_rows()
    table = make_table(
        ("claim", False), ("rule", False), ("for", False), ("of", False), ("result", False), ("s", True)
    )
    open_ones = done = 0
    stopped = False
    for row in rows:
        begun = time.monotonic()
        try:
            result = row.prove()
        except KeyboardInterrupt:
            stopped = True
            break
        except (NotProved, RuntimeError, NameError) as wrong:
            result = f"OPEN: {wrong}"
            open_ones += 1
            symbolic.end()
        done += 1
        table.add_row(row.text, row.rules, row.domain, row.method, result, f"{time.monotonic() - begun:.1f}")
    print_table(console, "Claims", table)
    _print_largest(console, codes, found)
    console.print(f"{done - open_ones} claims proved, {open_ones} open")
    if stopped:
        console.print(f"stopped: {len(rows) - done} claims were not tried")
        return 130
    return 1 if open_ones else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
