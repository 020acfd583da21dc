"""A made-up case named by its id, looked at again: `liftlatch replay case:TICK:SEED:TICKS...`."""

from __future__ import annotations

import numpy as np

from bench.conformance.cases import Case
from bench.errors import UserError
from bench.verify.replay_id import print_around


def show(text: str, as_json: bool) -> None:
    """Print what the reference does around the tick of an id. Raises UserError for an id that is none."""
    kind, _, rest = text.partition(":")
    tick_text, _, name = rest.partition(":")
    try:
        tick, case = int(tick_text), Case.parse(name)
        if kind != "case" or tick < 0:
            raise ValueError(kind)
    except ValueError as error:
        right = "give one as `liftlatch verify` printed it"
        raise UserError("is no replay id", text, right) from error
    _, records = case.whole
    if tick >= len(records):
        raise UserError("the tick lies behind the end of the case", text, "check the id")
    time_s = tick * case.tick_us / 1e6
    print_around(text, f"case {case}", tick, time_s, records, np.asarray(case.right.outputs), as_json)
