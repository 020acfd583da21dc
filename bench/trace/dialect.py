"""How a CSV file is written, found from its beginning: delimiter, decimal mark, header, units, first row."""

from __future__ import annotations

import csv
import io
import itertools
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from bench.errors import UserError
from bench.trace.choice import ColumnSample, HeaderColumn
from bench.trace.naming import is_role_word, split_name
from bench.trace.text import plural, quoted
from bench.units import parse_unit

HEAD_BYTES = 4 << 20
_HEAD_LINES = 1000
_SAMPLE_ROWS = 40
_SCORED_CELLS = 64
_SAMPLED_ROWS = 200
_NAME_BONUS = 0.2

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|", "space": " "}
_DELIMITER_WORDS = {mark: word for word, mark in DELIMITERS.items()}

EMPTY_WORDS = frozenset(
    {"", "-", "--", "na", "n/a", "#n/a", "null", "none", "nan", "-nan", "+nan", "1.#qnan", "-1.#ind"}
)
INFINITE_WORDS = frozenset({"inf", "+inf", "-inf", "infinity", "+infinity", "-infinity", "1.#inf", "-1.#inf"})
_ON_WORDS = frozenset({"on", "true", "yes", "high", "closed"})
_OFF_WORDS = frozenset({"off", "false", "no", "low", "open"})

_NUMBER = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?\d*(,?\d+)([eE][+-]?\d+)?", re.ASCII),
}
# In a cell the decimal mark may end a number; that is no help in finding out which mark a file has.
_CELL = {**_NUMBER, ",": re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?", re.ASCII)}
CLOCK = re.compile(
    r"(?:[\d./-]+[T ]+)?(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}):(?P<s>\d{1,2}(?:[.,]\d+)?)(?:Z|[+-]\d\d:?\d\d)?",
    re.ASCII,
)
"""hours:minutes:seconds or minutes:seconds, after a date or not; what stands before the hours is not read."""

# Units seen beside ours in a row of units; only to tell such a row from a row of names.
_OTHER = """
bar psi kpa mpa pa hpa °c °f degc degf c f k nm n g kg lb lbf lbft ft-lb ft·lb m/s² m/s^2 m/s2 hz khz a ma w
kw hp ps l/h l/min lambda afr deg/s °/s rad rad/s ohm db - 1 none number text hh:mm:ss h
"""
_OTHER_UNITS = frozenset(_OTHER.split())


class Record(NamedTuple):
    """One record of the file: the line and the byte it starts at, its cells, and whether it is a comment."""

    line: int
    begin: int
    cells: list[str]
    comment: bool


@dataclass(frozen=True)
class Dialect:
    """How to read the file. `first_line` and `offset` (bytes of UTF-8 text) are where the data starts."""

    delimiter: str
    decimal: str
    width: int
    columns: tuple[HeaderColumn, ...]
    headed: bool
    first_line: int
    offset: int
    clocks: frozenset[int]
    plain_spaces: bool
    notes: list[str]

    @property
    def comments(self) -> tuple[str, ...]:
        """What a comment line may begin with."""
        return comment_marks(self.delimiter)


def comment_marks(delimiter: str) -> tuple[str, ...]:
    """What a comment line may begin with; a semicolon that separates cells cannot."""
    return tuple(mark for mark in ("#", "%", ";", "//") if mark != delimiter)


def records(lines: Iterable[str], delimiter: str, first_line: int = 1) -> Iterator[Record]:
    """Every record of the text, blank lines as records without cells.

    Quoted cells may hold delimiters, doubled quotes and line ends (RFC 4180). Raises csv.Error for text that
    no reader can take.
    """
    marks = comment_marks(delimiter)
    line, here, used = first_line - 1, 0, 0
    start = begin = 0
    inside = False  # a record goes on over the line end, so that nothing there is a comment
    comments: list[Record] = []

    def feed() -> Iterator[str]:
        nonlocal line, here, used, start, begin, inside
        for text in lines:
            here, used, line = used, used + len(text), line + 1
            if not inside:
                if text.lstrip(" \t").startswith(marks):
                    comments.append(Record(line, here, [text.strip()], True))
                    continue
                start, begin, inside = line, here, True
            yield text.strip(" \r\n") + "\n" if delimiter == " " else text

    reader = csv.reader(feed(), delimiter=delimiter, skipinitialspace=delimiter == " ")
    while True:
        inside = False
        cells = next(reader, None)
        yield from comments
        comments.clear()
        if cells is None:
            return
        yield Record(start, begin, cells, False)


def number_pattern(decimal: str) -> re.Pattern[str]:
    """What a number in a cell looks like with this decimal mark."""
    return _CELL[decimal]


def switch_value(text: str, decimal: str) -> float:
    """1 or 0 for a switch's cell: a word, or a number, on from one half up. NaN where empty; else
    ValueError."""
    word = text.strip().casefold()
    if word in _ON_WORDS:
        return 1.0
    if word in _OFF_WORDS:
        return 0.0
    if word in EMPTY_WORDS:
        return math.nan
    if not _NUMBER[decimal].fullmatch(word):
        raise ValueError(text)
    return float(float(word.replace(",", ".")) >= 0.5)


def sniff(head: bytes, whole: bool, delimiter: str | None, decimal: str | None, where: str) -> Dialect:
    """The dialect of a file whose text begins with `head` (all of it if `whole`).

    `delimiter` and `decimal` are what the person gave, or None. Raises UserError where no table of numbers is
    found or two readings are left.
    """
    if not whole:
        cut = max(head.rfind(b"\n"), head.rfind(b"\r"))
        if cut < 0:
            raise UserError(
                f"no line end in the first {len(head)} bytes", where, "give a table with one row a line"
            )
        head = head[: cut + 1]
    # One character a byte, so that the lengths of the lines are offsets in the file.
    lines = list(itertools.islice(io.StringIO(head.decode("latin-1"), newline=""), _HEAD_LINES))
    marks = _given_delimiter(delimiter)
    best: tuple[float, float, int, int, int] = (0.0, 0.0, 0, 0, 0)
    found: tuple[str, str, list[Record]] | None = None
    for order, mark in enumerate(marks):
        try:
            rows = list(records(lines, mark))
        except csv.Error as error:
            if mark == marks[-1] and found is None:
                raise UserError(f"cannot be read as CSV ({error})", where, "check the quotes") from error
            continue
        for point in (decimal,) if decimal else (".", ","):
            score = (*_score(rows, mark, point), -order)
            if score > best:
                best, found = score, (mark, point, rows)
    if found is None:
        raise _nothing(lines, where)
    mark, point, rows = found
    return _Table(mark, point, where, rows).dialect(lines, (delimiter is not None, decimal is not None))


def _given_delimiter(text: str | None) -> Sequence[str]:
    if text is None:
        return (",", ";", "\t", "|", " ")
    mark = DELIMITERS.get(text.casefold(), "\t" if text == "\\t" else text)
    if len(mark) != 1 or mark.isalnum() or mark in '"\r\n.+-' or not mark.isascii():
        words = ", ".join(DELIMITERS)
        raise UserError(
            f"--delimiter {quoted(text)} cannot separate cells",
            right=f"give one of {words}, or one character",
        )
    return (mark,)


def _nothing(lines: Sequence[str], where: str) -> UserError:
    texts = [line for line in lines if line.strip()]
    if not texts:
        return UserError("the file is empty", where, "give a trace with rows of numbers")
    if len(texts) == 1:
        return UserError(
            "there is one line and no row of numbers", where, "give a trace with rows of numbers"
        )
    return UserError(
        "no rows of numbers found", where, "give a table of numbers, one row a line, or --delimiter"
    )


def _is_value(text: str, decimal: str) -> bool:
    text = text.strip(" \r\n")  # a tab at its edge is no blank but a delimiter
    return bool(_NUMBER[decimal].fullmatch(text) or (":" in text and CLOCK.fullmatch(text)))


def _is_empty(text: str) -> bool:
    return text.strip().casefold() in EMPTY_WORDS or text.strip().casefold() in INFINITE_WORDS


def _tail(rows: Sequence[Record]) -> list[Record]:
    return [row for row in rows if not row.comment and any(row.cells)][-_SAMPLE_ROWS:]


def _score(rows: Sequence[Record], mark: str, decimal: str) -> tuple[float, float, int, int]:
    """How well a delimiter and a decimal mark explain the rows; the greatest wins.

    (share of the last cells that are values, raised where names of signals appear; share of the first rows of
    the same width; minus the texts that hold another delimiter or a quote; width). A text such as "25;x;0" is
    three cells of another reading.
    """
    others = {*DELIMITERS.values(), '"'} - {mark, " "}
    stray = 0
    shares, widths = [], []
    for row in _tail(rows):
        cells = [cell for cell in row.cells[:_SCORED_CELLS] if not _is_empty(cell)]
        values = sum(_is_value(cell, decimal) for cell in cells)
        if values:
            shares.append(values / len(cells))
            widths.append(len(row.cells))
            texts = (cell for cell in cells if not _is_value(cell, decimal))
            stray += sum(not others.isdisjoint(cell) for cell in texts)
    if not shares:
        return 0.0, 0.0, 0, 0
    width, votes = Counter(widths).most_common(1)[0]
    share = sum(shares) / len(_tail(rows)) * (0.5 + 0.5 * votes / len(widths))
    start = rows[:_SAMPLE_ROWS]
    names = sum(is_role_word(cell) for row in start[:10] for cell in row.cells[:_SCORED_CELLS] if cell)
    share *= 1 + _NAME_BONUS * min(2, names)
    return round(share, 6), sum(len(row.cells) == width for row in start) / len(start), -stray, width


class _Table:
    """The rows of a file's beginning, taken apart: header, row of units, and where the data starts."""

    def __init__(self, mark: str, decimal: str, where: str, rows: Sequence[Record]) -> None:
        self.mark, self.decimal, self.where = mark, decimal, where
        self.rows = [row for row in rows if row.comment or any(cell.strip() for cell in row.cells)]
        tail = [row for row in _tail(self.rows) if any(_is_value(cell, decimal) for cell in row.cells)]
        self.width = Counter(len(row.cells) for row in reversed(tail)).most_common(1)[0][0]
        tail = [row for row in tail if len(row.cells) == self.width]
        self.numeric, self.clocks = _numeric_columns(tail, self.width, decimal)
        self.filled = 1 + max(i for row in tail for i, cell in enumerate(row.cells) if cell.strip())
        first = self._first_clean(tail[0].line)
        self.header, self.units, self.first = _find_header(
            self.rows, first, self.filled, self.numeric, decimal
        )

    def _first_clean(self, line: int) -> int:
        """The index of the first row of numbers; that of `line`, which has values, where none is clean."""
        least = min(2, self.filled)
        for i, row in enumerate(self.rows):
            # A lone number above a table is not one of its rows.
            full = len(row.cells) == self.width or _used(row.cells) >= least
            if full and _is_clean(row, self.numeric, self.decimal):
                return i
        return next(i for i, row in enumerate(self.rows) if row.line == line)

    def dialect(self, lines: Sequence[str], given: tuple[bool, bool]) -> Dialect:
        """How to read the file; `given` tells whether the person said its delimiter and its decimal mark."""
        width = self._whole_width()
        line, begin = self.rows[self.first].line, self.rows[self.first].begin
        below = lines[line - 1 :]
        plain = self.mark == " " and not any(
            "  " in text or text.strip("\r\n") != text.strip() for text in below
        )
        sample = [row.cells for row in self.rows[self.first :] if not row.comment]
        columns = self._columns(width, sample[:: 1 + len(sample) // _SAMPLED_ROWS])
        return Dialect(
            self.mark, self.decimal, width, columns, self.header is not None, line, begin, self.clocks, plain,
            self._notes(len(columns), given),
        )  # fmt: skip

    def _whole_width(self) -> int:
        """How many cells a row may have. Raises UserError for a header that names too few or too many."""
        if self.header is None:
            return max(self.width, self.filled)
        used = _used(self.header.cells)
        place = f"{self.where}:{self.header.line}"
        if used < self.filled:
            what = f"the header names {plural(used, 'column')} and the rows have {self.filled} cells"
            right = "name every column"
            if self.mark == "," and self.filled == 2 * used:
                right = "commas separate cells and mark decimals: write the file with another delimiter"
            elif self.mark == ",":
                right = "name every column, or give --delimiter and --decimal"
            raise UserError(what, place, right)
        if self.mark == " " and used > self.width:
            what = f"the header has {plural(used, 'word')} and the rows have {self.filled} cells"
            raise UserError(what, place, "quote names that hold spaces, or use another delimiter")
        return max(self.width, used)

    def _columns(self, width: int, sample: Sequence[Sequence[str]]) -> tuple[HeaderColumn, ...]:
        names = [_utf8(cell) for cell in self.header.cells] if self.header else []
        unit_texts = [_utf8(cell) for cell in self.units.cells] if self.units else []
        names += [""] * (width - len(names))
        unit_texts += [""] * (width - len(unit_texts))
        columns = [_column(i, names[i], unit_texts[i], self.where, self.units) for i in range(width)]
        if self.header is None:
            columns = columns[: self.filled]
        elif not any(column.name for column in columns[self.filled :]):
            columns = columns[: max(self.filled, _used(self.header.cells))]
        return tuple(
            replace(column, sample=_sample([row[i] for row in sample if i < len(row)], self.decimal))
            for i, column in enumerate(columns)
        )

    def _notes(self, columns: int, given: tuple[bool, bool]) -> list[str]:
        notes = []
        if columns > 1:
            how = "as given" if given[0] else "found from the rows"
            notes.append(f"delimiter: {_DELIMITER_WORDS.get(self.mark, self.mark)} ({how})")
        if self.decimal == ",":
            notes.append(f"decimal mark: comma ({'as given' if given[1] else 'found from the rows'})")
        unread = [row for row in self.rows[: self.first] if row is not self.header and row is not self.units]
        if unread:
            more = " ..." if len(unread) > 1 else ""
            count = plural(len(unread), "line")
            notes.append(f"{count} above the data not read: {_line_text(unread[0])}{more}")
        if self.header is None:
            notes.append("no header line")
        elif self.header.comment:
            notes.append(f"the names are taken from the comment in line {self.header.line}")
        if self.units is not None:
            notes.append(f"units taken from line {self.units.line}")
        return notes


def _sample(cells: Sequence[str], decimal: str) -> ColumnSample:
    """What the first cells of a column hold."""
    filled = [cell.strip() for cell in cells if not _is_empty(cell)]
    if not filled:
        return ColumnSample("empty")
    switch = all(_is_switch(cell) for cell in set(filled))
    if not all(_is_value(cell, decimal) for cell in filled):
        return ColumnSample("text", switch=switch)
    if ":" in filled[0]:
        return ColumnSample("clock", rises=True)
    numbers = [float(cell.replace(",", ".")) for cell in filled if ":" not in cell]
    pairs = list(itertools.pairwise(numbers))
    falls = sum(b < a for a, b in pairs)
    rises = numbers[-1] > numbers[0] and falls <= 0.02 * len(pairs)
    places = max(_places(cell, decimal) for cell in filled) if rises else 0
    return ColumnSample("number", min(numbers), max(numbers), rises, switch, places)


def _places(text: str, mark: str) -> int:
    """How many digits a number has behind its decimal mark, were it written without an exponent."""
    digits, _, exponent = text.casefold().partition("e")
    return len(digits.partition(mark)[2]) - int(exponent or 0)


def _is_switch(text: str) -> bool:
    word = text.casefold()
    return word in _ON_WORDS or word in _OFF_WORDS or word.rstrip("0").rstrip(".,") in ("0", "1", "", "-")


def _line_text(row: Record) -> str:
    return quoted(_utf8(" ".join(cell.strip() for cell in row.cells if cell.strip())))


def _utf8(text: str) -> str:
    """Text that was read one character a byte, as what it is; as it stands where it is not UTF-8."""
    raw = text.encode("latin-1", "replace")
    try:
        return raw.decode("utf-8").strip()
    except UnicodeDecodeError:
        return text.strip()


def _used(cells: Sequence[str]) -> int:
    return max((i + 1 for i, cell in enumerate(cells) if cell.strip()), default=0)


def _numeric_columns(
    tail: Sequence[Record], width: int, decimal: str
) -> tuple[frozenset[int], frozenset[int]]:
    """The columns that hold values, and those of them that hold clock times."""
    numeric, clocks = set(), set()
    for i in range(width):
        cells = [row.cells[i].strip() for row in tail if not _is_empty(row.cells[i])]
        values = [cell for cell in cells if _is_value(cell, decimal)]
        if cells and 2 * len(values) >= len(cells):
            numeric.add(i)
            if ":" in values[0]:
                clocks.add(i)
    return frozenset(numeric), frozenset(clocks)


def _is_clean(row: Record, numeric: frozenset[int], decimal: str) -> bool:
    """True for a row whose cells in the columns of numbers all are numbers or empty, one at least a
    number."""
    if row.comment:
        return False
    cells = [cell for i, cell in enumerate(row.cells) if i in numeric and not _is_empty(cell)]
    return bool(cells) and all(_is_value(cell, decimal) for cell in cells)


def _find_header(
    rows: Sequence[Record], first: int, filled: int, numeric: frozenset[int], decimal: str
) -> tuple[Record | None, Record | None, int]:
    """(header, row of units, index of the first data row), from the index of the first clean row.

    A row between header and first clean row that has both numbers and text is data with a mistake in it,
    for the reader to name; above the header it is free text."""
    least = min(2, filled)
    at = None
    for i in range(first - 1, -1, -1):
        row = rows[i]
        values = any(_is_value(cell, decimal) for cell in row.cells)
        if not row.comment and not values and _used(row.cells) >= least:
            at = i
            break
        if not row.comment and _is_units(row):
            at = i
            break
    if at is None:
        named, under = _commented_header(rows, first, filled, decimal)
        if named is not None:
            return named, under, first
        broken = [i for i in range(first) if not rows[i].comment and _used(rows[i].cells) >= filled]
        return None, None, min(broken, default=first)
    above = next((i for i in range(at - 1, -1, -1) if not rows[i].comment), None)
    if _is_units(rows[at]) and above is not None and _used(rows[above].cells) >= least:
        return rows[above], rows[at], _next_row(rows, at, first)
    return rows[at], None, _next_row(rows, at, first)


def _next_row(rows: Sequence[Record], after: int, first: int) -> int:
    return next((i for i in range(after + 1, first) if not rows[i].comment), first)


def _commented_header(
    rows: Sequence[Record], first: int, filled: int, decimal: str
) -> tuple[Record | None, Record | None]:
    """Comments right above the data that have a name, and a unit, for every column ("# time height")."""
    split = [_split_comment(row, filled, decimal) for row in rows[max(0, first - 2) : first]]
    last = split[-1] if split else None
    if last is None:
        return None, None
    plain = last._replace(comment=False)
    if len(split) == 2 and split[0] is not None and _is_units(plain):
        return split[0], last
    return last, None


def _split_comment(row: Record, filled: int, decimal: str) -> Record | None:
    """A comment as a row of `filled` texts, or None where it is not one."""
    if not row.comment:
        return None
    text = row.cells[0].lstrip("#%;/").strip()
    for mark in (",", ";", "\t", "|", " "):
        cells = next(csv.reader([text], delimiter=mark, skipinitialspace=True), [])
        if _used(cells) == filled and not any(_is_value(cell, decimal) for cell in cells):
            # One word over one column is a name only where it says what it is.
            return row._replace(cells=cells) if filled > 1 or is_role_word(cells[0]) else None
    return None


def _is_units(row: Record) -> bool:
    """True for a row of units: most cells are units, none is the name of a signal."""
    cells = [_utf8(cell) for cell in row.cells if cell.strip()]
    if row.comment or not cells:
        return False
    ours = [parse_unit(cell) is not None for cell in cells]
    known = sum(
        mine or cell.casefold().strip("[]()") in _OTHER_UNITS for mine, cell in zip(ours, cells, strict=True)
    )
    wordy = any(is_role_word(cell) and not mine for mine, cell in zip(ours, cells, strict=True))
    return any(ours) and 2 * known >= len(cells) and not wordy


def _column(i: int, cell: str, unit_cell: str, where: str, units: Record | None) -> HeaderColumn:
    name, unit = split_name(cell)
    row_unit = unit_cell.strip()
    if row_unit in ("", "-"):
        return HeaderColumn(i + 1, cell.strip(), name or cell.strip(), unit, "its name" if unit else "")
    ours, theirs = parse_unit(unit or ""), parse_unit(row_unit)
    if ours and theirs and ours != theirs and units is not None:
        what = f"column {i + 1} {quoted(cell)} has the unit {quoted(row_unit)} in the row of units"
        raise UserError(what, f"{where}:{units.line}", "make name and unit agree")
    return HeaderColumn(i + 1, cell.strip(), name or cell.strip(), row_unit, "units row")
