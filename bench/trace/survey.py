"""Every column of a file, whatever can be done with it: what it holds, and the signal it would be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bench.errors import UserError
from bench.trace import naming
from bench.trace.cells import Clocks, Numbers, Words
from bench.trace.choice import (
    SHOWS,
    Chosen,
    ColumnChoice,
    HeaderColumn,
    candidates_of,
    choose_each,
    refuse_bare,
)
from bench.trace.csv import Job, Opened, read_job
from bench.trace.layout import Layout
from bench.trace.model import Floats
from bench.trace.roles import HEIGHT, LAUNCH, LOGGED_REDUCTION, ROLE_UNITS, SPEED, TIME, USUAL_UNITS, name_of
from bench.trace.source import Progress
from bench.units import parse_unit

_MOST_WORDS = 1000
_QUARTERS = 4


@dataclass
class ColumnFacts:
    """What a whole column holds. `least` and `greatest` are numbers, or None for text; `samples` three cells
    from its beginning, middle and end; `changes` how often it differs from the row before; `odd` cells are no
    numbers among numbers."""

    column: HeaderColumn
    kind: str = "empty"
    rows: int = 0
    empty: int = 0
    odd: int = 0
    least: float | None = None
    greatest: float | None = None
    changes: int = 0
    samples: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Verdict:
    """The signal that a column would be, "" for none, and why or why not."""

    role: str
    why: str


@dataclass(frozen=True)
class Plan:
    """What each signal would be read from, and what stands in the way of reading the file."""

    chosen: Mapping[str, Chosen]
    missing: list[str]
    suggested: Mapping[str, tuple[HeaderColumn, str | None]]
    verdicts: Mapping[int, list[Verdict]]


class _Loose(Numbers):
    """Numbers, with what is none counted and passed over."""

    def __init__(self, mark: str) -> None:
        super().__init__(mark)
        self.odd = 0

    def cell(self, text: str) -> float:
        try:
            return super().cell(text)
        except ValueError:
            self.odd += 1
            return math.nan


class _Texts(Words):
    """Texts as the number of each, in the order in which they come; those after the thousandth as one."""

    def __init__(self, mark: str) -> None:
        super().__init__(mark, {})
        self.texts: list[str] = []

    def cell(self, text: str) -> float:
        word = text.strip()
        if not word:
            return math.nan
        if word not in self.table and len(self.texts) < _MOST_WORDS:
            self.table[word] = len(self.texts)
            self.texts.append(word)
        return float(self.table.get(word, _MOST_WORDS))


class _Tally:
    """Takes in the blocks of a column."""

    def __init__(self) -> None:
        self.rows = self.empty = self.changes = 0
        self.least, self.greatest = math.inf, -math.inf
        self.some: list[float] = []
        self._last: float | None = None

    def add(self, block: Floats) -> None:
        """The next block."""
        known = block[np.isfinite(block)]
        self.rows += len(block)
        self.empty += len(block) - len(known)
        if len(known) == 0:
            return
        self.least = min(self.least, float(known.min()))
        self.greatest = max(self.greatest, float(known.max()))
        self.changes += int(np.count_nonzero(np.diff(known)))
        self.changes += int(self._last is not None and self._last != known[0])
        self._last = float(known[-1])
        at = np.linspace(0, len(known) - 1, _QUARTERS + 1).astype(int)
        self.some += known[at].tolist()


def survey(opened: Opened, progress: Progress | None = None) -> list[ColumnFacts]:
    """What each column of a CSV file holds. Raises UserError only for what no reader can take."""
    dialect = opened.dialect
    numbers = {str(column.number): column.number for column in dialect.columns}

    def job() -> Job[_Tally]:
        cells = {str(c.number): _cells_of(c, dialect.decimal) for c in dialect.columns}
        return Job(opened, numbers, cells, {key: _Tally() for key in numbers}, progress)

    done = read_job(job)
    return [_facts(column, done) for column in dialect.columns]


def _cells_of(column: HeaderColumn, mark: str) -> Numbers:
    kind = column.sample.kind if column.sample else "empty"
    return {"text": _Texts, "clock": Clocks}.get(kind, _Loose)(mark)


def _facts(column: HeaderColumn, done: Job[_Tally]) -> ColumnFacts:
    key = str(column.number)
    tally, cells = done.parts[key], done.cells[key]
    facts = ColumnFacts(column, "empty", tally.rows, tally.empty)
    if not tally.some:
        return facts
    facts.changes = tally.changes
    some = [tally.some[0], tally.some[len(tally.some) // 2], tally.some[-1]]
    if isinstance(cells, _Texts):
        facts.kind = "text"
        facts.samples = [cells.texts[int(x)] if x < len(cells.texts) else "..." for x in some]
        return facts
    facts.kind = "clock" if isinstance(cells, Clocks) else "number"
    facts.odd = cells.odd if isinstance(cells, _Loose) else 0
    facts.empty -= facts.odd
    facts.least, facts.greatest = tally.least, tally.greatest
    facts.samples = [number_text(x) for x in some]
    return facts


def number_text(value: float) -> str:
    """A number as short as it is clear; a whole one, such as a time from 1970, in all its digits."""
    if abs(value) < 1e20 and value == int(value):
        return str(int(value))
    return f"{value:.6f}".rstrip("0").rstrip(".") if 1e6 <= abs(value) < 1e12 else f"{value:.6g}"


# --- what the columns would be


def plan(
    facts: Sequence[ColumnFacts],
    headed: bool,
    choice: ColumnChoice,
    where: str,
    layout: Layout | None = None,
    own_time: bool = False,
) -> Plan:
    """The signal of each column as reading would take it, with what is missing and what would settle it."""
    columns = [one.column for one in facts]
    chosen, problems = choose_each(columns, headed, choice, where, own_time, layout)
    suggested = {role: (one.column, one.unit or None) for role, one in chosen.items()}
    timed = own_time or choice.rate_hz is not None
    missing = [error_text(error) for error in problems.values()]
    try:
        refuse_bare(columns, headed, choice, layout, where)
        for role in (TIME, HEIGHT):
            if role not in chosen and role not in problems and not (role == TIME and timed):
                missing.append(f"no {name_of(role)} column")
    except UserError as error:
        missing.append(error_text(error))
    by_number = {one.column.number: one for one in facts}
    for role in ROLE_UNITS:
        if role not in chosen and (role != TIME or not timed):
            found = _suggest(role, by_number, headed)
            if found is not None:
                suggested[role] = found
    return Plan(chosen, missing, suggested, _verdicts(facts, chosen, suggested))


def _suggest(
    role: str, facts: Mapping[int, ColumnFacts], headed: bool
) -> tuple[HeaderColumn, str | None] | None:
    """The column that a layout would name for a signal that cannot be read yet, and its unit."""
    columns = [one.column for one in facts.values()]
    for one in candidates_of(columns, role) if headed else []:
        unit = _likely_unit(role, facts[one.column.number])
        if not one.why_not or one.why_not == "it has no unit":
            return one.column, unit
    if role == TIME:
        rising = [one for one in facts.values() if one.column.sample and one.column.sample.rises]
        timed = [one for one in rising if parse_unit(one.column.unit_text or "") in ("s", "ms", "us", "ns")]
        found = (timed or rising)[:1]
        return (found[0].column, _likely_unit(TIME, found[0])) if found else None
    if role == LAUNCH:
        holding = [c for c in columns if naming.holds_back(c.name) and c.sample and c.sample.switch]
        return (holding[0], None) if len(holding) == 1 else None
    return None


def _likely_unit(role: str, facts: ColumnFacts) -> str | None:
    """The unit of a column: as it says, as usual, or the likeliest for its numbers."""
    unit = parse_unit(facts.column.unit_text or "")
    if unit is not None or not ROLE_UNITS[role]:
        return unit
    if role == LOGGED_REDUCTION and "cylinders" in naming.words(facts.column.name):
        return "cylinders"
    greatest = facts.greatest or 0.0
    if role == HEIGHT:
        whole = all(text.lstrip("-").isdigit() for text in facts.samples)
        steps = ((1.5, "m"), (5.2, "V"), (60.0, "in"), (1000.0 if whole else 3000.0, "mm"))
        return next((unit for most, unit in steps if greatest <= most), "count")
    if role == SPEED:
        return "mph"
    if role == TIME:
        changes = max(facts.changes, 1)
        step = (greatest - (facts.least or 0.0)) / changes
        return next(
            unit for most, unit in ((0.9, "s"), (900.0, "ms"), (9e5, "us"), (math.inf, "ns")) if step <= most
        )
    if USUAL_UNITS.get(role) == "rpm" and 0 < greatest < 30:
        return "krpm"
    return USUAL_UNITS.get(role, "%")


def _verdicts(
    facts: Sequence[ColumnFacts],
    chosen: Mapping[str, Chosen],
    suggested: Mapping[str, tuple[HeaderColumn, str | None]],
) -> dict[int, list[Verdict]]:
    """What each column would be; where it would be nothing, why not."""
    columns = [one.column for one in facts]
    found: dict[int, list[Verdict]] = {column.number: [] for column in columns}
    for role, one in chosen.items():
        found[one.column.number].append(Verdict(role, _why(one)))
    for role, (column, unit) in suggested.items():
        if role not in chosen:
            found[column.number].append(Verdict(role, _likely(role, column, unit)))
    passed_over: dict[int, list[Verdict]] = {number: [] for number, verdicts in found.items() if not verdicts}
    for role in ROLE_UNITS:
        for candidate in candidates_of(columns, role):
            if candidate.column.number in passed_over:
                taken = f"column {chosen[role].column.number} fits better" if role in chosen else ""
                why_not = candidate.why_not or taken or "another could be it too"
                verdict = Verdict("", f"not the {name_of(role)}: {why_not}")
                passed_over[candidate.column.number].append(verdict)
    for column in columns:
        if column.number in passed_over:
            found[column.number] = passed_over[column.number] or [_no_signal(column.name)]
    return found


def _likely(role: str, column: HeaderColumn, unit: str | None) -> str:
    """Why a column would be a signal only after a word from the person."""
    if role == LAUNCH and naming.holds_back(column.name):
        return "it holds the car while it is on: launch when it is released, if a layout says so"
    if column.unit_text is None and unit is not None:
        return f"its unit is not said; by its numbers it may be {unit}"
    return "most likely, but it is not alone: say which"


def _no_signal(name: str) -> Verdict:
    for role in ROLE_UNITS:
        word = naming.ruled_out_by(role, name)
        if word:
            return Verdict("", f"not the {name_of(role)}: its name says '{word}'")
    return Verdict("", "its name speaks of no signal")


def _why(chosen: Chosen) -> str:
    how = "as the layout says" if chosen.rule is not None else "by its name"
    if chosen.unit_from == "option":
        how = "as an option says"
    return how


def as_json(facts: ColumnFacts, verdicts: Sequence[Verdict]) -> dict[str, Any]:
    """One column as plain values."""
    return {
        "column": facts.column.number,
        "name": facts.column.title,
        "unit_in_file": facts.column.unit_text or "",
        "kind": facts.kind,
        "empty": facts.empty,
        "not_numbers": facts.odd,
        "min": facts.least,
        "max": facts.greatest,
        "changes": facts.changes,
        "samples": facts.samples,
        "role": next((one.role for one in verdicts if one.role), ""),
        "why": [f"{name_of(one.role)}: {one.why}" if one.role else one.why for one in verdicts],
    }


def error_text(error: UserError) -> str:
    """What an error says, without its place."""
    right = error.right.removesuffix(SHOWS)
    return f"{error.what}; {right}" if right else error.what
