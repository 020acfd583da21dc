"""Showing text from a file safely: a name or cell may hold anything, an escape sequence included."""

from __future__ import annotations

import unicodedata


def shown(text: str, limit: int = 40) -> str:
    """`text` on one line, shortened to `limit` characters, with control and formatting characters escaped."""
    safe = []
    for char in text[: limit + 1]:
        if unicodedata.category(char)[0] == "C" or unicodedata.category(char) in ("Zl", "Zp"):
            code = ord(char)
            safe.append(
                f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" if code < 65536 else f"\\U{code:08x}"
            )
        else:
            safe.append(char)
    line = "".join(safe)
    return line if len(line) <= limit and len(text) <= limit else line[: limit - 3] + "..."


def quoted(text: str, limit: int = 40) -> str:
    """`text` as `shown` gives it, between quotes."""
    return f"'{shown(text, limit)}'"


def plural(count: int, thing: str) -> str:
    """Such as "1 row" or "12 rows"."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
