"""Which column of a file is which signal, and in which unit: by option, by layout, or by its name.

Nothing is guessed in silence: what was taken from a name or assumed becomes a note, and where two readings
are possible the person is asked.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, field

from bench.errors import UserError
from bench.trace import naming
from bench.trace.layout import ColumnRule, Layout
from bench.trace.roles import (
    ARMED,
    ENGINE_SPEED,
    HEIGHT,
    LAUNCH,
    LOGGED_ROLES,
    ROLE_UNITS,
    SHAFT_SPEED,
    SPEED,
    SWITCH_ROLES,
    TIME,
    USUAL_UNITS,
    WORD_ROLES,
    name_of,
    option_name,
    unit_examples,
)
from bench.trace.text import quoted
from bench.units import ROTATION, kind_of, parse_unit

_LISTED = 12
SHOWS = "; `liftlatch trace show` shows every column"
_TITLE = 200
_FASTEST = 700.0  # a greater number that is called a speed is no car's, in whatever unit
# A file is read without these where two columns could be them, and says so.
_LEFT_OUT = LOGGED_ROLES | {ENGINE_SPEED, SHAFT_SPEED, ARMED, LAUNCH}


@dataclass(frozen=True)
class ColumnChoice:
    """What a person said about a file. `columns` maps a role (or "time") to NAME or NUMBER, either of them
    with ":unit" or without, or to "none" to leave that signal out. `layouts` are LAYOUT or PATTERN=LAYOUT as
    given, `run` the number of the pass to take (the best where None)."""

    columns: dict[str, str] = field(default_factory=dict)
    rate_hz: float | None = None
    height_offset_mm: float = 0.0
    delimiter: str | None = None
    decimal: str | None = None
    layouts: tuple[str, ...] = ()
    run: int | None = None


@dataclass(frozen=True)
class ColumnSample:
    """What the first rows of a column hold: `kind` is "number", "clock", "text" or "empty"; least and
    greatest number; whether it never falls and rises at least once; whether all are 0, 1 or words of a
    switch; of one that rises the most digits behind the decimal mark, were it written without exponents."""

    kind: str
    least: float = 0.0
    greatest: float = 0.0
    rises: bool = False
    switch: bool = False
    places: int = 0


@dataclass(frozen=True)
class HeaderColumn:
    """One column as the file describes it: `title` as written, `name` without the unit, `unit_text` as
    written (None where nothing is)."""

    number: int
    title: str
    name: str
    unit_text: str | None
    unit_from: str
    sample: ColumnSample | None = None

    @property
    def label(self) -> str:
        """How a message names it: its number and its whole name."""
        return f"column {self.number}" + (f" {quoted(self.title, _TITLE)}" if self.title else "")


@dataclass(frozen=True)
class Chosen:
    """A column with a job. `unit` is a canonical unit, "" for a plain number; `rule` what a layout says of
    it."""

    role: str
    column: HeaderColumn
    unit: str
    unit_from: str
    rule: ColumnRule | None = None


@dataclass(frozen=True)
class Candidate:
    """A column that could be a signal by its name, the best first; `why_not` where it cannot be after all."""

    column: HeaderColumn
    points: int
    why_not: str = ""


def choose(
    columns: Sequence[HeaderColumn],
    headed: bool,
    choice: ColumnChoice,
    where: str,
    own_time: bool = False,
    layout: Layout | None = None,
    notes: list[str] | None = None,
) -> dict[str, Chosen]:
    """The column of each role that the file has; "time" too, unless a rate is given or the file brings a time
    that is no column (`own_time`).

    `headed` is False for a file without names. Raises UserError for a column that is not there, an ambiguous
    match, a unit that is missing, unknown or of the wrong kind, and for a file without height or time.
    """
    if choice.rate_hz is not None and choice.columns.get(TIME, "none") != "none":
        raise UserError("--rate and --time-column exclude each other", right="give one of them")
    refuse_bare(columns, headed, choice, layout, where)
    chooser = _Chooser(columns, headed, choice, where, layout, [] if notes is None else notes)
    chosen = {}
    for role in ROLE_UNITS:
        if role == TIME and (own_time or choice.rate_hz is not None):
            continue
        found = chooser.role(role)
        if found is not None:
            chosen[role] = found
    if HEIGHT not in chosen:
        raise _missing(HEIGHT, columns, where)
    if TIME not in chosen and choice.rate_hz is None and not own_time:
        raise _missing(TIME, columns, where)
    return chosen


def choose_each(
    columns: Sequence[HeaderColumn],
    headed: bool,
    choice: ColumnChoice,
    where: str,
    own_time: bool = False,
    layout: Layout | None = None,
) -> tuple[dict[str, Chosen], dict[str, UserError]]:
    """What `choose` would take for each role, and what stands in the way of each of the others."""
    chooser = _Chooser(columns, headed, choice, where, layout, [])
    chosen, problems = {}, {}
    for role in ROLE_UNITS:
        if role == TIME and (own_time or choice.rate_hz is not None):
            continue
        try:
            found = chooser.role(role)
        except UserError as error:
            problems[role] = error
            continue
        if found is not None:
            chosen[role] = found
    return chosen, problems


def _missing(role: str, columns: Sequence[HeaderColumn], where: str) -> UserError:
    names = ", ".join(f"{c.number} {quoted(c.title, _TITLE)}" for c in columns[:_LISTED])
    more = ", ..." if len(columns) > _LISTED else ""
    rate = ", or --rate HZ" if role == TIME else ""
    right = (
        f"give {option_name(role)} NAME or NUMBER{rate}, or a --layout; `liftlatch trace show` shows every"
        f" column: {names}{more}"
    )
    return UserError(f"no {name_of(role)} column", where, right)


def refuse_bare(
    columns: Sequence[HeaderColumn], headed: bool, choice: ColumnChoice, layout: Layout | None, where: str
) -> None:
    """A file without names needs options: say in one line which."""
    timed = choice.rate_hz is not None or choice.columns.get(TIME)
    if headed or layout is not None or (timed and choice.columns.get(HEIGHT)):
        return
    count = len(columns)
    example = "--rate 100 --height-column 1:mm" if count == 1 else "--time-column 1:s --height-column 2:mm"
    what = f"no header line, {count} column{'' if count == 1 else 's'}"
    raise UserError(what, where, f"say which column is what and its unit, for example {example}{SHOWS}")


@dataclass
class _Chooser:
    columns: Sequence[HeaderColumn]
    headed: bool
    choice: ColumnChoice
    where: str
    layout: Layout | None
    notes: list[str]

    def role(self, role: str) -> Chosen | None:
        text = self.choice.columns.get(role)
        rule = self.layout.rules.get(role) if self.layout else None
        if "none" in (text, rule.column if rule and text is None else None):
            return None
        if text is not None:
            column, unit_text = _by_option(self.columns, role, text, self.where)
            return _with_unit(role, column, unit_text, "option", self.headed, self.where)
        if rule is not None:
            return self._by_rule(role, rule)
        found = self._by_name(role) if self.headed else None
        return None if found is None else _with_unit(role, found, None, "", self.headed, self.where)

    def _by_rule(self, role: str, rule: ColumnRule) -> Chosen:
        assert self.layout is not None
        column = _find(self.columns, role, rule.column, self.where)
        if column is None:
            title = quoted(rule.column, _TITLE)
            what = f"the layout's column of the {name_of(role)}, {title}, is not in the file"
            right = f"choose another layout, or mend [{role}] in {self.layout.path}"
            raise UserError(what, self.where, _near(self.columns, rule.column) or right)
        return _with_unit(role, column, rule.unit, "layout", self.headed, self.where, rule)

    def _by_name(self, role: str) -> HeaderColumn | None:
        candidates = candidates_of(self.columns, role)
        fitting = [one for one in candidates if not one.why_not]
        if not fitting:
            exact = [one.column for one in candidates if one.points == naming.EXACT]
            return exact[0] if exact and role not in LOGGED_ROLES else None
        best = [one.column for one in fitting if one.points == fitting[0].points]
        if fitting[0].points < naming.EXACT:
            best = [column for column in best if parse_unit(column.unit_text or "")] or best
        if len(best) == 1:
            return best[0]
        if (
            len({naming.but_for_the_side(column.name) for column in best}) == 1
            and best[0].name != best[1].name
        ):
            sides = " and ".join(column.label for column in best)
            self.notes.append(f"{name_of(role)}: {sides} are one of each side; the first is taken")
            return best[0]
        listed = " and ".join(f"{column.number} {quoted(column.title, _TITLE)}" for column in best[:4])
        what = f"columns {listed} could each be the {name_of(role)}"
        right = f"give {option_name(role)} {best[0].number} or another (or none)"
        if role in _LEFT_OUT and fitting[0].points < naming.EXACT:
            self.notes.append(f"{name_of(role)}: {what}, so none is taken; {right}")
            return None
        raise UserError(what, self.where, right + SHOWS)


def candidates_of(columns: Sequence[HeaderColumn], role: str) -> list[Candidate]:
    """The columns whose name speaks of a signal: those that can be it first, the best first."""
    found = []
    for column in columns:
        points = naming.points(role, column.name)
        if not set("[({") & set(column.title):
            # where the unit is a word of the name it says what is meant: "Eng RPM"
            points = max(points, naming.points(role, column.title))
        if points:
            found.append(Candidate(column, points, _why_not(role, column, points)))
    return sorted(found, key=lambda one: (bool(one.why_not), -one.points))


def _why_not(role: str, column: HeaderColumn, points: int) -> str:
    """Why a column whose name fits cannot be the signal, as far as its unit and first rows tell."""
    kinds = ROLE_UNITS[role]
    unit = parse_unit(column.unit_text or "")
    said = (column.unit_text or "").strip()
    if kinds and role not in SWITCH_ROLES and said and (unit is None or kind_of(unit) not in kinds):
        return f"{quoted(said)} is not a unit of {name_of(role)}"
    if role in LOGGED_ROLES and kinds and unit is None and role not in USUAL_UNITS:
        return "it has no unit"
    if unit == "cylinders":
        return "a layout must say of how many cylinders"
    sample = column.sample
    if sample is None or points == naming.EXACT:
        return ""
    return _unsuited(role, sample, unit)


def _unsuited(role: str, sample: ColumnSample, unit: str | None) -> str:
    if sample.kind == "empty" or role in WORD_ROLES:
        return ""
    if role == TIME:
        return (
            "" if sample.kind in ("number", "clock") and sample.rises else "it does not rise from row to row"
        )
    if role in SWITCH_ROLES:
        return "" if sample.switch else "it holds more than on and off"
    if sample.kind != "number":
        return "it holds no plain numbers"
    if role == SPEED and unit is None and sample.greatest > _FASTEST:
        return f"no car does {sample.greatest:g}, so it is not a speed"
    return ""


def _by_option(
    columns: Sequence[HeaderColumn], role: str, text: str, where: str
) -> tuple[HeaderColumn, str | None]:
    """The column and the unit text of an option's value, the whole of which may be a name."""
    column = _find(columns, role, text, where)
    if column is not None:
        return column, None
    name, mark, unit_text = text.rpartition(":")
    if mark:
        column = _find(columns, role, name, where)
        if column is not None:
            return column, unit_text
    asked = name if mark and parse_unit(unit_text) else text
    hint = _near(columns, asked) or f"give a name or a number from 1 to {len(columns)}"
    hint += "" if hint.startswith("did") else SHOWS
    raise UserError(f"{option_name(role)}: there is no column {quoted(asked, _TITLE)}", where, hint)


def _near(columns: Sequence[HeaderColumn], asked: str) -> str:
    near = difflib.get_close_matches(asked, [column.title for column in columns], 1, 0.5)
    return f"did you mean {quoted(near[0], _TITLE)}?" if near else ""


def _find(columns: Sequence[HeaderColumn], role: str, text: str, where: str) -> HeaderColumn | None:
    text = text.strip()
    if text.isascii() and text.isdigit():
        number = int(text[:9])
        return columns[number - 1] if 1 <= number <= len(columns) else None
    for same in (
        lambda column: column.title == text,
        lambda column: column.name == text,
        lambda column: naming.plain(text) in (naming.plain(column.title), naming.plain(column.name)),
    ):
        found = [column for column in columns if column.title and same(column)]
        if len(found) > 1:
            numbers = " and ".join(str(column.number) for column in found[:4])
            right = f"give its number: {option_name(role)} {found[0].number}"
            raise UserError(
                f"the name {quoted(text, _TITLE)} stands over the columns {numbers}", where, right
            )
        if found:
            return found[0]
    return None


def _with_unit(
    role: str,
    column: HeaderColumn,
    told_unit: str | None,
    told_by: str,
    headed: bool,
    where: str,
    rule: ColumnRule | None = None,
) -> Chosen:
    units = ROLE_UNITS[role]
    give = f"{option_name(role)} {column.number}:UNIT"
    text, unit_from = column.unit_text, column.unit_from
    if told_unit is not None:
        text, unit_from = told_unit, told_by
    if not units:
        return Chosen(role, column, "", "", rule)
    usual = USUAL_UNITS.get(role)
    if role in SWITCH_ROLES and unit_from != "option" and parse_unit(text or "") != "bool":
        text = None  # what a logger writes over a switch is no unit
    if text is None or not text.strip():
        if usual is None or (role == TIME and not headed):
            what = f"{column.label} ({name_of(role)}) has no unit"
            right = f"give {give}, UNIT such as {' or '.join(unit_examples(role))}{SHOWS}"
            raise UserError(what, where, right)
        return Chosen(role, column, usual, "" if role in SWITCH_ROLES else "assumed", rule)
    unit = parse_unit(text)
    turning = role == SPEED and rule is not None and rule.tyre_mm is not None
    if unit is None or (kind_of(unit) not in units and not (turning and kind_of(unit) == ROTATION)):
        what = f"{column.label}: {quoted(text)} is not a unit of {name_of(role)}"
        right = f"give {give}, UNIT such as {' or '.join(unit_examples(role))}{SHOWS}"
        raise UserError(what, where, right)
    if unit == "cylinders" and (rule is None or rule.cylinders is None):
        what = f"{column.label} ({name_of(role)}) counts cylinders"
        raise UserError(what, where, f"say of how many in a layout: [{role}] cylinders = 8")
    return Chosen(role, column, unit, unit_from, rule)
