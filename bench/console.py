"""The terminal that tables are printed to, and the plain tables, lists and lines of all reports.

Nothing is wider than the terminal, or than 80 columns where there is none. What does not fit goes on in the
next line, between words; a table too wide is cut into several below one another. A number is never cut.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import Literal, NoReturn

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderResult
from rich.table import Table as RichTable
from rich.text import Text

from bench.errors import escaped

WIDTH = 80
_NARROWEST = 32
_LABEL = 12  # a column of words may become so narrow before a table is cut
_HEAD = 12


class _Console(Console):
    def on_broken_pipe(self) -> NoReturn:
        # rich would end with exit code 1, which here means that a difference was found
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))


def make_console(err: bool = False) -> Console:
    """Standard output (or standard error) as a terminal or a file; nothing is coloured or replaced unasked,
    and where it is no terminal there are no escape sequences, whatever the environment says."""
    stream = sys.stderr if err else sys.stdout
    terminal = stream.isatty()
    width = None if terminal else WIDTH
    console = _Console(stderr=err, highlight=False, emoji=False, force_terminal=terminal, width=width)
    console.width = max(console.width, _NARROWEST)
    return console


class Table:
    """A plain table. Columns of figures (to the right) are never narrower than what is in them; where the
    terminal is too narrow words wrap, then titles, and then the columns go on in a table below, with those
    to the left of the first figures repeated. A table that fits in one with a blank between its columns has
    only that."""

    def __init__(self, columns: Sequence[tuple[str, bool]], gap: int) -> None:
        self._columns = [(_clean(title), right) for title, right in columns]
        self._gap = gap
        self._rows: list[tuple[tuple[str, ...], str]] = []

    @property
    def row_count(self) -> int:
        """How many rows there are."""
        return len(self._rows)

    def add_row(self, *cells: str, style: str = "") -> None:
        """One row; a missing cell is empty."""
        self._rows.append((tuple(map(_clean, cells)), style))

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        gap, blocks = self._gap, list(self._blocks(options.max_width, self._gap))
        if len(blocks) > 1 and len(close := list(self._blocks(options.max_width, 1))) == 1:
            gap, blocks = 1, close
        for number, widths in enumerate(blocks):
            if number:
                yield ""
            yield self._block(widths, gap)

    def _block(self, widths: dict[int, int], gap: int) -> RichTable:
        titled = any(title for title, _ in self._columns)
        table = RichTable(
            box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="bold", show_header=titled
        )
        for i, width in widths.items():
            title, right = self._columns[i]
            side: Literal["left", "right"] = "right" if right else "left"
            table.add_column(Text(title), justify=side, width=width, overflow="fold")
        for cells, style in self._rows:
            texts = [Text(cells[i] if i < len(cells) else "") for i in widths]
            table.add_row(*texts, style=style or None)
        return table

    def _blocks(self, room: int, gap: int) -> Iterator[dict[int, int]]:
        """The width of each column, for one table after the other."""
        needs = [_Need(title, right, self._cells(i)) for i, (title, right) in enumerate(self._columns)]
        figures = [i for i, need in enumerate(needs) if need.right]
        labels = list(range(figures[0])) if figures and figures[0] else [0]
        others = [i for i in range(len(needs)) if i not in labels]
        left = dict.fromkeys(labels, True)
        while True:
            chosen = list(left)
            while others and self._fits(needs, [*chosen, others[0]], room, gap):
                chosen.append(others.pop(0))
            if others and len(chosen) == len(left):
                chosen.append(others.pop(0))  # it alone is too wide
            yield self._spread(needs, chosen, room, gap)
            if not others:
                return

    def _cells(self, column: int) -> list[str]:
        return [line for cells, _ in self._rows for line in "".join(cells[column : column + 1]).split("\n")]

    def _fits(self, needs: Sequence[_Need], chosen: Sequence[int], room: int, gap: int) -> bool:
        return sum(needs[i].least for i in chosen) + gap * (len(chosen) - 1) <= room

    def _spread(self, needs: Sequence[_Need], chosen: Sequence[int], room: int, gap: int) -> dict[int, int]:
        """Each column as wide as it must be, and the words as wide as they would like to be, then the titles
        of figures."""
        widths = {i: needs[i].least for i in chosen}
        left = room - gap * (len(chosen) - 1) - sum(widths.values())
        for i in sorted(chosen, key=lambda i: needs[i].right):
            more = min(max(left, 0), needs[i].most - widths[i])
            widths[i] += more
            left -= more
        for i in chosen:
            less = min(max(-left, 0), widths[i] - 1)
            widths[i] -= less
            left += less
        return widths


def _clean(text: str) -> str:
    """Without what a terminal would obey: a name may hold an escape sequence."""
    return text if text.isprintable() else "\n".join(map(escaped, text.split("\n")))


class _Need:
    """How wide a column must be and would like to be."""

    def __init__(self, title: str, right: bool, cells: Sequence[str]) -> None:
        self.right = right
        inside = max(map(cell_len, cells), default=0)
        self.most = max(1, inside, *(cell_len(line) for line in title.split("\n")))
        word = max(map(cell_len, title.split()), default=0)
        self.least = max(1, inside, word) if right else min(self.most, max(_LABEL, word))


def make_table(*columns: tuple[str, bool], gap: int = 2) -> Table:
    """A table; columns are (title, whether to the right), with `gap` blanks between them."""
    return Table(columns, gap)


def print_table(console: Console, title: str, table: Table, left_out: int = 0) -> None:
    """A table below its title; `left_out` rows more are only counted."""
    console.print()
    print_text(console, title, style="bold")
    if table.row_count:
        console.print(table)
    if left_out > 0:
        print_text(console, f"and {left_out} more")


def print_list(console: Console, title: str, lines: Sequence[str]) -> None:
    """Lines with a dash below their title; nothing where there are none."""
    if not lines:
        return
    console.print()
    print_text(console, title, style="bold")
    for line in lines:
        print_text(console, line, "- ")


def print_head(console: Console, lines: Iterable[tuple[str, str]]) -> None:
    """What a report is about: a name before each line."""
    for name, text in lines:
        print_text(console, text, f"{name:<{_HEAD}}")


def print_text(
    console: Console, text: str, first: str = "", rest: str | None = None, style: str = ""
) -> None:
    """Text as it is, wrapped between words. `first` stands before its first line, and before the others as
    many blanks, or `rest`."""
    rest = " " * cell_len(first) if rest is None else rest
    room = max(console.width - max(cell_len(first), cell_len(rest)), 1)
    before = _clean(first)
    for paragraph in _clean(text).split("\n"):
        for line in Text(paragraph).wrap(console, room, overflow="fold"):
            whole = Text(before + line.plain.rstrip(), style=style)
            console.print(whole, soft_wrap=True)
            before = rest
