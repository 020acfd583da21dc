"""A made-up case whose id is all that is needed to make it again."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from bench.calibration.image import Values, pack
from bench.errors import UserError
from bench.random import Random
from bench.twin.generate import Ints, make_inputs, make_values

_ID = re.compile(r"twin:(\d{1,18}):(\d{1,18}):(\d{1,9})")


@dataclass(frozen=True)
class Case:
    """The inputs of `ticks` ticks made from `seed`, for the calibration made from `calibration_seed`.

    `str()` gives its id, `twin:SEED:CALIBRATION_SEED:TICKS`; `Case.parse` makes the case again.
    """

    seed: int
    calibration_seed: int
    ticks: int

    @classmethod
    def parse(cls, text: str) -> Case:
        """The case of an id. Raises UserError for anything else."""
        found = _ID.fullmatch(text)
        if not found or int(found[3]) == 0:
            right = "give twin:SEED:CALIBRATION_SEED:TICKS, all whole numbers"
            raise UserError("is no replay id", repr(text), right)
        return cls(*(int(number) for number in found.groups()))

    def __str__(self) -> str:
        return f"twin:{self.seed}:{self.calibration_seed}:{self.ticks}"

    @cached_property
    def values(self) -> Values:
        """The calibration's values, by field of the image."""
        return make_values(Random(self.calibration_seed))

    @cached_property
    def image(self) -> bytes:
        """The calibration's image."""
        return pack(self.values)

    def inputs(self) -> dict[str, Ints]:
        """An array[ticks] for each of bench.replay.run.INPUT_TYPES and the tick numbers, `tick`."""
        return make_inputs(Random(self.seed), self.values, self.ticks)
