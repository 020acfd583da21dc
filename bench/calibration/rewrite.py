"""A calibration written back with some keys changed and its comments kept."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from bench import units
from bench.calibration.calibration_file import CalibrationFile
from bench.calibration.compile import compile_text
from bench.calibration.quantity import unit_after


def save(cal: CalibrationFile, changes: Mapping[str, Any]) -> str:
    """The text of a calibration with some keys set and everything else, comments included, as it was.

    `changes` are by dotted name with a unit ("latch.hold_ms": 250); None takes a key out; lists are written
    anew, on one line or, if they are rows, one row a line. Numbers whose key stands in the file in another
    unit are set there, in that unit. Raises CalibrationMistakes where the result would be wrong.
    """
    text = Rewriter(cal.text).set(changes)
    compile_text(text, cal.path)
    return text


class Rewriter:
    """The text of a calibration in which keys can be set again and again."""

    def __init__(self, text: str) -> None:
        import tomlkit

        self._document = tomlkit.parse(text)
        self._crlf = has_long_ends(text)

    def set(self, changes: Mapping[str, Any]) -> str:
        """The text with the changes that `save` describes, and those made before; it may be wrong."""
        import tomlkit

        # What is taken out goes first: its comment is for what says the same in another way (a release in one
        # step and by a rate).
        left: dict[tuple[str, ...], str] = {}
        for name, value in sorted(changes.items(), key=lambda change: change[1] is not None):
            *sections, key = name.split(".")
            thing = (*sections, key.split("_")[0])
            table: Any = self._document
            for section in sections:
                if section not in table:
                    table[section] = tomlkit.table()
                table = table[section]
            written, factor = in_unit_of_file(table, key)
            if value is None:
                if written in table:
                    left[thing] = table[written].trivia.comment
                    del table[written]
                continue
            comment = "" if written in table else left.get(thing, "")
            table[written] = _item(_scaled(value, factor))  # takes over the comment behind it
            if comment:
                table[written].comment(comment)
        made = tomlkit.dumps(self._document)
        # A key that is new has the short line end.
        return long_ends(made) if self._crlf else made


def has_long_ends(text: str) -> bool:
    """Whether all lines end with a carriage return and a line feed."""
    return "\r\n" in text and "\n" not in text.replace("\r\n", "")


def long_ends(text: str) -> str:
    """A text with all of its lines ended so."""
    return text.replace("\r\n", "\n").replace("\n", "\r\n")


def in_unit_of_file(table: Mapping[str, Any], key: str) -> tuple[str, Fraction]:
    """The key under which a thing stands in a section, and what to multiply by to write it there."""
    split = units.split_suffix(key)
    if key in table or split is None:
        return key, Fraction(1)
    mine = unit_after(key, split[0])
    for other in table:
        theirs = unit_after(other, split[0])
        if mine and theirs and units.kind_of(mine[0]) == units.kind_of(theirs[0]):
            return other, units.factor(mine[0], theirs[0]) * mine[1] / theirs[1]
    return key, Fraction(1)


def _scaled(value: Any, factor: Fraction) -> Any:
    if isinstance(value, list):
        return [_scaled(element, factor) for element in value]
    if factor == 1 or isinstance(value, bool) or not isinstance(value, int | float):
        return value
    exact = Fraction(repr(value)) * factor
    return int(exact) if exact.denominator == 1 else float(exact)


def _item(value: Any) -> Any:
    import tomlkit

    item = tomlkit.item(value)
    if isinstance(value, list) and value and isinstance(value[0], list):
        item.multiline(True)
    return item
