"""Layouts: small TOML files that say once how a logger's files are read.

A layout has a section for each signal and, where it needs saying, one for the file. What it says is checked
here; which file it belongs to is found by the names over the columns (`header`).
"""

from __future__ import annotations

import difflib
import fnmatch
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NoReturn

from bench.errors import UserError
from bench.toml import parse_toml, read_small
from bench.trace.naming import plain
from bench.trace.roles import (
    HEIGHT,
    LOGGED_REDUCTION,
    LOGGED_STATE,
    ROLE_UNITS,
    SPEED,
    SWITCH_ROLES,
    TIME,
    WORD_ROLES,
    name_of,
)
from bench.trace.text import quoted
from bench.units import ROTATION, convert_suffix, kind_of, parse_unit
from controller import constants as c

SPEED_SOURCES = ("road", "gps", "front wheel", "drive shaft", "wheel")
SWITCH_SENSES = ("on", "off", "pressed", "released")
_MOST_BYTES = 1 << 18
_MOST_FILES = 200

# Words of a layout's table -> the numbers of the controller.
REASON_WORDS = {
    "none": c.REASON_NONE,
    "lift": c.REASON_LIFT,
    "out of sight": c.REASON_OUT_OF_SIGHT,
    "kept": c.REASON_KEPT,
    "blind": c.REASON_BLIND,
    "engine": c.REASON_ENGINE,
    "shaft": c.REASON_SHAFT,
}
STATE_WORDS = {
    "rest": c.REST,
    "peak": c.PEAK,
    "hold": c.HOLD,
    "release": c.RELEASE,
    "kept": c.KEPT,
    "fault release": c.FAULT_RELEASE,
}


@dataclass(frozen=True)
class ColumnRule:
    """How one signal is read. The number in the file times `factor` plus `offset` is in `unit`.

    `delay_s` is how much later than the others the signal was written. `sense`, `on` and `off` are a
    switch's, `words` (text, number) those of a signal in words, `source`, `ratio` (turns of the shaft for one
    of the wheel) and `tyre_mm` (diameter) a speed's, `curve` (volts, mm) a height's, `cylinders` those of the
    engine.
    """

    column: str
    unit: str | None = None
    factor: float = 1.0
    offset: float = 0.0
    delay_s: float = 0.0
    sense: str = "on"
    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    words: tuple[tuple[str, int], ...] = ()
    source: str = ""
    ratio: float = 1.0
    tyre_mm: float | None = None
    curve: tuple[tuple[float, float], ...] = ()
    cylinders: int | None = None


@dataclass(frozen=True)
class Layout:
    """A layout file. `header` are names by which its files are known, `rules` a rule for each signal it
    names."""

    path: Path
    name: str = ""
    header: tuple[str, ...] = ()
    delimiter: str | None = None
    decimal: str | None = None
    rate_hz: float | None = None
    rules: dict[str, ColumnRule] = field(default_factory=dict)


def load_layout(path: Path) -> Layout:
    """The layout in a file. Raises UserError, one line, for what is none."""
    try:
        content = parse_toml(read_small(path, _MOST_BYTES).decode("utf-8-sig"), path, "layout")
    except FileNotFoundError:
        raise UserError("there is no such layout", path, "write one with `liftlatch trace learn`") from None
    except UnicodeDecodeError:
        raise UserError("is not UTF-8 text", path, "save it as plain text in UTF-8") from None
    except OSError as error:
        raise UserError(f"cannot be read ({error.strerror})", path, "check the name") from error
    return _Reader(path).layout(content)


class _Reader:
    """Checks what a layout says."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def layout(self, content: dict[str, Any]) -> Layout:
        about = self._table(content, "layout", ("name", "header"))
        file = self._table(content, "file", ("delimiter", "decimal", "rate_hz"))
        for section in content:
            if section not in ("layout", "file", *ROLE_UNITS):
                self._unknown(
                    f"there is no section {quoted(section)}", section, ("layout", "file", *ROLE_UNITS)
                )
        if "layout" not in content:
            self._refuse("there is no section [layout]", "begin it with [layout]")
        rate = self._number(file, "rate_hz", "file")
        if rate is not None and rate <= 0:
            self._refuse(f"[file] rate_hz = {rate:g} is no rate", "give rows a second above 0")
        decimal = self._text(file, "decimal", "file")
        if decimal not in (None, ".", ","):
            self._refuse(f"[file] decimal = {quoted(decimal or '')}", 'give "." or ","')
        return Layout(
            self._path,
            self._text(about, "name", "layout") or self._path.stem,
            self._texts(about, "header", "layout"),
            self._text(file, "delimiter", "file"),
            decimal,
            rate,
            {role: self._rule(role, content[role]) for role in ROLE_UNITS if role in content},
        )

    def _rule(self, role: str, section: Any) -> ColumnRule:
        keys = ["column", "unit", "factor", "offset", "delay_ms"]
        keys += ["when", "on", "off"] if role in SWITCH_ROLES else []
        keys += ["words"] if role in WORD_ROLES else []
        keys += ["is", "ratio", "tyre_mm", "tyre_in"] if role == SPEED else []
        keys += ["curve_v", "curve_height_mm", "curve_height_in"] if role == HEIGHT else []
        keys += ["cylinders"] if role == LOGGED_REDUCTION else []
        table = self._table({role: section}, role, tuple(keys))
        column = table.get("column")
        if isinstance(column, bool) or not isinstance(column, (str, int)) or column == "":
            self._refuse(f"[{role}] names no column", 'give column = "NAME" or a number')
        delay = self._number(table, "delay_ms", role) or 0.0
        if abs(delay) > 10_000 or (delay and role == TIME):
            self._refuse(f"[{role}] delay_ms = {delay:g}", "give -10000 to 10000 ms, and none for the time")
        rule = ColumnRule(
            str(column), self._unit(role, table), self._factor(role, table),
            self._number(table, "offset", role) or 0.0, delay / 1000,
            self._one_of(table, "when", role, SWITCH_SENSES) or "on",
            self._texts(table, "on", role), self._texts(table, "off", role), self._words(role, table),
        )  # fmt: skip
        if role == SPEED:
            return self._speed(rule, table)
        if role == HEIGHT:
            return replace(rule, curve=self._curve(table))
        if role == LOGGED_REDUCTION:
            return self._reduction(rule, table)
        return rule

    def _unit(self, role: str, table: dict[str, Any]) -> str | None:
        text = self._text(table, "unit", role)
        if text is None:
            return None
        unit = parse_unit(text)
        kinds = {*ROLE_UNITS[role], *((ROTATION,) if role == SPEED else ())}
        if unit is None or kind_of(unit) not in kinds:
            right = f"give one of its units, such as {' or '.join(ROLE_UNITS[role].values()) or 'none'}"
            self._refuse(f"[{role}] unit = {quoted(text)} is not a unit of {name_of(role)}", right)
        return unit

    def _factor(self, role: str, table: dict[str, Any]) -> float:
        factor = self._number(table, "factor", role)
        if factor == 0 or (role == TIME and factor is not None and factor < 0):
            self._refuse(f"[{role}] factor = {factor:g}", "give another number")
        return 1.0 if factor is None else factor

    def _speed(self, rule: ColumnRule, table: dict[str, Any]) -> ColumnRule:
        source = self._one_of(table, "is", SPEED, SPEED_SOURCES) or ""
        ratio = self._number(table, "ratio", SPEED)
        tyre = self._length_mm(table, ("tyre_mm", "tyre_in"), SPEED)
        turning = rule.unit is not None and kind_of(rule.unit) == ROTATION
        if turning and (tyre is None or (source == "drive shaft" and ratio is None)):
            self._refuse("[speed] in turns needs to know the wheel", "give ratio and tyre_mm (its diameter)")
        if (ratio is not None and ratio <= 0) or (tyre is not None and tyre <= 0):
            self._refuse(
                "[speed] ratio and tyre must be above 0", "give the axle's ratio and the tyre's diameter"
            )
        return replace(rule, source=source, ratio=ratio or 1.0, tyre_mm=tyre)

    def _curve(self, table: dict[str, Any]) -> tuple[tuple[float, float], ...]:
        volts = self._numbers(table, "curve_v", HEIGHT)
        unit = "in" if "curve_height_in" in table else "mm"
        heights = self._numbers(table, f"curve_height_{unit}", HEIGHT)
        if not volts and not heights:
            return ()
        rising = all(b > a for a, b in itertools.pairwise(volts))
        if len(volts) < 2 or len(volts) != len(heights) or not rising:
            right = "give two points or more, as many of both, volts rising"
            self._refuse("[height] curve_v and curve_height_mm are no curve", right)
        return tuple(
            (volt, float(convert_suffix(height, unit, "mm")))
            for volt, height in zip(volts, heights, strict=True)
        )

    def _reduction(self, rule: ColumnRule, table: dict[str, Any]) -> ColumnRule:
        cylinders = table.get("cylinders")
        if cylinders is not None and (type(cylinders) is not int or not 1 <= cylinders <= 16):
            self._refuse(f"[{LOGGED_REDUCTION}] cylinders", "give the engine's number of cylinders, 1 to 16")
        if rule.unit == "cylinders" and cylinders is None:
            self._refuse(f"[{LOGGED_REDUCTION}] in cylinders needs to know of how many", "give cylinders = 8")
        return replace(rule, cylinders=cylinders)

    def _words(self, role: str, table: dict[str, Any]) -> tuple[tuple[str, int], ...]:
        words = table.get("words")
        if words is None:
            return ()
        ours = STATE_WORDS if role == LOGGED_STATE else REASON_WORDS
        if not isinstance(words, dict):
            self._refuse(f"[{role}] words is no table", 'give words = { "their word" = "lift" }')
        found = []
        for text, ours_text in words.items():
            number = ours.get(ours_text) if isinstance(ours_text, str) else ours_text
            if type(number) is not int or not 0 <= number <= 255:
                right = f"give a number or one of {', '.join(ours)}"
                self._refuse(f"[{role}] words: {quoted(str(ours_text))} is none of ours", right)
            found.append((text.strip().casefold(), number))
        return tuple(found)

    # --- values of a table

    def _table(self, content: dict[str, Any], name: str, keys: tuple[str, ...]) -> dict[str, Any]:
        table = content.get(name, {})
        if not isinstance(table, dict):
            self._refuse(f"{name} is no section", f"write it as [{name}]")
        for key in table:
            if key not in keys:
                self._unknown(f"[{name}] has no {quoted(key)}", key, keys)
        return dict(table)

    def _text(self, table: dict[str, Any], key: str, section: str) -> str | None:
        value = table.get(key)
        if value is not None and not isinstance(value, str):
            self._refuse(f"[{section}] {key} is no text", "write it in quotes")
        return value

    def _texts(self, table: dict[str, Any], key: str, section: str) -> tuple[str, ...]:
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(one, (str, int)) for one in value):
            self._refuse(f"[{section}] {key} is no list of texts", f'write {key} = ["...", "..."]')
        return tuple(str(one) for one in value)

    def _one_of(self, table: dict[str, Any], key: str, section: str, known: Sequence[str]) -> str | None:
        text = self._text(table, key, section)
        if text is not None and text.casefold() not in known:
            self._refuse(f"[{section}] {key} = {quoted(text)}", f"give one of {', '.join(known)}")
        return None if text is None else text.casefold()

    def _number(self, table: dict[str, Any], key: str, section: str) -> float | None:
        value = table.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            self._refuse(f"[{section}] {key} is no number", "write a number without quotes")
        return float(value)

    def _numbers(self, table: dict[str, Any], key: str, section: str) -> list[float]:
        value = table.get(key, [])
        if not isinstance(value, list):
            self._refuse(f"[{section}] {key} is no list of numbers", f"write {key} = [0, 5]")
        return [self._number({key: one}, key, section) or 0.0 for one in value]

    def _length_mm(self, table: dict[str, Any], keys: tuple[str, ...], section: str) -> float | None:
        for key in keys:
            value = self._number(table, key, section)
            if value is not None:
                return float(convert_suffix(value, key.rpartition("_")[2], "mm"))
        return None

    def _unknown(self, what: str, word: str, known: Sequence[str]) -> NoReturn:
        near = difflib.get_close_matches(word, known, 1, 0.6)
        self._refuse(what, f"did you mean {quoted(near[0])}?" if near else f"known are {', '.join(known)}")

    def _refuse(self, what: str, right: str) -> NoReturn:
        raise UserError(what, self._path, right)


# --- which layout a file has


def fits(layout: Layout, titles: Sequence[str]) -> bool:
    """True where all names that a layout knows its files by stand over the columns of a file."""
    have = {plain(title) for title in titles if title}
    return bool(layout.header) and all(plain(name) in have for name in layout.header)


def given_layout(texts: Sequence[str], trace: Path) -> Layout | None:
    """The layout that the options name for a trace: LAYOUT for all, or PATTERN=LAYOUT; the last that fits."""
    for text in reversed(texts):
        pattern, mark, path = text.rpartition("=")
        if not mark or Path(text).is_file():
            return load_layout(Path(text))
        if fnmatch.fnmatch(trace.name, pattern) or fnmatch.fnmatch(str(trace), pattern):
            return load_layout(Path(path))
    return None


def nearby_layout(trace: Path, titles: Callable[[], Sequence[str]]) -> Layout | None:
    """The layout next to a trace that knows its header. `titles` is asked only where there is a layout.

    Raises UserError where two fit equally well; a file that is no layout, or a broken one, is passed over.
    """
    found = []
    for path in layouts_beside(trace):
        try:
            layout = load_layout(path)
        except UserError:
            continue
        if fits(layout, titles()):
            found.append(layout)
    found.sort(key=lambda layout: -len(layout.header))
    if len(found) > 1 and len(found[0].header) == len(found[1].header):
        what = f"the layouts {found[0].path.name} and {found[1].path.name} both know this header"
        raise UserError(what, trace, "give --layout with one of them")
    return found[0] if found else None


def layouts_beside(trace: Path) -> list[Path]:
    """The files next to a trace that begin as layouts do, by name."""
    try:
        paths = sorted(path for path in trace.parent.iterdir() if path.suffix == ".toml")[:_MOST_FILES]
        return [path for path in paths if _begins_as_layout(path)]
    except OSError:
        return []


def _begins_as_layout(path: Path) -> bool:
    try:
        if not path.is_file():  # opening a pipe would wait for its other end
            return False
        with open(path, "rb") as stream:
            head = stream.read(1 << 14)
    except OSError:
        return False
    return any(line.strip() == b"[layout]" for line in head.splitlines())
