"""The runs at a desk: one that the figures are of, and others that lie over it, aligned at their launch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.desk.words import on_page
from bench.document.blocks import Series
from bench.document.columns import Column
from bench.document.message import curve, thinned
from bench.errors import UserError
from bench.trace.text import shown

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.desk.source import Source

MOST_RUNS = 6
"""As many as can be told apart without colour."""


@dataclass(frozen=True)
class Laid:
    """A run at the desk; `number` never changes, whatever else comes and goes."""

    number: int
    name: str
    source: Source


class Runs:
    """All runs of one desk: there is always the chosen one."""

    def __init__(self, source: Source) -> None:
        self._runs = [Laid(1, shown(source.trace.path.name, 80), source)]
        self._last = 1
        self._chosen = 1

    @property
    def chosen(self) -> Laid:
        """The run that the figures are of."""
        return self._get(self._chosen)

    @property
    def others(self) -> tuple[Laid, ...]:
        """The runs that lie over the chosen one."""
        return tuple(one for one in self._runs if one.number != self._chosen)

    def show(self, source: Source) -> None:
        """Begin with this run alone."""
        self._runs = [self._new(source)]
        self._chosen = self._last

    def lay(self, source: Source) -> Laid:
        """Lay a run over those that are here. UserError where there is no room."""
        if len(self._runs) >= MOST_RUNS:
            raise UserError(f"{MOST_RUNS} runs lie over each other already", right="take one away first")
        self._runs.append(self._new(source))
        return self._runs[-1]

    def choose(self, number: object) -> None:
        """Make a run the one that the figures are of."""
        self._chosen = self._get(number).number

    def take_away(self, number: object) -> None:
        """Lay a run aside that is not the chosen one."""
        run = self._get(number)
        if run.number == self._chosen:
            raise UserError("the figures are of this run", run.name, "choose another one first")
        self._runs.remove(run)

    def facts(self) -> list[dict[str, Any]]:
        """What pages show of them."""
        return [
            {"number": one.number, "name": one.name, "chosen": one.number == self._chosen}
            for one in self._runs
        ]

    def _new(self, source: Source) -> Laid:
        self._last += 1
        name = shown(source.trace.path.name, 80)
        run = source.trace.run
        return Laid(self._last, f"{name}, pass {run}" if run else name, source)

    def _get(self, number: object) -> Laid:
        found = next((one for one in self._runs if one.number == number), None)
        if found is None or isinstance(number, bool):
            raise UserError("no such run", right="choose one that is here")
        return found


def laid_over(
    runs: tuple[Laid, ...], cal: CalibrationFile, from_s: float, until_s: float
) -> list[dict[str, Any]]:
    """Each run under a calibration, in seconds since its first launch from `from_s` to `until_s`: its lift
    and reduction as series of a strip, its lift over progress as a path; or why it is not drawn."""
    found: list[dict[str, Any]] = []
    for one in runs:
        said: dict[str, Any] = {"number": one.number, "name": one.name}
        try:
            found.append(said | _drawn(one, cal, from_s, until_s))
        except UserError as error:
            found.append(said | {"why_not": on_page(str(error))})
    return found


def _drawn(one: Laid, cal: CalibrationFile, from_s: float, until_s: float) -> dict[str, Any]:
    s = one.source.replay(cal)
    if not s.runs:
        raise UserError("no launch was found, so nothing aligns it with the others", one.name)
    launch, end = s.runs[0]
    first = max(0, launch + round(from_s / s.tick_s))
    stop = min(end, launch + round(until_s / s.tick_s))
    begin = round((first - launch) * s.tick_s, 6)
    columns = {
        name: Column(s.ticks[name][first:stop].astype(np.int32), per, unit, 1)
        for name, per, unit in (("lift", 16, "mm"), ("reduction", 10, "%"))
    }
    series = Series(columns, begin, s.tick_s)
    lift = s.ticks["lift"][launch:stop]
    kept = thinned(lift)
    return {
        "series": {name: curve(series, name) for name in columns},
        "path": {
            "p": np.round(s.ticks["progress"][launch:stop][kept] * cal.progress_step, 2).tolist(),
            "v": np.round(lift[kept] / 16, 1).tolist(),
        },
    }
