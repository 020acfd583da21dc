"""python -m tests.weekends [COUNT [RUNS [FIRST SEED [ours|outside]]]]: how many ranges hold, and how many
steps break a limit, each with the 95 % interval of its share."""

from __future__ import annotations

import sys
import tempfile
from dataclasses import fields
from pathlib import Path

from scipy.stats import binomtest

from bench.book.predictions import FIGURES
from tests.weekends.weekend import Weekend, weekend


def _share(many: int, of: int) -> str:
    """So many of so many, with the interval of C. J. Clopper and E. S. Pearson (Biometrika 26, 1934)."""
    if not of:
        return "none"
    low, high = binomtest(many, of).proportion_ci(0.95)
    return f"{many} of {of} ({100 * low:.0f} to {100 * high:.0f} %)"


def _main(count: int, runs: int, first: int, whose: str) -> None:
    whole = Weekend()
    for seed in range(first, first + count):
        with tempfile.TemporaryDirectory() as folder:
            one = weekend(Path(folder), seed, runs, "outside" if whose == "outside" else "ours")
        for part in fields(Weekend):
            setattr(whole, part.name, getattr(whole, part.name) + getattr(one, part.name))
        held = _share(sum(row["held"] for row in one.scored), len(one.scored))
        longest = max(one.took_s)
        print(f"weekend {seed}: held {held}; codes {one.codes}; {longest:.0f} s; {one.broken}", flush=True)
    for figure in (*FIGURES, ""):
        mine = [row for row in whole.scored if figure in ("", row["figure"])]
        told = _share(sum(row["held"] for row in mine), len(mine))
        print(f"{figure or 'all'}: ranges of 80 % that held: {told}")
    print(f"steps that broke a limit: {_share(len(whole.broken), whole.driven)}")
    print(f"no prediction after {_share(whole.codes.count(1), len(whole.codes))} runs")


words = sys.argv[1:]
count, runs, first = (int(word) for word in (*words, *("8", "5", "100")[len(words) :])[:3])
_main(count, runs, first, words[3] if len(words) > 3 else "ours")
