"""What reaches a terminal: no name or value that it would obey."""

from __future__ import annotations

import io

from rich.console import Console

from bench.console import make_table, print_head, print_text
from bench.errors import MOST_SHOWN, UserError, UserErrors, escaped, printable

HOSTILE = "a\x1b[31m\x07\r\x9b2J\u202eb"


def test_control_characters_are_told_by_their_numbers() -> None:
    assert escaped("a\x1b\n\u202e\U000e0001é") == r"a\x1b\x0a\u202e\U000e0001é"
    assert printable("one\ntwo\x1b") == r"one two\x1b"
    assert str(UserError(HOSTILE, HOSTILE, HOSTILE)).isprintable()


def test_the_screen_has_none() -> None:
    console = Console(file=io.StringIO(), force_terminal=False, width=60)
    print_text(console, f"{HOSTILE}\nand {HOSTILE}", first=HOSTILE)
    print_head(console, [(HOSTILE, HOSTILE)])
    table = make_table((HOSTILE, False), ("n", True))
    table.add_row(HOSTILE, f"1\n{HOSTILE}")
    console.print(table)
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue().replace("\n", "").isprintable()


def test_mistakes_beyond_twenty_are_counted() -> None:
    made = [UserError(f"wrong {i}") for i in range(MOST_SHOWN + 2)]
    assert str(UserErrors(made[:-1])).splitlines()[-1] == "and 1 more mistake"
    assert str(UserErrors(made)).splitlines() == [*(f"wrong {i}" for i in range(20)), "and 2 more mistakes"]
    assert "more" not in str(UserErrors(made[:MOST_SHOWN]))
