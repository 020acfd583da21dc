"""Where each section, key and list element of a TOML text stands (no parser tells)."""

from __future__ import annotations

import re
from collections.abc import Iterator

Path = tuple["str | int", ...]

_TOKEN = re.compile(
    r'''
      (?P<skip>[ \t\r]+ | \#[^\n]*)
    | (?P<text>"""(?:\\.|[^\\])*?"{3,5} | \'\'\'.*?'{3,5} | "(?:\\.|[^"\\\n])*" | '[^'\n]*')
    | (?P<end>\n)
    | (?P<mark>[\[\]{},=.])
    | (?P<bare>[^\s\#"'\[\]{},=.]+)
    ''',
    re.VERBOSE | re.DOTALL,
)


def find_lines(text: str) -> dict[Path, int]:
    """The line, from 1, of each section ("a", "b"), key ("a", "b", "key") and element (..., "key", 0).

    The text must be valid TOML; of what is not, the lines mean nothing.
    """
    lines: dict[Path, int] = {}
    tokens = _tokens(text)
    header: Path = ()
    for kind, token, line in tokens:
        if kind == "end":
            continue
        if token == "[":
            header = _key(tokens, "", "]")
            for end in range(1, len(header) + 1):
                lines.setdefault(header[:end], line)
            continue
        key = _key(tokens, token, "=")
        lines[header + key] = line
        _value(tokens, header + key, lines)
    return lines


def _tokens(text: str) -> Iterator[tuple[str, str, int]]:
    line = 1
    for match in _TOKEN.finditer(text):
        kind = match.lastgroup or ""
        if kind != "skip":
            yield kind, match.group(), line
        line += match.group().count("\n")


def _key(tokens: Iterator[tuple[str, str, int]], first: str, end: str) -> Path:
    """A dotted key up to its end mark."""
    parts = [first] if first else []
    for _, token, _ in tokens:
        if token == end:
            break
        if token not in ("[", "."):
            parts.append(token)
    return tuple(part[1:-1] if part[0] in "\"'" else part for part in parts)


def _value(tokens: Iterator[tuple[str, str, int]], path: Path, lines: dict[Path, int]) -> str:
    """Pass one value; gives the mark after it that is not part of it ("," "]" "}" or a line's end)."""
    for kind, token, _ in tokens:
        if token == "[":
            _elements(tokens, path, lines)
        elif token == "{":
            _inline(tokens, path, lines)
        elif kind == "end" or token in (",", "]", "}"):
            return token
    return ""


def _elements(tokens: Iterator[tuple[str, str, int]], path: Path, lines: dict[Path, int]) -> None:
    index = 0
    opened = False
    for kind, token, line in tokens:
        if token == "]":
            return
        if kind == "end":
            continue
        if token == ",":
            index += 1
            opened = False
            continue
        if not opened:
            lines[(*path, index)] = line
            opened = True
        if token == "[":
            _elements(tokens, (*path, index), lines)
        elif token == "{":
            _inline(tokens, (*path, index), lines)


def _inline(tokens: Iterator[tuple[str, str, int]], path: Path, lines: dict[Path, int]) -> None:
    for _, token, line in tokens:
        if token == "}":
            return
        if token == ",":
            continue
        key = _key(tokens, token, "=")
        lines[path + key] = line
        if _value(tokens, path + key, lines) == "}":
            return
