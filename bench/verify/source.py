"""Where the inputs of the steps come from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records, Stepped

if TYPE_CHECKING:
    from bench.replay.run import Ints


class StepSource(Protocol):
    """Gives the inputs of a run, a few ticks at a time; a recorded trace, or a model that drives along.

    `next` is called for more ticks than before are known of; `learn` once for each answer, in order.
    """

    def next(self, most: int) -> Records | None:
        """INPUT records of the next ticks, at most `most`; none at all at the end of the run; None while they
        depend on answers to ticks already given."""

    def learn(self, stepped: Stepped) -> None:
        """What the device made of the oldest ticks not answered before."""


class TraceSource:
    """A run that is known from the beginning: INPUT records[n]."""

    def __init__(self, inputs: Records) -> None:
        self.records = inputs
        self._given = 0

    def next(self, most: int) -> Records | None:
        some = self.records[self._given : self._given + most]
        self._given += len(some)
        return some

    def learn(self, stepped: Stepped) -> None:
        """A trace takes no notice."""


def to_records(inputs: dict[str, Ints], cylinders: int, tick_us: int) -> Records:
    """INPUT records[n] from an array[n] for each name of bench.replay.run.INPUT_TYPES.

    The cylinder events are those that the engine speed brings about, as in a replay. Raises ValueError where
    a tick has more than 255 of them.
    """
    from bench.replay.run import UNITS_PER_EVENT

    records = np.zeros(len(inputs["counts"]), INPUT)
    for name in (
        "counts",
        "speed",
        "engine",
        "shaft",
        "request_reduction",
        "request_retard",
        "request_reason",
    ):
        records[name] = inputs[name]
    switches = np.where(inputs["speed_valid"], SPEED_VALID, 0)
    switches |= np.where(inputs["armed"], ARMED, 0)
    switches |= np.where(inputs["launch"], LAUNCH, 0)
    records["switches"] = switches
    gathered = np.cumsum(inputs["engine"].astype(np.int64) * (cylinders * tick_us))
    due = np.diff(gathered // UNITS_PER_EVENT, prepend=0)
    if len(due) and due.max() > 255:
        raise ValueError("more than 255 cylinder events in a tick")
    records["events"] = due
    return records
