"""What is proved by looking at every case: the whole engine's share of skipped events (C2).

Reckoned here with numpy, from the formula that `claims.events_event` proves of the real code: cylinder k of n
skips when floor((I + 1000 k) / (1000 n)) has moved since its own last event, I the sum of the reductions.

Why the cases below are all cases. Events come in firing order. From the second cycle at a constant r on, the
last event of the cylinder that is j places before the latest one p was j events ago, when the sum was
I - r j. So the number of skipped events since some beginning is, but for a constant,

    F(I, p) = sum over j = 0..n-1 of floor((I - r j + 1000 ((p - j) mod n)) / (1000 n)),

and in a window of events from (I, p) to (I', p') it is F(I', p') - F(I, p); its share is (I' - I) / 1000. The
difference of the two is D(I', p') - D(I, p) with D(I, p) = F(I, p) - I / 1000. D does not change when I
grows by 1000 n (each of n floors grows by 1), so 1000 n values of I are all. Between the places where one
of the floors moves D only falls, so its greatest values are at those places and its least just before
them: n of each for every p. Whatever the window and the history, the count is off by no more than
greatest - least.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from controller.constants import CYLINDERS, FULL


class Worst(NamedTuple):
    """How far the count can be off, in events; with how many cylinders, at which reduction; cases."""

    events: float
    cylinders: int
    reduction: int
    cases: int


def engine_share(spread: bool = True) -> Worst:
    """The worst of every number of cylinders, every reduction, place and sum.

    Without `spread` cylinders have no part of the integral of their own: what the tests know to be wrong.
    """
    worst, cases = Worst(0.0, 0, 0, 0), 0
    reduction = np.arange(FULL + 1)[:, None, None]
    for n in range(1, CYLINDERS + 1):
        cycle = FULL * n
        back = np.arange(n)
        greatest = np.full(FULL + 1, np.iinfo(np.int64).min)
        least = np.full(FULL + 1, np.iinfo(np.int64).max)
        for place in range(n):
            own = FULL * ((place - back) % n) if spread else 0 * back
            moves = (reduction[:, :, 0] * back - own) % cycle
            for total in (moves, moves - 1):
                floors = (total[:, :, None] - reduction * back + own) // cycle
                off = FULL * floors.sum(axis=-1) - total
                greatest = np.maximum(greatest, off.max(axis=1))
                least = np.minimum(least, off.min(axis=1))
                cases += off.size
        at = int((greatest - least).argmax())
        size = int(greatest[at] - least[at])
        if size / FULL > worst.events:
            worst = Worst(size / FULL, n, at, 0)
    return worst._replace(cases=cases)
