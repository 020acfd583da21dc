"""Reading CSV as it comes off loggers.

Regular files go through pyarrow block by block, chosen columns only. What pyarrow cannot take (rows of
unequal length, comments between the rows, mistakes) is read again row by row: slower, and able to name the
line of a mistake. Both give the same numbers.
"""

from __future__ import annotations

import csv
import io
import math
import threading
import weakref
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from bench.errors import UserError
from bench.trace.choice import SWITCH_ROLES, TIME, Chosen, ColumnChoice, choose
from bench.trace.dialect import (
    CLOCK,
    EMPTY_WORDS,
    HEAD_BYTES,
    INFINITE_WORDS,
    Layout,
    Record,
    number_pattern,
    records,
    sniff,
    switch_value,
)
from bench.trace.model import Column, Floats
from bench.trace.source import Progress, Utf8Source, text_encoding
from bench.trace.table import Table
from bench.trace.text import plural, quoted

_BLOCK_BYTES = 4 << 20
_BLOCK_ROWS = 1 << 16
_RETURN_S = 10.0

NUMBER, CLOCK_TIME, SWITCH = "number", "clock", "switch"


class _Irregular(Exception):
    """pyarrow cannot take this file; the row reader must."""


def read_csv(path: Path, choice: ColumnChoice, progress: Progress | None = None) -> Table:
    """The chosen columns of a CSV file as they stand there, each float64[rows], NaN where a cell is empty or
    not finite; clock times as seconds. Raises UserError for what cannot be read, naming file and line."""
    where = str(path)
    with open(path, "rb") as stream:
        head = stream.read(HEAD_BYTES)
        whole = len(stream.read(1)) == 0
    if not head:
        raise UserError("the file is empty", where, "give a trace with rows of numbers")
    encoding, bom = text_encoding(head, whole, where)
    source = Utf8Source(path, encoding, bom)
    try:
        text = source.read(HEAD_BYTES)
        rest = bool(source.read(1))
    finally:
        source.close()
    layout = sniff(text, not rest, choice.delimiter, choice.decimal, where)
    chosen = choose(layout.columns, layout.headed, choice, where)
    notes = [f"text: {_ENCODING_NAMES.get(encoding, encoding)}"] if encoding != "utf-8" else []
    notes += layout.notes
    kinds = {role: _kind(role, column, layout) for role, column in chosen.items()}
    try:
        values, more = _read_fast(path, encoding, bom, layout, chosen, kinds, progress)
    except _Irregular:
        values, more = _read_rows(path, encoding, bom, layout, chosen, kinds, progress)
    return Table(
        form=f"CSV ({plural(len(layout.columns), 'column')})",
        columns=tuple(Column(c.number, c.title) for c in layout.columns),
        chosen=chosen,
        values=values,
        clock=kinds.get(TIME) == CLOCK_TIME,
        notes=notes + more,
    )


_ENCODING_NAMES = {"latin-1": "one byte a character (latin-1)", "utf-16-le": "UTF-16", "utf-16-be": "UTF-16"}


def _kind(role: str, chosen: Chosen, layout: Layout) -> str:
    if role in SWITCH_ROLES:
        return SWITCH
    return CLOCK_TIME if role == TIME and chosen.column.number - 1 in layout.clocks else NUMBER


# --- the fast way


def _read_fast(
    path: Path,
    encoding: str,
    bom: int,
    layout: Layout,
    chosen: Mapping[str, Chosen],
    kinds: Mapping[str, str],
    progress: Progress | None,
) -> tuple[dict[str, Floats], list[str]]:
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    if layout.delimiter == " " and not layout.plain_spaces:
        raise _Irregular
    if len({(c.column.number, kinds[role]) for role, c in chosen.items()}) > len(
        {c.column.number for c in chosen.values()}
    ):
        raise _Irregular  # one column read in two ways
    start = Utf8Source(path, encoding, bom, layout.offset)
    try:
        if start.read(3) == b"\xef\xbb\xbf":
            raise _Irregular  # taken for the file's own mark, where it is a character of the first cell
    finally:
        start.close()
    # A comment between the rows could pass for a row whose first cell nobody asked for.
    before = (b"\n", b"\r", b" ", b"\t")  # it may be indented
    markers = tuple(byte + mark.encode() for mark in layout.comments for byte in before)
    source = Utf8Source(path, encoding, bom, layout.offset, markers, progress)
    names = [f"c{i + 1}" for i in range(layout.width)]
    wanted = {role: f"c{column.column.number}" for role, column in chosen.items()}
    text_type = pa.dictionary(pa.int32(), pa.string())
    types = {
        NUMBER: pa.float64(),
        CLOCK_TIME: pa.string(),
        SWITCH: text_type,
    }
    beyond = names[len(layout.columns) :]  # cells after the last column: there may be, but empty
    blanks = [" " * i for i in range(1, 17)]
    parts = {role: _Growing() for role in chosen}
    reader, lent = None, _Lent(source)
    returned = lent.returned
    try:
        reader = arrow_csv.open_csv(
            pa.PythonFile(lent, mode="r"),
            read_options=arrow_csv.ReadOptions(
                column_names=names, block_size=_BLOCK_BYTES, use_threads=False
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=layout.delimiter,
                newlines_in_values=True,
                # In a file of one column a blank line is a row with an empty cell.
                ignore_empty_lines=layout.width > 1,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types={name: types[kinds[role]] for role, name in wanted.items()}
                | dict.fromkeys(beyond, pa.string()),
                include_columns=[*dict.fromkeys(wanted.values()), *beyond],
                null_values=[*_spellings(EMPTY_WORDS), *blanks],
                strings_can_be_null=True,
                decimal_point=layout.decimal,
            ),
        )
        for batch in reader:
            if source.marked or any(batch.column(name).null_count < len(batch) for name in beyond):
                raise _Irregular
            for role, name in wanted.items():
                parts[role].add(_floats(batch.column(name), kinds[role], layout.decimal))
    except (pa.ArrowException, UnicodeDecodeError) as error:
        raise _Irregular from error
    finally:
        # Arrow's threads may hold the file and its blocks for some time yet; where one gives its block back
        # after the interpreter's end, the process aborts.
        del reader, lent
        for event in returned:
            event.wait(_RETURN_S)
        source.close()
    if source.marked:
        raise _Irregular
    return {role: part.values for role, part in parts.items()}, _said(parts, 0, 0)


class _Lent:
    """What arrow reads from. `returned` has an event for this itself and for each block it gave: set once
    nobody holds it any more."""

    def __init__(self, source: Utf8Source) -> None:
        self._source = source
        self.returned: list[threading.Event] = []
        self._lend(self)

    def _lend(self, what: object) -> None:
        event = threading.Event()
        weakref.finalize(what, event.set)
        self.returned.append(event)

    @property
    def closed(self) -> bool:
        """As a file has it."""
        return self._source.closed

    def readable(self) -> bool:
        """As a file has it."""
        return True

    def read(self, size: int = -1) -> memoryview:
        """As a file has it, but as something that can be watched."""
        block = memoryview(self._source.read(size))
        self._lend(block)
        return block


def _spellings(words: frozenset[str]) -> list[str]:
    return sorted(
        {way(word) for word in words for way in (str.lower, str.upper, str.capitalize)} | {"NaN", "N/a"}
    )


def _floats(column: Any, kind: str, decimal: str) -> Floats:
    """One block of a column as float64; what is not as expected is left to the row reader."""
    if kind == SWITCH:
        try:
            table = [
                math.nan if t is None else switch_value(t, decimal) for t in column.dictionary.to_pylist()
            ]
        except ValueError as error:
            raise _Irregular from error
        indices, filled = _array(column.indices, np.int32)
        return np.asarray([*table, math.nan])[np.where(filled, indices, len(table))]
    if kind == CLOCK_TIME:
        from pyarrow import compute  # takes long to load

        fields = compute.extract_regex(column, f"^{CLOCK.pattern}$")
        if fields.null_count > column.null_count:
            raise _Irregular
        hours, minutes, seconds = (compute.struct_field(fields, name) for name in ("h", "m", "s"))
        hours = compute.if_else(compute.equal(hours, ""), "0", hours)
        seconds = compute.replace_substring(seconds, ",", ".")
        h, m, s = (_masked(compute.cast(part, "float64")) for part in (hours, minutes, seconds))
        return h * 3600.0 + m * 60.0 + s
    return _masked(column)


def _array(column: Any, dtype: Any) -> tuple[Any, Any]:
    """(values, which of them are there) of an arrow array, read from its memory.

    The array's own method would load pandas wherever that is installed: 100 MB and half a second.
    """
    mask, data = column.buffers()
    here = slice(column.offset, column.offset + len(column))
    values = np.frombuffer(data, dtype=dtype)[here]
    if column.null_count == 0:
        return values, True
    return values, np.unpackbits(np.frombuffer(mask, dtype=np.uint8), bitorder="little")[here].astype(
        np.bool_
    )


def _masked(column: Any) -> Floats:
    """An arrow array of float64 with NaN where it has nothing."""
    values, filled = _array(column, np.float64)
    return values if filled is True else np.where(filled, values, np.nan)


class _Growing:
    """A column that grows by blocks. It is never copied: a large array is moved by the page."""

    def __init__(self) -> None:
        self.values: Floats = np.empty(0)
        self.infinite = 0

    def add(self, block: Floats) -> None:
        """Append a block; what is infinite is counted and becomes NaN."""
        have = len(self.values)
        self.values.resize(have + len(block), refcheck=False)
        new = self.values[have:]
        new[:] = block
        if np.isfinite(new).all():
            return
        wild = np.isinf(new)
        self.infinite += int(np.count_nonzero(wild))
        new[wild] = np.nan


def _said(parts: Mapping[str, _Growing], short: int, comments: int) -> list[str]:
    notes = [
        f"{role.replace('_', ' ')}: {plural(part.infinite, 'infinite value')} taken as empty"
        for role, part in parts.items()
        if part.infinite
    ]
    if short:
        notes.append(f"{plural(short, 'row')} shorter than the others: the missing cells taken as empty")
    if comments:
        notes.append(f"{plural(comments, 'comment line')} between the rows not read")
    return notes


# --- the row reader


def _read_rows(
    path: Path,
    encoding: str,
    bom: int,
    layout: Layout,
    chosen: Mapping[str, Chosen],
    kinds: Mapping[str, str],
    progress: Progress | None,
) -> tuple[dict[str, Floats], list[str]]:
    source = Utf8Source(path, encoding, bom, layout.offset, progress=progress)
    readers = [(role, column.column.number - 1, _cell_reader(kinds[role], layout.decimal))
               for role, column in chosen.items()]  # fmt: skip
    parts = {role: _Growing() for role in chosen}
    block: dict[str, list[float]] = {role: [] for role in chosen}
    short = comments = 0
    shortest = 1 + max(index for _, index, _ in readers)
    usual = len(layout.columns)
    row = Record(layout.first_line, 0, [], False)
    try:
        for row in _numbered(source, layout):
            if row.comment:
                comments += 1
                continue
            cells = row.cells
            if len(cells) != usual:
                if any(cell.strip().casefold() not in EMPTY_WORDS for cell in cells[usual:]):
                    what = f"the row has {len(cells)} cells and there are {plural(usual, 'column')}"
                    raise UserError(what, f"{path}:{row.line}", "one cell for each column")
                short += len(cells) < usual
                if len(cells) < shortest:
                    cells = cells + [""] * (shortest - len(cells))
            for role, index, reader in readers:
                try:
                    block[role].append(reader(cells[index]))
                except ValueError:
                    raise _bad_cell(path, row, chosen[role], kinds[role], layout) from None
            if len(block[readers[0][0]]) >= _BLOCK_ROWS:
                _flush(block, parts)
    except csv.Error as error:
        raise UserError(
            f"cannot be read as CSV ({error})", f"{path}:{row.line}", "check the quotes"
        ) from error
    finally:
        source.close()
    _flush(block, parts)
    return {role: part.values for role, part in parts.items()}, _said(parts, short, comments)


def _numbered(source: Utf8Source, layout: Layout) -> Iterator[Record]:
    """The records from the first data line on; blank lines only where the file has one column."""
    raw = io.BufferedReader(_Raw(source), 1 << 20)
    lines = io.TextIOWrapper(raw, encoding="utf-8", errors="replace", newline="")
    for row in records(lines, layout.delimiter, layout.first_line):
        if row.comment or row.cells or layout.width == 1:
            yield row


class _Raw(io.RawIOBase):
    """A Utf8Source as the raw stream that io's text layer wants."""

    def __init__(self, source: Utf8Source) -> None:
        super().__init__()
        self._source = source

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._source.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def _flush(block: dict[str, list[float]], parts: dict[str, _Growing]) -> None:
    for role, values in block.items():
        parts[role].add(np.array(values, dtype=np.float64))
        values.clear()


def _cell_reader(kind: str, decimal: str) -> Callable[[str], float]:
    """A function from a cell's text to its value, NaN where empty; ValueError where it is neither."""
    pattern = number_pattern(decimal)

    def number(text: str) -> float:
        if pattern.fullmatch(text):
            return float(text) if decimal == "." else float(text.replace(",", "."))
        word = text.strip().casefold()
        if pattern.fullmatch(word):
            return float(word.replace(",", "."))
        if word in EMPTY_WORDS:
            return math.nan
        if word in INFINITE_WORDS:
            return math.inf
        raise ValueError(text)

    def clock(text: str) -> float:
        word = text.strip()
        found = CLOCK.fullmatch(word)
        if found:
            seconds = float(found["s"].replace(",", "."))
            return float(found["h"] or 0) * 3600.0 + float(found["m"]) * 60.0 + seconds
        if word.casefold() in EMPTY_WORDS:
            return math.nan
        raise ValueError(text)

    return {NUMBER: number, CLOCK_TIME: clock, SWITCH: lambda text: switch_value(text, decimal)}[kind]


def _bad_cell(path: Path, row: Record, chosen: Chosen, kind: str, layout: Layout) -> UserError:
    column = chosen.column
    text = row.cells[column.number - 1]
    title = f" {quoted(column.title)}" if column.title else ""
    other = "." if layout.decimal == "," else ","
    right = "a number or nothing belongs there"
    if kind == CLOCK_TIME:
        right = "a time as hh:mm:ss or mm:ss belongs there"
    elif kind == SWITCH:
        right = "0, 1, on, off, true, false or nothing belongs there"
    elif number_pattern(other).fullmatch(text.strip()):
        mark = "a comma" if layout.decimal == "," else "a point"
        right = f"the decimal mark of this file is {mark}, or give --decimal"
    what = f"column {column.number}{title} ({chosen.role.replace('_', ' ')}) holds {quoted(text)}"
    return UserError(what, f"{path}:{row.line}", right)
