"""Numbers of a file that are marked as guesses: a comment behind them that begins with "guessed"."""

from __future__ import annotations

import re
from pathlib import Path

_SECTION = re.compile(r"\s*\[([^\[\]]+)\]")
_GUESS = re.compile(r"""\s*([\w.-]+)\s*=(?:[^#"']|"[^"]*"|'[^']*')*#\s*guessed\b[:,;]?\s*(.*)""")


def guessed(text: str) -> dict[str, tuple[int, str]]:
    """By key the line of each, and what its comment says besides."""
    found, section = {}, ""
    for number, line in enumerate(text.splitlines(), 1):
        if match := _SECTION.match(line):
            section = match[1].strip()
        elif match := _GUESS.match(line):
            found[f"{section}.{match[1]}"] = number, match[2]
    return found


def guesses(text: str, path: Path) -> list[str]:
    """A line for each: where it stands, and what its comment says."""
    return [
        f"{path.name} line {number}, {key}{f': {more}' if more else ''}"
        for key, (number, more) in guessed(text).items()
    ]
