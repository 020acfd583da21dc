"""Chooses the conformance set: `python -m tests.mutation.choose`.

Of many made-up cases the next one is always that which finds most for what it costs on the line: a mutant
that no chosen case finds counts 1, one that a single case finds counts a tenth, so that the set does not
hang on one tick each. Cases are cut where cutting pays. Nothing is looked at but which mutants a case finds
at which tick. `--half SEED` chooses with half of the mutants, drawn from the seed, and tells what share of
the others is found: what may be expected of mutants that nobody has seen.
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import numpy as np
import numpy.typing as npt

from bench.conformance.cases import Case
from bench.conformance.chosen_set import SET, digest_of
from bench.conformance.cost import case_bytes, seconds
from bench.conformance.images import changed_images
from bench.files import write_whole
from tests.mutation.core_mutants import all_mutants
from tests.mutation.core_run import build, meet

TICKS = 400
LENGTHS = tuple(range(60, TICKS + 1, 20))
EASY = 6
"""A mutant that so many of the first cases all find is found by any set."""
FIRST = 12
SECOND = 0.1
HALF = 4.0
"""What a mutant counts that leaves out half of a condition: one that is not found is a branch never taken."""
NEVER = 1 << 30
BAUD, LARGEST, SECONDS = 115200, 512, 60.0
SPARE = 0.96
"""Of the time, for what a device and an adapter take."""

Ticks = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Pool:
    """Cases, mutants, and found[case, mutant]: the tick at which one finds the other, or NEVER."""

    cases: list[Case]
    mutants: list[int]
    found: Ticks


def make_pool(program: Path, seeds: int, more: int) -> Pool:
    """Cases of the seeds from 1 on that come to rest, and what they find of all mutants that are not easy;
    then `more` seeds, and what their cases find of the mutants that at most one case has found so far."""
    cases = [case for case in (Case(seed, TICKS) for seed in range(1, seeds + 1)) if case.rests]
    numbers = [mutant.number for mutant in all_mutants()[1]]
    first = _matrix(program, cases[:FIRST], numbers)
    hard = (first < NEVER).sum(axis=0) < EASY
    mutants = [number for number, is_hard in zip(numbers, hard, strict=True) if is_hard]
    click.echo(f"{len(cases)} cases; {len(numbers)} mutants, {len(mutants)} of them not easy", err=True)
    rest = _matrix(program, cases[FIRST:], mutants)
    found = np.concatenate((first[:, hard], rest))
    return add_to(Pool(cases, mutants, found), program, range(seeds + 1, seeds + more + 1))


def add_to(pool: Pool, program: Path, seeds: Sequence[int]) -> Pool:
    """The pool with the cases of more seeds, held against the mutants that at most one case has found."""
    cases = [case for case in (Case(seed, TICKS) for seed in seeds) if case.rests]
    rare = (pool.found < NEVER).sum(axis=0) <= 1
    found = np.full((len(cases), len(pool.mutants)), NEVER, dtype=np.int64)
    numbers = [number for number, is_rare in zip(pool.mutants, rare, strict=True) if is_rare]
    if cases:
        found[:, rare] = _matrix(program, cases, numbers)
    return Pool([*pool.cases, *cases], pool.mutants, np.concatenate((pool.found, found)))


def _matrix(program: Path, cases: Sequence[Case], mutants: Sequence[int]) -> Ticks:
    table = np.full((len(cases), len(mutants)), NEVER, dtype=np.int64)
    found = meet(program, cases, [], mutants, mode="all")
    for column, number in enumerate(mutants):
        for one in found[number]:
            table[int(one.where), column] = one.place
    return table


def choose(pool: Pool, use: npt.NDArray[np.bool_], most_bytes: float) -> list[Case]:
    """The cases, cut, whose bytes together are no more than that; only the mutants in `use` are looked at."""
    found = pool.found[:, use]
    times = np.zeros(found.shape[1], dtype=np.int64)
    halves = {mutant.number for mutant in all_mutants()[1] if mutant.kind == "logic"}
    weight = np.array([HALF if number in halves else 1.0 for number in np.array(pool.mutants)[use].tolist()])
    lengths = np.array(LENGTHS)
    whole = np.array([case_bytes(case, LARGEST) for case in pool.cases], dtype=float)
    costs = 2000 + np.outer(whole, lengths / TICKS)  # an image costs about as much, however short its case
    chosen: list[Case] = []
    spent = 0.0
    left = np.ones(len(pool.cases), dtype=bool)
    while True:
        worth = np.where(times == 0, weight, np.where(times == 1, SECOND, 0.0))
        best, best_value = (-1, -1), 0.0
        for i in np.flatnonzero(left):
            gains = np.array([worth[found[i] < length].sum() for length in lengths])
            values = gains / costs[i]
            at = int(values.argmax())
            if values[at] > best_value:
                best, best_value = (int(i), at), float(values[at])
        if best[0] < 0:
            return chosen
        left[best[0]] = False
        case = Case(pool.cases[best[0]].seed, LENGTHS[best[1]])
        cost = case_bytes(case, LARGEST)
        if not case.rests or spent + cost > most_bytes:
            if spent + 3000 > most_bytes:
                return chosen
            continue
        chosen.append(case)
        spent += cost
        times += found[best[0]] < LENGTHS[best[1]]


def text_of(cases: Sequence[Case], version: int) -> str:
    """set.toml."""
    rows = "".join(f"    [{case.seed}, {case.ticks}],\n" for case in cases)
    return (
        "# The conformance set, written by `python -m tests.mutation.choose`: seed and ticks of each case,\n"
        "# and the SHA-256 of all that follows from them (chosen_set.digest_of). `python -m tests.mutation\n"
        "# --conformance --write` writes how many mutants of the core there are, and how many it finds.\n"
        f'version = {version}\ndigest = "{digest_of(cases)}"\nmutants = 0\nfound = 0\ncases = [\n{rows}]\n'
    )


@click.command()
@click.option(
    "--seeds", type=click.IntRange(FIRST), default=190, show_default=True, help="Cases to choose from."
)
@click.option("--more", type=click.IntRange(0), default=230, show_default=True, help="And for rare ones.")
@click.option(
    "--half", type=int, help="Choose with half of the mutants, drawn from this seed; write nothing."
)
@click.option("--version", type=click.IntRange(1), default=1, show_default=True, help="Version of the set.")
@click.option(
    "--keep", type=click.Path(path_type=Path), help="Keep here what each case finds, or take it from here."
)
def main(seeds: int, more: int, half: int | None, version: int, keep: Path | None) -> None:
    """Choose the cases, and write them to the set."""
    with TemporaryDirectory() as place:
        program = build(Path(place), "-O2")
        pool = _kept(program, seeds, more, keep)
        images = changed_images(pool.cases[0])
        spare = SPARE * SECONDS - seconds([], [image.bytes for image in images], BAUD, LARGEST)
        most_bytes = spare * BAUD / 10
        use = np.ones(len(pool.mutants), dtype=bool)
        if half is not None:
            use = np.array([random.Random(f"{half} {number}").random() < 0.5 for number in pool.mutants])
        cases = choose(pool, use, most_bytes)
        if half is not None:
            numbers = [
                m.number for m in all_mutants()[1] if random.Random(f"{half} {m.number}").random() >= 0.5
            ]
            found = meet(program, cases, images, numbers)
            share = sum(bool(where) for where in found.values()) / len(numbers)
            click.echo(f"{len(cases)} cases find {100 * share:.2f} % of {len(numbers)} mutants not chosen by")
            sys.exit(0)
    write_whole(SET, text_of(cases, version).encode())
    took = seconds(cases, [image.bytes for image in images], BAUD, LARGEST)
    click.echo(
        f"{len(cases)} cases, {sum(len(case.whole[0]) for case in cases)} ticks, {took:.1f} s at {BAUD} baud"
    )


def _kept(program: Path, seeds: int, more: int, keep: Path | None) -> Pool:
    if keep is not None and keep.exists():
        read = json.loads(keep.read_text())
        return Pool([Case(seed, TICKS) for seed in read["seeds"]], read["mutants"], np.array(read["found"]))
    pool = make_pool(program, seeds, more)
    if keep is not None:
        made = {
            "seeds": [case.seed for case in pool.cases],
            "mutants": pool.mutants,
            "found": pool.found.tolist(),
        }
        keep.write_text(json.dumps(made))
    return pool


if __name__ == "__main__":
    main()
