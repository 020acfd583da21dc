"""Numbers of a file that are marked as guesses: a comment behind them that begins with "guessed"."""

from __future__ import annotations

import re
from pathlib import Path

_SECTION = re.compile(r"\s*\[([^\[\]]+)\]")
_GUESS = re.compile(r"""\s*([\w.-]+)\s*=(?:[^#"']|"[^"]*"|'[^']*')*#\s*guessed\b[:,;]?\s*(.*)""")


def guesses(text: str, path: Path) -> list[str]:
    """A line for each: where it stands, and what its comment says."""
    found, section = [], ""
    for number, line in enumerate(text.splitlines(), 1):
        if match := _SECTION.match(line):
            section = match[1].strip()
        elif match := _GUESS.match(line):
            more = f": {match[2]}" if match[2] else ""
            found.append(f"{path.name} line {number}, {section}.{match[1]}{more}")
    return found
