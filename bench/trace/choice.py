"""Which column of a file is which signal, and in which unit: by option, or by plain names in the header.

Nothing is guessed in silence: what was taken from a name or assumed becomes a note, and where two readings
are possible the person is asked.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, field

from bench.errors import UserError
from bench.trace.text import quoted
from bench.units import kind_of, parse_unit

TIME = "time"
HELD_ROLES = frozenset(
    {"armed", "launch", "request_reduction", "request_retard", "request_reason"},
)
SWITCH_ROLES = frozenset({"armed", "launch"})

# role -> kind of unit -> the unit in which the trace keeps it; a role without kinds has no unit
ROLE_UNITS: dict[str, dict[str, str]] = {
    TIME: {"time": "s"},
    "height": {"height-length": "mm", "voltage": "V", "counts": "count"},
    "speed": {"speed": "km/h"},
    "engine_speed": {"rotation": "rpm"},
    "shaft_speed": {"rotation": "rpm"},
    "armed": {"switch": "bool"},
    "launch": {"switch": "bool"},
    "request_reduction": {"fraction": "%"},
    "request_retard": {"angle": "deg"},
    "request_reason": {},
}

# Units that may be assumed (and are then noted), because loggers write no other for this signal.
_USUAL_UNITS = {
    TIME: "s",
    "engine_speed": "rpm",
    "shaft_speed": "rpm",
    "armed": "bool",
    "launch": "bool",
    "request_retard": "deg",
}

_NAMES: dict[str, tuple[str, ...]] = {
    TIME: ("time", "t", "elapsed", "elapsed time", "timestamp", "time stamp", "sec", "seconds"),
    "height": (
        "height", "ride height", "front ride height", "nose height", "front height", "height sensor",
    ),
    "speed": ("speed", "vehicle speed", "road speed", "car speed", "ground speed"),
    "engine_speed": ("engine speed", "engine", "rpm"),
    "shaft_speed": (
        "shaft speed", "driveshaft speed", "drive shaft speed", "shaft", "driveshaft", "drive shaft",
    ),
    "armed": ("armed", "arm", "arming"),
    "launch": ("launch", "launched", "launch switch"),
    "request_reduction": ("request reduction", "requested reduction"),
    "request_retard": ("request retard", "requested retard"),
    "request_reason": ("request reason", "requested reason"),
}  # fmt: skip


@dataclass(frozen=True)
class ColumnChoice:
    """What a person said about a file. `columns` maps a role (or "time") to NAME or NUMBER, either of them
    with ":unit" or without, or to "none" to leave that signal out."""

    columns: dict[str, str] = field(default_factory=dict)
    rate_hz: float | None = None
    height_offset_mm: float = 0.0
    delimiter: str | None = None
    decimal: str | None = None


@dataclass(frozen=True)
class HeaderColumn:
    """One column as the file describes it: `title` as written, `name` without the unit, `unit_text` as
    written (None where nothing is)."""

    number: int
    title: str
    name: str
    unit_text: str | None
    unit_from: str


@dataclass(frozen=True)
class Chosen:
    """A column with a job. `unit` is a canonical unit, "" for a plain number."""

    role: str
    column: HeaderColumn
    unit: str
    unit_from: str


def option_name(role: str) -> str:
    """The option that chooses the column of a role."""
    return f"--{role.replace('_', '-')}-column"


def split_name(text: str) -> tuple[str, str | None]:
    """A header cell as (name, unit text or None): "Height [mm]", "Height_mm", "t/s", "speed km/h".

    A bracket at the end always is a unit; a last word only where it is a unit we know.
    """
    text = text.strip()
    for opening, closing in ("[]", "()", "{}"):
        if text.endswith(closing) and opening in text[1:]:
            start = text.rindex(opening)
            if start > 0:
                return text[:start].strip(" _,"), text[start + 1 : -1].strip()
    for mark in (",", ":", " ", "_", "/"):
        name, found, last = text.rpartition(mark)
        if found and name.strip(" _,:/") and parse_unit(last) is not None:
            return name.strip(" _,:/"), last.strip()
    if parse_unit(text) in ("rpm", "s"):
        return text, text  # a column called "rpm" or "seconds" is its own unit
    return text, None


def is_role_word(text: str) -> bool:
    """True for a header cell that is the name of a signal."""
    name = _plain(split_name(text)[0])
    return any(name in names for names in _NAMES.values())


def choose(
    columns: Sequence[HeaderColumn], headed: bool, choice: ColumnChoice, where: str, own_time: bool = False
) -> dict[str, Chosen]:
    """The column of each role that the file has; "time" too, unless a rate is given or the file brings a time
    that is no column (`own_time`).

    `headed` is False for a file without names. Raises UserError for a column that is not there, an ambiguous
    match, a unit that is missing, unknown or of the wrong kind, and for a file without height or time.
    """
    if choice.rate_hz is not None and choice.columns.get(TIME, "none") != "none":
        raise UserError("--rate and --time-column exclude each other", right="give one of them")
    _refuse_bare(columns, headed, choice, where)
    chosen = {}
    for role in ROLE_UNITS:
        text = choice.columns.get(role)
        if text == "none" or (role == TIME and (own_time or choice.rate_hz is not None)):
            continue
        if text is not None:
            column, unit_text = _by_option(columns, role, text, where)
        else:
            found = _by_name(columns, role, where) if headed else None
            if found is None:
                continue
            column, unit_text = found, None
        chosen[role] = _with_unit(role, column, unit_text, headed, where)
    names = ", ".join(f"{c.number} {quoted(c.title, 24)}" for c in columns[:12])
    listed = f"the columns are {names}{', ...' if len(columns) > 12 else ''}"
    if "height" not in chosen:
        raise UserError("no height column", where, f"give --height-column NAME or NUMBER; {listed}")
    if TIME not in chosen and choice.rate_hz is None and not own_time:
        raise UserError("no time column", where, f"give --time-column NAME or NUMBER, or --rate HZ; {listed}")
    return chosen


def _refuse_bare(columns: Sequence[HeaderColumn], headed: bool, choice: ColumnChoice, where: str) -> None:
    """A file without names needs options: say in one line which."""
    timed = choice.rate_hz is not None or choice.columns.get(TIME)
    if headed or (timed and choice.columns.get("height")):
        return
    count = len(columns)
    example = "--rate 100 --height-column 1:mm" if count == 1 else "--time-column 1:s --height-column 2:mm"
    what = f"no header line, {count} column{'' if count == 1 else 's'}"
    raise UserError(what, where, f"say which column is what and its unit, for example {example}")


def _plain(name: str) -> str:
    for mark in "_-.":
        name = name.replace(mark, " ")
    return " ".join(name.casefold().split())


def _by_name(columns: Sequence[HeaderColumn], role: str, where: str) -> HeaderColumn | None:
    found = [column for column in columns if _plain(column.name) in _NAMES[role]]
    if len(found) > 1:
        listed = " and ".join(f"{column.number} {quoted(column.title)}" for column in found[:4])
        right = f"give {option_name(role)} {found[0].number} or another (or none)"
        raise UserError(f"columns {listed} could each be the {role.replace('_', ' ')}", where, right)
    return found[0] if found else None


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
    near = difflib.get_close_matches(asked, [column.title for column in columns], 1, 0.5)
    hint = f"give a name or a number from 1 to {len(columns)}"
    if near:
        hint = f"did you mean {quoted(near[0])}?"
    raise UserError(f"{option_name(role)}: there is no column {quoted(asked)}", where, hint)


def _find(columns: Sequence[HeaderColumn], role: str, text: str, where: str) -> HeaderColumn | None:
    text = text.strip()
    if text.isascii() and text.isdigit():
        number = int(text[:9])
        return columns[number - 1] if 1 <= number <= len(columns) else None
    for same in (
        lambda column: column.title == text,
        lambda column: column.name == text,
        lambda column: _plain(text) in (_plain(column.title), _plain(column.name)),
    ):
        found = [column for column in columns if column.title and same(column)]
        if len(found) > 1:
            numbers = " and ".join(str(column.number) for column in found[:4])
            right = f"give its number: {option_name(role)} {found[0].number}"
            raise UserError(f"the name {quoted(text)} stands over the columns {numbers}", where, right)
        if found:
            return found[0]
    return None


def _with_unit(role: str, column: HeaderColumn, option_unit: str | None, headed: bool, where: str) -> Chosen:
    units = ROLE_UNITS[role]
    label = f"column {column.number}" + (f" {quoted(column.title)}" if column.title else "")
    signal = role.replace("_", " ")
    give = f"{option_name(role)} {column.number}:UNIT"
    text, unit_from = column.unit_text, column.unit_from
    if option_unit is not None:
        text, unit_from = option_unit, "option"
    if not units:
        return Chosen(role, column, "", "")
    usual = _USUAL_UNITS.get(role)
    if text is None or not text.strip():
        if usual is None or (role == TIME and not headed):
            examples = "s or ms" if role == TIME else " or ".join(_examples(role))
            raise UserError(f"{label} ({signal}) has no unit", where, f"give {give}, UNIT such as {examples}")
        return Chosen(role, column, usual, "" if role in SWITCH_ROLES else "assumed")
    unit = parse_unit(text)
    if unit is None or kind_of(unit) not in units:
        what = f"{label}: {quoted(text)} is not a unit of {signal}"
        raise UserError(what, where, f"give {give}, UNIT such as {' or '.join(_examples(role))}")
    return Chosen(role, column, unit, unit_from)


def _examples(role: str) -> tuple[str, ...]:
    return {
        TIME: ("s", "ms"),
        "height": ("mm", "in", "V", "count"),
        "speed": ("km/h", "mph"),
        "request_reduction": ("%", "permille"),
    }.get(role, tuple(ROLE_UNITS[role].values()))
