"""Showing text from a file safely: a name or cell may hold anything, an escape sequence included."""

from __future__ import annotations

from bench.errors import escaped


def shown(text: str, limit: int = 40) -> str:
    """`text` on one line, shortened to `limit` characters, with control and formatting characters escaped."""
    line = escaped(text[: limit + 1])
    return line if len(line) <= limit and len(text) <= limit else line[: limit - 3] + "..."


def shown_path(path: object, cells: int = 60) -> str:
    """A path or a name as `shown` gives it; one too long for so many cells of a terminal is shortened in the
    middle, since both of its ends tell it from others."""
    from rich.cells import cell_len, set_cell_size

    safe = shown(str(path), 4096)
    if cell_len(safe) <= cells:
        return safe
    head = set_cell_size(safe, (cells - 3) // 3).rstrip()
    tail = safe[-cells:]
    while cell_len(head) + 3 + cell_len(tail) > cells:
        tail = tail[1:]
    return f"{head}...{tail}"


def quoted(text: str, limit: int = 40) -> str:
    """`text` as `shown` gives it, between quotes."""
    return f"'{shown(text, limit)}'"


def percent(share: float) -> str:
    """A share in percent, such as "0.34 %", "2 %" or "100 %"."""
    value = 100 * share
    return f"{value:.0f} %" if value >= 9.95 else f"{value:.2g} %"


def plural(count: int, thing: str) -> str:
    """Such as "1 row" or "12 rows"."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
