"""Where the inputs of the steps come from."""

from __future__ import annotations

from typing import Protocol

from bench.link.protocol import Records, StepAnswer


class StepSource(Protocol):
    """Gives the inputs of a run, a few ticks at a time; a recorded trace, or a model that drives along.

    `next` is called for more ticks than before are known of; `learn` once for each answer, in order.
    """

    def next(self, most: int) -> Records | None:
        """INPUT records of the next ticks, at most `most`; none at all at the end of the run; None while they
        depend on answers to ticks already given."""

    def learn(self, stepped: StepAnswer) -> None:
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

    def learn(self, stepped: StepAnswer) -> None:
        """A trace takes no notice."""
