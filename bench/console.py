"""The terminal that tables are printed to, and the plain tables and lists of all reports."""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from typing import NoReturn

from rich.console import Console
from rich.table import Table
from rich.text import Text


class _Console(Console):
    def on_broken_pipe(self) -> NoReturn:
        # rich would end with exit code 1, which here means that a difference was found
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))


def make_console() -> Console:
    """Standard output as a terminal or a file; nothing is coloured or replaced unasked."""
    return _Console(highlight=False, emoji=False)


def make_table(*columns: tuple[str, bool]) -> Table:
    """A plain table; columns are (title, whether to the right). Where the terminal is too narrow a cell
    goes on in the next line: no digit is left out."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for title, right in columns:
        table.add_column(title, justify="right" if right else "left", overflow="fold")
    return table


def print_table(console: Console, title: str, table: Table, left_out: int = 0) -> None:
    """A table below its title; `left_out` rows more are only counted."""
    console.print()
    console.print(title, style="bold", markup=False)
    if table.row_count:
        console.print(table)
    if left_out > 0:
        console.print(f"and {left_out} more", markup=False)


def print_list(console: Console, title: str, lines: Sequence[str]) -> None:
    """Lines with a dash below their title; nothing where there are none."""
    if not lines:
        return
    console.print()
    console.print(title, style="bold")
    grid = Table.grid(padding=(0, 1))
    for line in lines:
        grid.add_row(Text("-"), Text(line))
    console.print(grid)
