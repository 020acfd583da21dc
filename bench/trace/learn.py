"""A layout file that says what was found of a trace, for a person to mend and keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bench.trace import naming
from bench.trace.choice import Chosen, ColumnChoice, HeaderColumn
from bench.trace.dialect import DELIMITERS, Dialect
from bench.trace.layout import ColumnRule, Layout
from bench.trace.naming import source_of
from bench.trace.roles import HEIGHT, LAUNCH, LOGGED_REDUCTION, ROLE_UNITS, SPEED, SWITCH_ROLES, TIME, WHAT
from bench.trace.survey import Plan
from bench.units import parse_unit

_MOST_NAMES = 400


def layout_text(
    columns: Sequence[HeaderColumn],
    dialect: Dialect | None,
    plan: Plan,
    choice: ColumnChoice,
    layout: Layout | None,
    name: str,
) -> str:
    """A layout as TOML, of what would be read from these columns and what is likely where that is not
    clear."""
    lines = [
        "# How a logger's files are read. Check it once; then give it with --layout, or",
        "# let it lie next to the traces: a file with these names over its columns is",
        "# known by them.",
        "[layout]",
    ]
    lines.append(f"name = {_quoted(name)}")
    titles = [column.title for column in columns if column.title]
    if 0 < len(titles) <= _MOST_NAMES:
        lines += ["header = [", *_wrapped(titles), "]"]
    lines += _file_lines(columns, dialect, choice, layout)
    for role in ROLE_UNITS:
        if role in plan.suggested:
            column, unit = plan.suggested[role]
            lines += ["", *_section(role, column, unit, plan.chosen.get(role))]
        elif role in (TIME, HEIGHT, SPEED) and not (role == TIME and choice.rate_hz is not None):
            lines += ["", f"# [{role}]{' ' * (18 - len(role))}# the {WHAT[role]}: not found"]
            lines += ['# column = "..."     # its name or its number', f"# unit = {_quoted(_usual(role))}"]
    return "\n".join(lines) + "\n"


def _file_lines(
    columns: Sequence[HeaderColumn], dialect: Dialect | None, choice: ColumnChoice, layout: Layout | None
) -> list[str]:
    lines = []
    if dialect is not None and len(columns) > 1 and (choice.delimiter or dialect.delimiter not in (",", ";")):
        words = {mark: word for word, mark in DELIMITERS.items()}
        lines.append(f"delimiter = {_quoted(words.get(dialect.delimiter, dialect.delimiter))}")
    if dialect is not None and (choice.decimal or dialect.decimal == ","):
        lines.append(f"decimal = {_quoted(dialect.decimal)}")
    if choice.rate_hz is not None:
        lines.append(f"rate_hz = {choice.rate_hz:g}")
    return ["", "[file]", *lines] if lines else []


def _section(role: str, column: HeaderColumn, unit: str | None, chosen: Chosen | None) -> list[str]:
    lines = [f"[{role}]"]
    same_name = column.title and '"' not in column.title
    lines.append(f"column = {_quoted(column.title) if same_name else column.number}")
    rule = chosen.rule if chosen is not None else None
    if unit and role not in SWITCH_ROLES:
        said = chosen is not None and chosen.unit_from not in ("assumed", "")
        known = said or parse_unit(column.unit_text or "") == unit
        lines.append(f"unit = {_quoted(unit)}" + ("" if known else "   # not said in the file: check"))
    if role == SPEED:
        source = (rule.source if rule else "") or source_of(column.name, unit or "")
        lines.append(f"is = {_quoted(source)}")
        if rule is not None and rule.tyre_mm:
            lines += [f"ratio = {rule.ratio:g}", f"tyre_mm = {rule.tyre_mm:g}"]
    if role == HEIGHT and unit == "V" and not (rule and rule.curve):
        lines.append("# curve_v = [0, 5]           # the sensor's own curve, for where no")
        lines.append("# curve_height_mm = [0, 500] # calibration is given")
    if role == LAUNCH and chosen is None and naming.holds_back(column.name):
        lines.append('when = "released"   # it holds the car: leave this section out where that is not so')
    if role == LOGGED_REDUCTION and unit == "cylinders":
        lines.append(f"cylinders = {rule.cylinders if rule and rule.cylinders else 8}   # of so many: check")
    return lines + (_rule_lines(rule) if rule is not None else [])


def _rule_lines(rule: ColumnRule) -> list[str]:
    """What a layout that was used says besides."""
    lines = []
    if rule.factor != 1.0:
        lines.append(f"factor = {rule.factor!r}")
    if rule.offset:
        lines.append(f"offset = {rule.offset!r}")
    if rule.delay_s:
        lines.append(f"delay_ms = {1000 * rule.delay_s:g}")
    if rule.sense != "on":
        lines.append(f"when = {_quoted(rule.sense)}")
    for key, words in (("on", rule.on), ("off", rule.off)):
        if words:
            lines.append(f"{key} = [{', '.join(map(_quoted, words))}]")
    if rule.words:
        lines.append(
            f"words = {{ {', '.join(f'{_quoted(text)} = {number}' for text, number in rule.words)} }}"
        )
    if rule.curve:
        lines.append(f"curve_v = [{', '.join(f'{volt:g}' for volt, _ in rule.curve)}]")
        lines.append(f"curve_height_mm = [{', '.join(f'{height:g}' for _, height in rule.curve)}]")
    return lines


def _usual(role: str) -> str:
    return {TIME: "s", HEIGHT: "mm", SPEED: "km/h"}[role]


def _quoted(text: str) -> str:
    """A TOML string; what no plain string may hold is escaped."""
    safe: Mapping[str, str] = {'"': '\\"', "\\": "\\\\"}
    return (
        '"'
        + "".join(safe.get(char) or (char if char.isprintable() else _escape(char)) for char in text)
        + '"'
    )


def _escape(char: str) -> str:
    code = ord(char)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _wrapped(titles: Sequence[str]) -> list[str]:
    lines, line = [], "   "
    for title in titles:
        text = f" {_quoted(title)},"
        if len(line) + len(text) > 78 and line.strip():
            lines.append(line)
            line = "   "
        line += text
    return [*lines, line]
