"""What stands in the cells of a column, and how it becomes numbers: in blocks of arrow, or cell by cell.

Both ways give the same numbers. A time is never a float before its first value is taken off: it is read as a
whole number of nanoseconds, so that a log that counts from 1970 is as exact as one that begins at 0.
"""

from __future__ import annotations

import decimal
import math
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np

from bench.trace.choice import Chosen
from bench.trace.dialect import CLOCK, EMPTY_WORDS, INFINITE_WORDS, number_pattern, switch_value
from bench.trace.layout import REASON_WORDS, STATE_WORDS
from bench.trace.model import Floats
from bench.trace.roles import LOGGED_STATE, SWITCH_ROLES, WORD_ROLES
from bench.units import factor

_EXACT = decimal.Context(prec=80, rounding=decimal.ROUND_HALF_EVEN)
_GREATEST = 25  # digits before the point of a time; more is taken for infinite
_MORE_DIGITS = 15  # digits after the last whole nanosecond that arrow may be asked to round


class Irregular(Exception):
    """pyarrow cannot take this file; the row reader must."""


def array(column: Any, dtype: Any) -> tuple[Any, Any]:
    """(values, which of them are there) of an arrow array, read from its memory.

    The array's own method would load pandas wherever that is installed: 100 MB and half a second.
    """
    mask, data = column.buffers()
    inside = slice(column.offset, column.offset + len(column))
    values = np.frombuffer(data, dtype=dtype)[inside]
    if column.null_count == 0:
        return values, True
    bits = np.unpackbits(np.frombuffer(mask, dtype=np.uint8), bitorder="little")
    return values, bits[inside].astype(np.bool_)


def _masked(column: Any) -> Floats:
    """An arrow array of float64 with NaN where it has nothing."""
    values, filled = array(column, np.float64)
    return values if filled is True else np.where(filled, values, np.nan)


class Numbers:
    """Plain numbers, NaN where a cell is empty."""

    right = "a number or nothing belongs there"

    def __init__(self, mark: str) -> None:
        self.mark = mark
        self._pattern = number_pattern(mark)

    def arrow_type(self) -> Any:
        """The type that arrow reads."""
        import pyarrow as pa

        return pa.float64()

    def block(self, column: Any) -> Floats:
        """One block of arrow's as float64; Irregular where the row reader must look."""
        return _masked(column)

    def cell(self, text: str) -> float:
        """One cell; ValueError where it is not as expected."""
        if self._pattern.fullmatch(text):
            return float(text) if self.mark == "." else float(text.replace(",", "."))
        word = text.strip().casefold()
        if self._pattern.fullmatch(word):
            return float(word.replace(",", "."))
        if word in EMPTY_WORDS:
            return math.nan
        if word in INFINITE_WORDS:
            return math.inf
        raise ValueError(text)


class Clocks(Numbers):
    """Clock times, as seconds from midnight."""

    right = "a time as hh:mm:ss or mm:ss belongs there"

    def arrow_type(self) -> Any:
        """Text."""
        import pyarrow as pa

        return pa.string()

    def block(self, column: Any) -> Floats:
        """Seconds."""
        from pyarrow import compute  # takes long to load

        fields = compute.extract_regex(column, f"^{CLOCK.pattern}$")
        if fields.null_count > column.null_count:
            raise Irregular
        hours, minutes, seconds = (compute.struct_field(fields, name) for name in ("h", "m", "s"))
        hours = compute.if_else(compute.equal(hours, ""), "0", hours)
        seconds = compute.replace_substring(seconds, ",", ".")
        h, m, s = (_masked(compute.cast(part, "float64")) for part in (hours, minutes, seconds))
        return h * 3600.0 + m * 60.0 + s

    def cell(self, text: str) -> float:
        """Seconds."""
        word = text.strip()
        found = CLOCK.fullmatch(word)
        if found:
            seconds = float(found["s"].replace(",", "."))
            return float(found["h"] or 0) * 3600.0 + float(found["m"]) * 60.0 + seconds
        if word.casefold() in EMPTY_WORDS:
            return math.nan
        raise ValueError(text)


class Stamps(Numbers):
    """Times as numbers of `unit` times `scale`: nanoseconds since the first that is there, which `first_ns`
    is.

    `places` are the digits behind the decimal mark that its cells have; they may go beyond the nanosecond.
    """

    def __init__(self, mark: str, unit: str, scale: float, places: int) -> None:
        super().__init__(mark)
        self.first_ns: int | None = None
        self._ns = factor(unit, "s") * 10**9 * Fraction(Decimal(repr(scale)))
        # so many digits after the point are whole nanoseconds
        self._digits = next((digits for digits in (9, 6, 3, 0) if self._ns == 10**digits), -1)
        self._rounds = places > self._digits

    def arrow_type(self) -> Any:
        """Decimals, with more digits than whole nanoseconds have where the first rows show more."""
        import pyarrow as pa

        if self._digits < 0:
            raise Irregular
        return pa.decimal128(38, self._digits + self._rounds * _MORE_DIGITS)

    def block(self, column: Any) -> Floats:
        """Nanoseconds since the first: whole numbers in two halves of 64 bits, less the first; then a
        float."""
        if self._rounds:
            import pyarrow as pa
            from pyarrow import compute

            rounded = compute.round(column, ndigits=self._digits, round_mode="half_to_even")
            column = compute.cast(rounded, pa.decimal128(38, self._digits))
        mask, data = column.buffers()
        part = slice(column.offset, column.offset + len(column))
        halves = np.frombuffer(data, dtype="<u8").reshape(-1, 2)[part]
        filled = np.ones(len(column), np.bool_)
        if column.null_count:
            filled = np.unpackbits(np.frombuffer(mask, dtype=np.uint8), bitorder="little")[part].astype(
                np.bool_
            )
        low, high = halves[filled, 0], halves[filled, 1].view(np.int64)
        since = np.full(len(column), np.nan)
        if len(low) == 0:
            return since
        if self.first_ns is None:
            self.first_ns = (int(high[0]) << 64) + int(low[0])
        first_high, first_low = self.first_ns >> 64, self.first_ns % 2**64
        rough = (high - np.int64(first_high)) * 2.0**64 + (low.astype(np.float64) - float(first_low))
        if np.abs(rough).max() > 2.0**62:
            raise Irregular
        since[filled] = (low - np.uint64(first_low)).view(np.int64)
        return since

    def cell(self, text: str) -> float:
        """Nanoseconds since the first."""
        word = text.strip().casefold()
        if not self._pattern.fullmatch(word):
            return super().cell(text)
        ns = self._exact(word.replace(",", "."))
        if ns is None:
            return math.inf
        if self.first_ns is None:
            self.first_ns = ns
        return float(ns - self.first_ns)

    def _exact(self, text: str) -> int | None:
        """A number's whole nanoseconds, half to even; None for what is beyond all times."""
        try:
            number = _EXACT.create_decimal(text)
            if number and number.adjusted() > _GREATEST:
                return None
            if number.adjusted() < -60:
                return 0
            return round(Fraction(number) * self._ns)
        except decimal.DecimalException:
            value = float(text)
            return None if abs(value) > 1.0 else 0


class Switches(Numbers):
    """1 for on, 0 for off. `on` and `off` are a layout's words for them."""

    right = "0, 1, on, off, true, false or nothing belongs there"

    def __init__(self, mark: str, on: Sequence[str] = (), off: Sequence[str] = ()) -> None:
        super().__init__(mark)
        self._known = {word.strip().casefold(): 1.0 for word in on} | {
            word.strip().casefold(): 0.0 for word in off
        }
        if self._known:
            self.right = "a word of the layout's on and off, 0, 1 or nothing belongs there"

    def arrow_type(self) -> Any:
        """Text, each once."""
        import pyarrow as pa

        return pa.dictionary(pa.int32(), pa.string())

    def block(self, column: Any) -> Floats:
        """1 and 0."""
        try:
            table = [math.nan if t is None else self.cell(t) for t in column.dictionary.to_pylist()]
        except ValueError as error:
            raise Irregular from error
        indices, filled = array(column.indices, np.int32)
        return np.asarray([*table, math.nan])[np.where(filled, indices, len(table))]

    def cell(self, text: str) -> float:
        """1 or 0."""
        known = self._known.get(text.strip().casefold())
        return switch_value(text, self.mark) if known is None else known


class Words(Switches):
    """Numbers, or words that a table turns into numbers. `unknown` are the words that it does not have."""

    right = "a word or a number belongs there"

    def __init__(self, mark: str, table: dict[str, int]) -> None:
        super().__init__(mark)
        self.table = table
        self.unknown: dict[str, None] = {}

    def cell(self, text: str) -> float:
        """The number, NaN for a word that is not in the table."""
        word = text.strip().casefold()
        if word in self.table:
            return float(self.table[word])
        try:
            return Numbers.cell(self, text)
        except ValueError:
            self.unknown[text.strip()] = None
            return math.nan


def cells_for(chosen: Chosen, mark: str) -> Numbers:
    """How the cells of a column that is no time are read."""
    rule = chosen.rule
    if chosen.role in SWITCH_ROLES:
        return Switches(mark, rule.on, rule.off) if rule else Switches(mark)
    if chosen.role in WORD_ROLES:
        ours = STATE_WORDS if chosen.role == LOGGED_STATE else REASON_WORDS
        return Words(mark, ours | dict(rule.words if rule else ()))
    return Numbers(mark)
