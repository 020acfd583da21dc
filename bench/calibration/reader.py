"""A calibration file as text: its sections and keys, units, and all of its mistakes."""

from __future__ import annotations

import difflib
import functools
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from bench import units
from bench.calibration.image import Values
from bench.calibration.lines import Path, find_lines
from bench.calibration.quantity import (
    SIGNS,
    USUAL,
    Quantity,
    Shown,
    Table,
    kind_name,
    limit_text,
    named,
    plain,
    unit_after,
)
from bench.errors import UserError, UserErrors
from bench.toml import read_small
from controller.image import FIELDS

# More text than any calibration has; a wrong file must not be read to its end.
SIZE_LIMIT = 1 << 20

LEGAL = {name: (count, least, greatest) for name, _, count, least, greatest in FIELDS}

# Sections by the names that they had before: a file that has one is still read, and told the name of today.
FORMER = {"engine_ceiling": "engine_curve", "shaft_ceiling": "shaft_curve"}
_PRESENT = {former: name for name, former in FORMER.items()}


class CalibrationMistakes(UserErrors):
    """All mistakes of one calibration file, in the order of its lines."""


def present_name(section: str) -> str:
    """The name of a section today."""
    return _PRESENT.get(section, section)


class File:
    """One calibration text while it is read: what it says, what is wrong, what it compiles to."""

    def __init__(self, name: str, text: str, data: dict[str, Any]) -> None:
        self.name = name
        self.text = text
        self.data = data
        self.mistakes: list[tuple[int, UserError]] = []
        self.warnings: list[str] = []
        self.shown: list[Shown] = []
        self.values: Values = {}
        self._sections: list[str] = []

    @functools.cached_property
    def _lines(self) -> dict[Path, int]:
        return find_lines(self.text)

    def line(self, path: Path) -> int:
        """The line of a key or of the nearest thing around it."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return 1

    def wrong(self, path: Path, what: str, right: str, *involved: Quantity | Table) -> None:
        """Report one mistake at a key; `involved` is not judged any further."""
        line = self.line(path)
        self.mistakes.append((line, UserError(what, f"{self.name}:{line}: {dotted(path)}", right)))
        for quantity in involved:
            quantity.good = False

    def warn(self, text: str) -> None:
        """Add one warning."""
        self.warnings.append(text)

    def section(self, name: str, *, required: bool = False) -> Section:
        """A section by its dotted name, or by its former one; an empty one where it is absent."""
        self._sections.append(name)
        former = FORMER.get(name)
        if former and self.has(former):
            if self.has(name):
                self.wrong((former,), f"clashes with [{name}], its name of today", "one of the two")
            else:
                line = self.line((former,))
                self.warn(f"line {line}: [{former}] is called [{name}] today; it is read as that")
                name = former
            self._sections.append(former)
        content: Any = self.data
        for part in name.split("."):
            content = content.get(part, {}) if isinstance(content, dict) else {}
        if not isinstance(content, dict):
            self.wrong(tuple(name.split(".")), "is not a section", f"[{name}] with keys below it")
            content = {}
        elif required and not self.has(name):
            self.wrong(tuple(name.split(".")), "section is missing", f"add [{name}]")
            return Section(self, name, {}, absent=True)
        return Section(self, name, content)

    def has(self, name: str) -> bool:
        """Whether a section is there, even if empty."""
        content: Any = self.data
        for part in name.split("."):
            if not isinstance(content, dict) or part not in content:
                return False
            content = content[part]
        return True

    def finish(self) -> None:
        """Report sections that nobody asked for."""
        known = {name.split(".")[0] for name in self._sections}
        for key, content in self.data.items():
            if key not in known:
                what = "unknown section" if isinstance(content, dict) else "is not in a section"
                near = difflib.get_close_matches(key, known, 1)
                names = ", ".join(f"[{name}]" for name in sorted(known))
                right = f"[{near[0]}] is the nearest known one" if near else f"one of {names}"
                self.wrong((key,), what, right)

    def is_subsection(self, section: str, key: str) -> bool:
        """Whether a key of a section is a section that was asked for."""
        return f"{section}.{key}" in self._sections

    def put(self, name: str, q: Quantity, scale: Fraction | int = 1) -> list[int]:
        """Compile a quantity into a field: values times scale, rounded to the nearest whole number."""
        up, down = scale.numerator, scale.denominator
        count, least, greatest = LEGAL[name]
        compiled = []
        judged = q.good
        for i, value in enumerate(q.values):
            # In whole numbers: fractions would be brought to their least terms at each step.
            part, whole = value.numerator * up, value.denominator * down
            number = (2 * part + whole) // (2 * whole) if part >= 0 else -((whole - 2 * part) // (2 * whole))
            path = q.path if len(q.values) == 1 else (*q.path, i)
            if judged and not least <= number <= greatest:
                what = f"{q.written(value)} is too {'small' if number < least else 'large'}"
                right = (
                    f"{limit_text(q, Fraction(scale), least)} to {limit_text(q, Fraction(scale), greatest)}"
                )
                self.wrong(path, what, right, q)
            elif judged and q.given and abs(number * whole - part) * 100 > abs(part):
                became = q.written(number / scale)
                self.warn(
                    f"line {self.line(path)}: {dotted(path)}: {q.written(value)} becomes {became}, "
                    "the nearest step of the controller"
                )
            compiled.append(min(max(number, least), greatest))
        self.values[name] = compiled[0] if count == 1 else compiled
        return compiled


def dotted(path: Path) -> str:
    """A path as a person writes it: section.key, list elements counted from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" value {part + 1}"
        else:
            text += f"{'.' if text else ''}{_printable(part)}"
    return text


@dataclass
class Section:
    """One section of a file; keys are asked for by what they mean, in any unit of their kind."""

    file: File
    name: str
    content: dict[str, Any]
    absent: bool = False
    _known: list[tuple[str, str]] = field(default_factory=list)  # base, canonical unit
    _claimed: set[str] = field(default_factory=set)
    _missing: dict[str, UserError] = field(default_factory=dict)

    def path(self, key: str) -> Path:
        """Where a key of this section stands."""
        return (*self.name.split("."), key)

    def gives(self, base: str, unit: str) -> bool:
        """Whether a key for this is there, in any unit of that kind."""
        self._known.append((base, unit))
        written = [unit_after(key, base) for key in self.content if key.startswith(base)]
        return any(w is not None and units.kind_of(w[0]) == units.kind_of(unit) for w in written)

    def number(
        self,
        base: str,
        *allowed: str,
        default: Fraction | int | None = None,
    ) -> Quantity:
        """One number in one of the allowed canonical units ("" for a plain one)."""
        found = self._find(base, allowed, default is not None)
        if found is None:
            known = Fraction(default or 0)
            usual = USUAL.get(allowed[0], "")
            key = f"{base}_{usual}" if usual else base
            sign = SIGNS.get(allowed[0], allowed[0])
            q = Quantity(
                self.path(key), (known,), allowed[0], Fraction(1), sign, given=False, good=default is not None
            )
            if default is not None:
                self._show(key, q, given=False, base=base)
            return q
        key, unit, suffix, size = found
        q = self._numbers(self.path(key), [self.content[key]], unit, suffix, size)
        if q.good:
            self._show(key, q, given=True, base=base)
        return q

    def whole(self, base: str, *, default: int | None = None, least: int = 0, greatest: int = 0) -> Quantity:
        """One plain whole number within a range."""
        q = self.number(base, "", default=default)
        if q.good and (q.value.denominator != 1 or not least <= q.value <= greatest):
            self.file.wrong(q.path, f"{plain(q.value)} is wrong", f"a whole number, {least} to {greatest}", q)
        return q

    def numbers(self, base: str, *allowed: str, least: int = 1, most: int = 16) -> Quantity:
        """A list of least..most numbers."""
        found = self._find(base, allowed, False)
        nothing = (Fraction(0),) * least
        if found is None:
            return Quantity(self.path(base), nothing, allowed[0], Fraction(1), "", given=False, good=False)
        key, unit, suffix, size = found
        raw = self.content[key]
        bad = Quantity(self.path(key), nothing, unit, size, "", good=False)
        if not isinstance(raw, list):
            self.file.wrong(self.path(key), f"{_describe(raw)} is not a list", "[ ... ] with numbers in it")
            return bad
        if not least <= len(raw) <= most:
            count = str(least) if least == most else f"{least} to {most}"
            self.file.wrong(self.path(key), f"has {_count(len(raw), 'value')}", f"{count} values")
            return bad
        q = self._numbers(self.path(key), raw, unit, suffix, size)
        if not q.good:
            return bad
        self._show(key, q, given=True, several=True, base=base)
        return q

    def table(self, base: str, unit: str, rows: Quantity, columns: Quantity) -> Table:
        """Rows of numbers: one row for each value of `rows`, one number in it for each of `columns`."""
        found = self._find(base, (unit,), False)
        if found is None:
            return Table(self.path(base), [], good=False)
        key, unit, suffix, size = found
        table = Table(self.path(key), [])
        raw = self.content[key]
        shape = (
            f"{_count(len(rows.values), 'row')} (one for each value of {rows.path[-1]}) of "
            f"{_count(len(columns.values), 'value')} (one for each of {columns.path[-1]})"
        )
        known = rows.good and columns.good
        if not isinstance(raw, list) or not all(isinstance(row, list) for row in raw):
            right = shape if known else "rows in brackets: [[...], [...]]"
            self.file.wrong(table.path, "is not a list of rows", right, table)
            return table
        if known and len(raw) != len(rows.values):
            self.file.wrong(table.path, f"has {_count(len(raw), 'row')}", shape, table)
        for i, row in enumerate(raw):
            path = (*table.path, i)
            if known and len(row) != len(columns.values):
                self.file.wrong(path, f"has {_count(len(row), 'value')}", shape, table)
                continue
            q = self._numbers(path, row, unit, suffix, size)
            table.good = table.good and q.good
            table.rows.append(q)
        table.good = table.good and known
        return table

    def whole_numbers(self, base: str, *, least: int, most: int) -> Quantity:
        """A list of plain whole numbers."""
        q = self.numbers(base, "", least=least, most=most)
        if q.good and any(value.denominator != 1 for value in q.values):
            self.file.wrong(q.path, "has a number that is not whole", "whole numbers", q)
        return q

    def choice(self, base: str, options: Iterable[str], default: str | None = None, instead: str = "") -> str:
        """One of some words; the first of them where what is there is wrong.

        `instead` is another way to say it, for the message where nothing or something else is there.
        """
        words = list(options)
        self._known.append((base, ""))
        right = " or ".join(f'"{word}"' for word in words)
        if base not in self.content:
            if default is None:
                self._miss(base, f"{base} = {right}{instead}")
                return words[0]
            self._show(base, word=default, given=False)
            return default
        self._claimed.add(base)
        raw = self.content[base]
        if not isinstance(raw, str) or raw not in words:
            self.file.wrong(self.path(base), f"{_describe(raw)} is not known", f"{right}{instead}")
            return words[0]
        self._show(base, word=raw, given=True)
        return raw

    def flag(self, base: str, default: bool) -> bool:
        """true or false."""
        self._known.append((base, ""))
        raw = self.content.get(base, default)
        self._claimed.add(base)
        if not isinstance(raw, bool):
            self.file.wrong(self.path(base), f"{_describe(raw)} is not a yes or no", "true or false")
            return default
        self._show(base, word=raw, given=base in self.content)
        return raw

    def text(self, base: str) -> str:
        """Free text; empty where absent."""
        self._known.append((base, ""))
        raw = self.content.get(base, "")
        self._claimed.add(base)
        if not isinstance(raw, str):
            self.file.wrong(self.path(base), f"{_describe(raw)} is not text", 'text in quotes: "..."')
            return ""
        if raw:
            self._show(base, word=" ".join(raw.split()), given=True)
        return raw

    def say(self, key: str, text: str) -> None:
        """Show a line that no key gives."""
        self._show(key, word=text, given=False)

    def finish(self) -> None:
        """Report unknown and missing keys; a missing one whose name was only misspelt is reported once."""
        for key in self.content:
            if key in self._claimed or self.file.is_subsection(self.name, key):
                continue
            what, right, meant = self._judge(key)
            for base, unit in self._known:
                if base == meant:
                    self._missing.pop(named(base, unit), None)
            self.file.wrong(self.path(key), what, right)
        if self._missing and not self.absent:
            line = self.file.line(tuple(self.name.split(".")))
            self.file.mistakes += [(line, mistake) for mistake in self._missing.values()]

    def _judge(self, key: str) -> tuple[str, str, str]:
        """What is wrong with a key nobody asked for, what would be right, and the key that was meant."""
        for base, unit in sorted(self._known, key=lambda known: -len(known[0])):
            usual = named(base, unit)
            written = unit_after(key, base)
            if unit and key == base:
                return "names no unit", f"for example {usual}", base
            if written and unit:
                wanted, given = kind_name(unit), kind_name(written[0])
                return f"is a {given}, but {base} is a {wanted}", f"for example {usual}", base
            if written and not unit:
                return "takes no unit", base, base
        names = {named(base, unit): base for base, unit in self._known}
        near = difflib.get_close_matches(key, names, 1, 0.5)
        if near:
            return "unknown key", f"{near[0]} is the nearest known one", names[near[0]]
        return "unknown key", "one of " + ", ".join(names), ""

    def _find(
        self, base: str, allowed: Sequence[str], optional: bool
    ) -> tuple[str, str, str, Fraction] | None:
        """The key for something, its canonical unit, its written unit, and that one's size."""
        self._known += [(base, unit) for unit in allowed]
        found = [
            form
            for key in self.content
            if key.startswith(base) and (form := _form(key, base, tuple(allowed))) is not None
        ]
        self._claimed |= {entry[0] for entry in found}
        if not found:
            if not optional:
                self._miss(named(base, allowed[0]), "add it")
            return None
        for key, *_ in found[1:]:
            what = f"unit clash: {found[0][0]} says the same in another unit"
            self.file.wrong(self.path(key), what, "one of the two")
        return found[0]

    def _miss(self, key: str, right: str) -> None:
        section = tuple(self.name.split("."))
        line = self.file.line(section)
        where = f"{self.file.name}:{line}: {self.name}.{key}"
        self._missing[key] = UserError("is missing", where, right)

    def _numbers(self, path: Path, raw: list[Any], unit: str, sign: str, size: Fraction) -> Quantity:
        values = []
        good = True
        for i, item in enumerate(raw):
            exact, problem = _exact(item)
            if problem:
                at = path if len(raw) == 1 else (*path, i)
                self.file.wrong(at, problem, "a number")
                good = False
            values.append(exact if size == 1 else exact * size)
        return Quantity(path, tuple(values), unit, size, sign, good=good)

    def _show(
        self, key: str, q: Quantity | None = None, *, given: bool, several: bool = False,
        word: str | bool = "", base: str = "",
    ) -> None:  # fmt: skip
        self.file.shown.append(Shown(self.name, key, given, q, several, word, base or key))


@functools.lru_cache(maxsize=65536)  # a sweep and a desk ask the same of each of their files
def _form(key: str, base: str, allowed: tuple[str, ...]) -> tuple[str, str, str, Fraction] | None:
    """The key, its canonical unit of those allowed, its written unit, and that one's size; None where the key
    says something else."""
    if key == base and "" in allowed:
        return key, "", "", Fraction(1)
    written = unit_after(key, base)
    kinds = {units.kind_of(unit): unit for unit in allowed if unit}
    if written is None or units.kind_of(written[0]) not in kinds:
        return None
    unit = kinds[units.kind_of(written[0])]
    return key, unit, written[2], written[1] * units.factor(written[0], unit)


def _exact(item: object) -> tuple[Fraction, str]:
    """A TOML value as the exact number it is written as, or what it is instead."""
    if isinstance(item, bool) or not isinstance(item, int | float):
        return Fraction(0), f"{_describe(item)} is not a number"
    if item != item or abs(item) > 1e12:
        return Fraction(0), "is not a number a calibration can have"
    return _fraction(item), ""


@functools.lru_cache(maxsize=4096, typed=True)
def _fraction(number: float) -> Fraction:
    """What is written, not the binary number next to it."""
    return Fraction(repr(number))


def _describe(item: object) -> str:
    if isinstance(item, bool):
        return "true" if item else "false"
    if isinstance(item, str):
        short = item if len(item) <= 40 else item[:37] + "..."
        return f'"{_printable(short)}"'
    if isinstance(item, list):
        return "a list"
    if isinstance(item, Mapping):
        return "a section"
    if isinstance(item, int | float):
        return "the number"
    return "a date or time"


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def read_text(path: str | os.PathLike[str]) -> tuple[bytes, str]:
    """The bytes and the text of a calibration file; CalibrationMistakes where it is no text of its size."""
    name = os.fspath(path)
    try:
        raw = read_small(path, SIZE_LIMIT)
    except UserError as error:
        raise CalibrationMistakes([error]) from None
    if not raw.strip():
        raise CalibrationMistakes([UserError("is empty", name, "key = value, one a line")])
    try:
        # Some editors put a byte-order mark in front.
        return raw, raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise CalibrationMistakes(
            [UserError("is not UTF-8 text", f"{name}:{line}", "save it as plain text in UTF-8")]
        ) from None
