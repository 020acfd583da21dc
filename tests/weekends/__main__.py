"""python -m tests.weekends [COUNT [RUNS [FIRST SEED]]]: how many ranges hold, and how many steps break a
limit."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from bench.book.predictions import FIGURES
from tests.weekends.weekend import Weekend, held, weekend


def _main(count: int, runs: int, first: int) -> None:
    whole = Weekend()
    for seed in range(first, first + count):
        with tempfile.TemporaryDirectory() as folder:
            one = weekend(Path(folder), seed, runs)
        whole.scored += one.scored
        whole.codes += one.codes
        whole.driven += one.driven
        whole.broken += one.broken
        print(f"weekend {seed}: {held(one.scored):.2f} of {len(one.scored)}; {one.broken}", flush=True)
    for figure in FIGURES:
        mine = [row for row in whole.scored if row["figure"] == figure]
        print(f"{figure}: {held(mine):.2f} of {len(mine)} ranges of 80 % held")
    print(f"all: {held(whole.scored):.2f} of {len(whole.scored)}")
    print(f"{len(whole.broken)} of {whole.driven} steps broke a limit; no prediction {whole.codes.count(1)}")


_main(*(int(word) for word in (*sys.argv[1:], *("8", "5", "100")[len(sys.argv) - 1 :])))
