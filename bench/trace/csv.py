"""Reading CSV as it comes off loggers.

Regular files go through pyarrow block by block, chosen columns only. What pyarrow cannot take (rows of
unequal length, comments between the rows, mistakes) is read again row by row: slower, and able to name the
line of a mistake. Both give the same numbers.
"""

from __future__ import annotations

import csv
import io
import threading
import weakref
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from bench.errors import UserError
from bench.system import give_memory_back
from bench.trace.cells import Clocks, Irregular, Numbers, Stamps, Words, cells_for
from bench.trace.choice import Chosen, ColumnChoice, choose
from bench.trace.dialect import EMPTY_WORDS, HEAD_BYTES, Dialect, Record, number_pattern, records, sniff
from bench.trace.layout import Layout, given_layout, nearby_layout
from bench.trace.model import Column, Floats
from bench.trace.roles import SWITCH_ROLES, TIME, name_of
from bench.trace.room import demand_room
from bench.trace.source import Progress, Utf8Source, text_encoding
from bench.trace.table import Table
from bench.trace.text import plural, quoted
from bench.units import factor

_BLOCK_BYTES = 1 << 20
_BLOCK_ROWS = 1 << 16
_TRIMMED_EACH = 8  # blocks
_RETURN_S = 10.0
_SHOWN_WORDS = 5
_ENCODING_NAMES = {"latin-1": "one byte a character (latin-1)", "utf-16-le": "UTF-16", "utf-16-be": "UTF-16"}


@dataclass(frozen=True)
class Opened:
    """A CSV file of which the beginning was read: how its text is encoded and laid out, the person's choice
    with what the layout adds to it, and the layout, where there is one."""

    path: Path
    encoding: str
    bom: int
    dialect: Dialect
    choice: ColumnChoice
    layout: Layout | None
    notes: list[str]
    rows: int  # about so many, from the size of the file and its beginning

    @property
    def form(self) -> str:
        """What kind of file it is."""
        return f"CSV ({plural(len(self.dialect.columns), 'column')})"


def open_csv(path: Path, choice: ColumnChoice) -> Opened:
    """The beginning of a CSV file, understood. Raises UserError for what is no table of numbers."""
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
    layout = given_layout(choice.layouts, path)
    told = _with_layout(choice, layout)
    dialect = sniff(text, not rest, told.delimiter, told.decimal, where)
    how = "as given"
    if layout is None and not choice.layouts:
        layout = nearby_layout(path, lambda: [column.title for column in dialect.columns])
        how = "found next to the trace by its header"
        told = _with_layout(choice, layout)
        if (told.delimiter, told.decimal) != (choice.delimiter, choice.decimal):
            dialect = sniff(text, not rest, told.delimiter, told.decimal, where)
    notes = [f"text: {_ENCODING_NAMES.get(encoding, encoding)}"] if encoding != "utf-8" else []
    if layout is not None:
        notes.append(f"layout: {layout.path} ({how})")
    rows = max(1, round(path.stat().st_size * head.count(b"\n") / len(head)))
    return Opened(path, encoding, bom, dialect, told, layout, notes + dialect.notes, rows)


def _with_layout(choice: ColumnChoice, layout: Layout | None) -> ColumnChoice:
    """What the person said, and what the layout says where he said nothing."""
    if layout is None:
        return choice
    timed = TIME in choice.columns or TIME in layout.rules
    return replace(
        choice,
        delimiter=choice.delimiter or layout.delimiter,
        decimal=choice.decimal or layout.decimal,
        rate_hz=choice.rate_hz or (None if timed else layout.rate_hz),
    )


def read_csv(
    path: Path, choice: ColumnChoice, progress: Progress | None = None, tick_us: int | None = None
) -> Table:
    """The chosen columns of a CSV file as they stand there, each float64[rows] (switches float32), NaN where
    a cell is empty or not finite; clock times as seconds, other times as nanoseconds since the first. Raises
    UserError for what cannot be read, naming file and line, and for what would take more memory than there
    is, with the ticks of its replay where `tick_us` is given."""
    opened = open_csv(path, choice)
    dialect, notes = opened.dialect, opened.notes
    chosen = choose(
        dialect.columns, dialect.headed, opened.choice, str(path), layout=opened.layout, notes=notes
    )
    numbers = {role: column.column.number for role, column in chosen.items()}

    def job() -> Job[Growing]:
        cells = {role: _cells(dialect, role, column) for role, column in chosen.items()}
        # of a switch, 0 or 1, the half is enough
        parts = {role: Growing(np.float32 if role in SWITCH_ROLES else np.float64) for role in chosen}

        def begun() -> None:
            seconds = _seconds(opened, chosen, cells, parts)
            ticks = round(seconds * 1e6 / tick_us) if tick_us else 0
            demand_room(path, opened.rows, len(chosen), ticks)

        return Job(opened, numbers, cells, parts, progress, begun=begun)

    done = read_job(job)
    stamps = done.cells.get(TIME)
    return Table(
        form=opened.form,
        columns=tuple(Column(c.number, c.title) for c in dialect.columns),
        chosen=chosen,
        values={role: part.values for role, part in done.parts.items()},
        clock=isinstance(stamps, Clocks),
        notes=notes + _said(done),
        first_ns=stamps.first_ns or 0 if isinstance(stamps, Stamps) else None,
        rate_hz=opened.choice.rate_hz,
    )


def _seconds(
    opened: Opened, chosen: Mapping[str, Chosen], cells: Mapping[str, Numbers], parts: Mapping[str, Growing]
) -> float:
    """How long a file lasts, told from the rows read so far; 0 where that cannot be told."""
    if opened.choice.rate_hz:
        return opened.rows / opened.choice.rate_hz
    time = parts[TIME].values if TIME in parts else np.empty(0)
    time = time[np.isfinite(time)]
    if len(time) < 2:
        return 0.0
    unit = 1e-9 if isinstance(cells[TIME], Stamps) else factor(chosen[TIME].unit, "s")
    if isinstance(cells[TIME], Clocks):
        unit = 1.0
    return float(np.ptp(time)) * float(unit) * opened.rows / len(time)


def _cells(dialect: Dialect, role: str, chosen: Chosen) -> Numbers:
    """How the cells of a column with a job are read."""
    index = chosen.column.number - 1
    if role == TIME and index in dialect.clocks:
        return Clocks(dialect.decimal)
    if role == TIME:
        sample = chosen.column.sample
        scale = chosen.rule.factor if chosen.rule else 1.0
        return Stamps(dialect.decimal, chosen.unit, scale, sample.places if sample else 0)
    return cells_for(chosen, dialect.decimal)


class Part(Protocol):
    """What a column's blocks go into."""

    def add(self, block: Floats) -> None:
        """Take the next block; it may be changed."""


P = TypeVar("P", bound=Part)


@dataclass
class Job(Generic[P]):
    """One reading of a file: by the same keys the number of each wanted column, what its cells become, and
    what takes them in. `short` and `comments` count what the row reader met; `begun` is called when the first
    block has been read."""

    opened: Opened
    numbers: dict[str, int]
    cells: dict[str, Numbers]
    parts: dict[str, P]
    progress: Progress | None = None
    short: int = 0
    comments: int = 0
    begun: Callable[[], None] | None = None

    @property
    def dialect(self) -> Dialect:
        """How the file is written."""
        return self.opened.dialect

    def source(self, markers: tuple[bytes, ...] = (), progress: Progress | None = None) -> Utf8Source:
        """The text from the first row of data on."""
        opened = self.opened
        return Utf8Source(opened.path, opened.encoding, opened.bom, opened.dialect.offset, markers, progress)


def read_job(make: Callable[[], Job[P]]) -> Job[P]:
    """Read a file: quickly, or by rows with a job made anew where arrow cannot take it."""
    job = make()
    try:
        _read_fast(job)
    except Irregular:
        job = make()
        _read_rows(job)
    return job


# --- the fast way


def _read_fast(job: Job[P]) -> None:
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    _refuse_irregular(job)
    # A comment between the rows could pass for a row whose first cell nobody asked for.
    before = (b"\n", b"\r", b" ", b"\t")  # it may be indented
    markers = tuple(byte + mark.encode() for mark in job.dialect.comments for byte in before)
    wanted = {role: f"c{number}" for role, number in job.numbers.items()}
    types = {wanted[role]: cells.arrow_type() for role, cells in job.cells.items()}
    beyond = [f"c{i + 1}" for i in range(len(job.dialect.columns), job.dialect.width)]
    options = _arrow_options(job, types, beyond)
    source = job.source(markers, job.progress)
    reader, lent = None, _Lent(source)
    returned = lent.returned
    try:
        # Here, since the frame of a call that fails would hold what is lent.
        reader = arrow_csv.open_csv(pa.PythonFile(lent, mode="r"), **options)
        for number, batch in enumerate(reader):
            if number % _TRIMMED_EACH == 0:
                pa.default_memory_pool().release_unused()
                give_memory_back()
            # cells after the last column: there may be, but empty
            if source.marked or any(batch.column(name).null_count < len(batch) for name in beyond):
                raise Irregular
            for role, name in wanted.items():
                job.parts[role].add(job.cells[role].block(batch.column(name)))
            if number == 0 and job.begun is not None:
                job.begun()
    except (pa.ArrowException, UnicodeDecodeError) as error:
        raise Irregular from error
    finally:
        # Arrow's threads may hold the file and its blocks for some time yet; where one gives its block back
        # after the interpreter's end, the process aborts.
        del reader, lent
        for event in returned:
            event.wait(_RETURN_S)
        source.close()
        pa.default_memory_pool().release_unused()
        give_memory_back()
    if source.marked:
        raise Irregular


def _refuse_irregular(job: Job[P]) -> None:
    """Raise Irregular for what can be seen from the outside not to be arrow's."""
    if job.dialect.delimiter == " " and not job.dialect.plain_spaces:
        raise Irregular
    ways = {(number, str(job.cells[role].arrow_type())) for role, number in job.numbers.items()}
    if len(ways) > len(set(job.numbers.values())):
        raise Irregular  # one column read in two ways
    start = job.source()
    try:
        if start.read(3) == b"\xef\xbb\xbf":
            raise Irregular  # taken for the file's own mark, where it is a character of the first cell
    finally:
        start.close()


def _arrow_options(job: Job[P], types: dict[str, Any], beyond: list[str]) -> dict[str, Any]:
    """What arrow's reader is told, for the wanted columns block by block."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    words = {word for cells in job.cells.values() if isinstance(cells, Words) for word in cells.table}
    nothing = [word for word in _spellings(EMPTY_WORDS) if word.casefold() not in words]
    return {
        "read_options": arrow_csv.ReadOptions(
            column_names=[f"c{i + 1}" for i in range(job.dialect.width)],
            block_size=_BLOCK_BYTES,
            use_threads=False,
        ),
        "parse_options": arrow_csv.ParseOptions(
            delimiter=job.dialect.delimiter,
            newlines_in_values=True,
            # In a file of one column a blank line is a row with an empty cell.
            ignore_empty_lines=job.dialect.width > 1,
        ),
        "convert_options": arrow_csv.ConvertOptions(
            column_types=types | dict.fromkeys(beyond, pa.string()),
            include_columns=[*types, *beyond],
            null_values=[*nothing, *(" " * i for i in range(1, 17))],
            strings_can_be_null=True,
            decimal_point=job.dialect.decimal,
        ),
    }


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


class Growing:
    """A column that grows by blocks. It is never copied: a large array is moved by the page."""

    def __init__(self, kind: type[np.floating[Any]] = np.float64) -> None:
        self.values: npt.NDArray[Any] = np.empty(0, kind)
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


def _said(job: Job[Growing]) -> list[str]:
    notes = [
        f"{name_of(role)}: {plural(part.infinite, 'infinite value')} taken as empty"
        for role, part in job.parts.items()
        if part.infinite
    ]
    for role, cells in job.cells.items():
        if isinstance(cells, Words) and cells.unknown:
            some = ", ".join(quoted(word, 80) for word in sorted(cells.unknown)[:_SHOWN_WORDS])
            more = ", ..." if len(cells.unknown) > _SHOWN_WORDS else ""
            notes.append(f"{name_of(role)}: no number for {some}{more}; a layout's [{role}] words can say it")
    if job.short:
        notes.append(f"{plural(job.short, 'row')} shorter than the others: the missing cells taken as empty")
    if job.comments:
        notes.append(f"{plural(job.comments, 'comment line')} between the rows not read")
    return notes


# --- the row reader


def _read_rows(job: Job[P]) -> None:
    path, dialect, begun = job.opened.path, job.dialect, job.begun
    source = job.source(progress=job.progress)
    readers = [(role, number - 1, job.cells[role].cell) for role, number in job.numbers.items()]
    block: dict[str, list[float]] = {role: [] for role in job.numbers}
    shortest = 1 + max(index for _, index, _ in readers)
    row = Record(dialect.first_line, 0, [], False)
    try:
        for row in _numbered(source, dialect):
            if row.comment:
                job.comments += 1
                continue
            cells = _whole_row(job, row, shortest)
            for role, index, reader in readers:
                try:
                    block[role].append(reader(cells[index]))
                except ValueError:
                    raise _bad_cell(job, row, role) from None
            if len(block[readers[0][0]]) >= _BLOCK_ROWS:
                _flush(block, job.parts)
                if begun is not None:
                    begun()
                begun = None
    except csv.Error as error:
        raise UserError(
            f"cannot be read as CSV ({error})", f"{path}:{row.line}", "check the quotes"
        ) from error
    finally:
        source.close()
    _flush(block, job.parts)


def _whole_row(job: Job[P], row: Record, shortest: int) -> list[str]:
    """The cells of a row, filled up to those that are wanted."""
    cells, usual = row.cells, len(job.dialect.columns)
    if len(cells) == usual:
        return cells
    if any(cell.strip().casefold() not in EMPTY_WORDS for cell in cells[usual:]):
        what = f"the row has {len(cells)} cells and there are {plural(usual, 'column')}"
        raise UserError(what, f"{job.opened.path}:{row.line}", "one cell for each column")
    job.short += len(cells) < usual
    return cells + [""] * (shortest - len(cells))


def _numbered(source: Utf8Source, dialect: Dialect) -> Iterator[Record]:
    """The records from the first data line on; blank lines only where the file has one column."""
    raw = io.BufferedReader(_Raw(source), 1 << 20)
    lines = io.TextIOWrapper(raw, encoding="utf-8", errors="replace", newline="")
    for row in records(lines, dialect.delimiter, dialect.first_line):
        if row.comment or row.cells or dialect.width == 1:
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


def _flush(block: dict[str, list[float]], parts: Mapping[str, Part]) -> None:
    for role, values in block.items():
        parts[role].add(np.array(values, dtype=np.float64))
        values.clear()


def _bad_cell(job: Job[P], row: Record, role: str) -> UserError:
    column, mark = job.dialect.columns[job.numbers[role] - 1], job.dialect.decimal
    text = row.cells[column.number - 1]
    right = job.cells[role].right
    other = "." if mark == "," else ","
    if type(job.cells[role]) in (Numbers, Stamps) and number_pattern(other).fullmatch(text.strip()):
        shown = "a comma" if mark == "," else "a point"
        right = f"the decimal mark of this file is {shown}, or give --decimal"
    what = f"{column.label} ({name_of(role)}) holds {quoted(text)}"
    return UserError(what, f"{job.opened.path}:{row.line}", right)
