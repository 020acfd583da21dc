"""A document as the text of a terminal: 80 columns, or as many as there are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.document.blocks import Block, Bullets, Cell, Document, Table, Text
from bench.trace.text import shown, shown_path

if TYPE_CHECKING:
    from rich.console import Console

_HEAD_CELLS = 40  # of a name that heads a row; the whole of it stands on the page
_LONGEST = 4096
_STYLES = {"": "", "strong": "bold", "good": "", "bad": "bold red"}


def show(document: Document, out: Path | None) -> None:
    """Print a document; `out` is the folder where it was written."""
    print_document(make_console(), document, out)


def print_document(console: Console, document: Document, out: Path | None) -> None:
    """The answer first, then every block that has a place on a terminal, and at last the cautions."""
    print_head(console, ((one.name, _subject(one.path, one.text)) for one in document.subjects))
    for text in document.alarm:
        print_text(console, _safe(text), style="bold red")
    if document.answer:
        console.print()
    for text in document.answer:
        print_text(console, _safe(text))
    print_list(console, "Worth a look", [_safe(text) for text in document.remarks])
    for block in _blocks(document):
        _print_block(console, block)
    console.print()
    if out is not None:
        print_text(console, f"Written to {shown_path(out)}: {', '.join(_files(document))}")
        console.print()
    for text in document.cautions:
        if text not in document.answer:
            print_text(console, text)


def _subject(path: str, text: str) -> str:
    return ": ".join(part for part in (shown_path(path) if path else "", _safe(text)) if part)


def _blocks(document: Document) -> Iterator[Block]:
    for section in document.sections:
        if section.where != "page":
            yield from (block for block in section.blocks if getattr(block, "where", "page") != "page")


def _print_block(console: Console, block: Block) -> None:
    if isinstance(block, Table):
        _print_table(console, block)
    elif isinstance(block, Bullets):
        print_list(console, _safe(block.title), [_safe(line) for line in block.lines])
    elif isinstance(block, Text):
        console.print()
        if block.title:
            print_text(console, _safe(block.title), style="bold")
        for text in block.paragraphs:
            print_text(console, _safe(text))


def _print_table(console: Console, block: Table) -> None:
    numbers: Sequence[int] = range(len(block.rows))
    left_out = 0
    if isinstance(block.screen_rows, int):
        numbers = numbers[: block.screen_rows or None]
        left_out = len(block.rows) - len(numbers)
    else:
        numbers = block.screen_rows
    table = make_table(*([("", False)] if block.chosen else []), *block.columns)
    parted = any(_look(row) == "strong" for row in block.rows)
    for number in numbers:
        row = block.rows[number]
        head, *cells = (cell.text if isinstance(cell, Cell) else cell for cell in row)
        style = _STYLES[_look(row)]
        mark = ["*" if number in block.chosen else ""] if block.chosen else []
        inside = "  " if parted and not style else ""
        table.add_row(*mark, inside + shown_path(head, _HEAD_CELLS), *map(_safe, cells), style=style)
    print_table(console, _safe(block.caption), table, left_out)
    if block.chosen_as and any(number in block.chosen for number in numbers):
        print_text(console, f"* {block.chosen_as}", style="dim")
    if block.note:
        print_text(console, _safe(block.note), style="dim")


def _look(row: Sequence[str | Cell]) -> str:
    """How the cell looks that heads a row. A strong one stands over the rows that follow."""
    return row[0].look if isinstance(row[0], Cell) else ""


def _files(document: Document) -> Iterator[str]:
    """What was written, in words."""
    yield "the page report.html"
    if document.pictures:
        more = len(document.pictures) - 1
        yield f"the picture {document.pictures[0].file}{f' and {more} more' if more else ''}"
    yield from document.files
    yield document.summary


def _safe(text: str) -> str:
    return "\n".join(shown(line, _LONGEST) for line in text.split("\n"))
