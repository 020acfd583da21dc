"""python -m tests.weekends [COUNT [RUNS [FIRST SEED [ours|outside]]]]: how many ranges hold, and how many
steps break a limit.

Runs of one car are no independent ones: the interval of each share is from the cars drawn anew with
replacement (B. Efron, The Annals of Statistics 7, 1979)."""

from __future__ import annotations

import itertools
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from bench.book.predictions import FIGURES
from tests.weekends.weekend import Weekend, weekend


def _share(weekends: Sequence[Weekend], count: Callable[[Weekend], tuple[int, int]]) -> str:
    """So many of so many, with the share's 95 % interval."""
    table = np.array([count(one) for one in weekends])
    many, of = table.sum(axis=0)
    drawn = np.random.default_rng(1).integers(len(table), size=(4000, len(table)))
    sums = table[drawn].sum(axis=1)
    shares = 100 * sums[:, 0] / np.maximum(sums[:, 1], 1)
    low, high = np.percentile(shares, (2.5, 97.5))
    within = f" ({low:.0f} to {high:.0f})" if len(table) > 1 else ""
    return f"{many} of {of}, {100 * many / max(of, 1):.0f} %{within}"


def _held(figure: str, step: str = "") -> Callable[[Weekend], tuple[int, int]]:
    def count(one: Weekend) -> tuple[int, int]:
        mine = [off <= 1 for f, s, _, off in one.tried if figure in ("", f) and step in ("", s)]
        return sum(mine), len(mine)

    return count


def _main(count: int, runs: int, first: int, whose: str) -> None:
    done = []
    for seed in range(first, first + count):
        with tempfile.TemporaryDirectory() as folder:
            one = weekend(Path(folder), seed, runs, "outside" if whose == "outside" else "ours")
        done.append(one)
        by_figure = ", ".join(f"{figure} {_share([one], _held(figure))}" for figure in FIGURES)
        took = max(one.took_s)
        print(f"{seed}: {by_figure}; codes {one.codes}; {took:.0f} s; broken of {one.driven}: {one.broken}")
        sys.stdout.flush()
    for figure in (*FIGURES, ""):
        print(f"80 % ranges that held, {figure or 'all'}: {_share(done, _held(figure))}")
    for figure, fitted in itertools.product(FIGURES, (1, 2, 3)):
        off = [o for one in done for f, _, n, o in one.tried if (f, n) == (figure, fitted)]
        if off:
            wide = float(np.quantile(off, 0.8))
            print(f"80 % of {len(off)} were within {wide:.2f} of the range, {figure}, car fitted to {fitted}")
    for step in ("safer", "same", "faster"):
        print(f"80 % ranges that held, step {step}: {_share(done, _held('', step))}")
    scored = _share(done, lambda w: (sum(row["held"] for row in w.scored), len(w.scored)))
    print(f"of the runs of the weekends themselves: {scored}")
    print(
        f"steps said to keep the limits that broke one: {_share(done, lambda w: (len(w.broken), w.driven))}"
    )
    print(f"runs without a prediction: {_share(done, lambda w: (w.codes.count(1), len(w.codes)))}")


words = sys.argv[1:]
numbers = [*words[:3], *("8", "5", "100")[len(words) :]]
whose = words[3] if len(words) > 3 else "ours"
if not all(word.isdecimal() for word in numbers) or "0" in numbers[:2] or whose not in ("ours", "outside"):
    sys.exit(f"{' '.join(words)}: give COUNT RUNS FIRST SEED ours|outside, such as 8 5 100 ours")
count, runs, first = map(int, numbers)
_main(count, runs, first, whose)
