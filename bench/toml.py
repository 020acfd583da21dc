"""TOML texts that a person wrote, read within bounds; what is wrong is said in our words, with its line."""

from __future__ import annotations

import functools
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from bench.errors import UserError, escaped

_MOST_PARTS = 50  # of a name with dots; tomllib takes the square of them in time
_MOST_DIGITS = 400
_PART = re.compile(r"\.[ \t]*[\w\"'-]+[ \t]*(?=\.)")
_DIGITS = re.compile(f"[0-9A-Fa-f_]{{{_MOST_DIGITS + 1}}}")
_COMMA = re.compile(r"=\s*[+-]?\d+,\d+\s*(#|$)")
_HEAD = re.compile(r"\[([\w-]+(?:\.[\w-]+)*)\][ \t]*(?:#[^\n]*)?(?:\n|\Z)", re.ASCII)
_INDENTED_HEAD = re.compile(r"\n[ \t]+\[[^\n,=]*\][ \t]*(?:#[^\n]*)?(?:\n|\Z)")
_PLACE = re.compile(r" \(at line (\d+), column (\d+)\)$")


def read_small(path: str | os.PathLike[str], most: int) -> bytes:
    """The content of a file of `most` bytes at most. Raises UserError for a larger one and for what is no
    file: a pipe would never end. Raises OSError."""
    name = os.fspath(path)
    # Not waiting for the other end of a pipe.
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with open(descriptor, "rb") as stream:
        kind = os.fstat(descriptor).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(21, os.strerror(21), name)
        if not stat.S_ISREG(kind):
            raise UserError("is not a file", name, "a TOML file, a few kilobytes long")
        try:
            raw = stream.read(most + 1)
        except OSError as error:
            error.filename = name  # the system does not say it here
            raise
    if len(raw) > most:
        size = f"{most >> 20} MiB" if most >> 20 else f"{most >> 10} KiB"
        what = f"is larger than {size}, too large for what it should be"
        raise UserError(what, name, "a TOML file, a few kilobytes long")
    return raw


def parse_toml(text: str, name: str | Path, kind: str) -> dict[str, Any]:
    """What a TOML text says; `kind` such as "calibration". Raises UserError with the line of what is
    wrong."""
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _MOST_PARTS and len(_PART.findall(line)) > _MOST_PARTS:
            what = f"has a name of more than {_MOST_PARTS} parts"
            raise UserError(what, f"{name}:{number}", "two or three parts, as in [car.front]")
        digits = len(line) > _MOST_DIGITS and _DIGITS.search(line.partition("#")[0])
        if digits:
            raise UserError(
                f"has a number of more than {_MOST_DIGITS} digits", f"{name}:{number}", "a number"
            )
    try:
        found = _by_sections(text)
        return tomllib.loads(text) if found is None else found
    except tomllib.TOMLDecodeError as error:
        raise _explained(str(error), text, name, kind) from None
    except (ValueError, RecursionError):
        brackets = [line.count("[") + line.count("{") for line in text.split("\n")]
        deepest = brackets.index(max(brackets)) + 1
        raise UserError("is nested too deeply", f"{name}:{deepest}", "numbers, lists and tables") from None


def _by_sections(text: str) -> dict[str, Any] | None:
    """What a text says, each section read once as long as its text stays: a desk and a search change one or
    two sections of many. None where that is not certain to be the same as the text read whole, and for what
    is wrong."""
    if '"""' in text or "'''" in text or "\r\r" in text:
        return None
    found: dict[str, Any] = {}
    tables: dict[tuple[str, ...], dict[str, Any]] = {(): found}  # those made by a head, or on the way to one
    given: set[tuple[str, ...]] = set()
    try:
        sections = [_section(part) for part in re.split(r"\n(?=\[)", text.replace("\r\n", "\n"))]
    except ValueError:
        return None
    for path, content in sections:
        table = found
        for end in range(1, len(path) + 1):
            if path[:end] not in tables:
                if path[end - 1] in table:
                    return None
                tables[path[:end]] = table[path[end - 1]] = {}
            table = tables[path[:end]]
        if path in given or not content.keys().isdisjoint(table):
            return None
        given.add(path)
        table.update(_copied(content))
    return found


@functools.lru_cache(maxsize=128)
def _section(part: str) -> tuple[tuple[str, ...], dict[str, Any]]:
    """The name of a section and what is in it, from its text; no name for what stands before the first one.
    ValueError where it is no TOML, as where a line in a list begins as a head does, or not one section."""
    content: Any = tomllib.loads(part)
    if _INDENTED_HEAD.search(f"\n{part}"):
        raise ValueError("may be two sections")
    if not part.startswith("["):
        return (), content
    head = _HEAD.match(part)
    if head is None:
        raise ValueError("no simple name")
    path = tuple(head[1].split("."))
    for name in path:
        if len(content) != 1:
            raise ValueError("may be two sections")
        content = content[name]
    return path, content


def _copied(value: Any) -> Any:
    """Of its own, so that nobody changes what is kept."""
    if isinstance(value, dict):
        return {key: _copied(one) for key, one in value.items()}
    return [_copied(one) for one in value] if isinstance(value, list) else value


def _explained(message: str, text: str, name: str | Path, kind: str) -> UserError:
    place = _PLACE.search(message)
    number = int(place[1]) if place else text.count("\n") + 1
    line = (text.split("\n")[number - 1 : number] or [""])[0]
    where = f"{name}:{number}"
    if number == 1 and "=" not in line and max(line.count(mark) for mark in ",;\t") > 1:
        return UserError(
            f"looks like a table of numbers, and no {kind}", where, f"a {kind} file, which is TOML"
        )
    key = escaped(line.partition("=")[0].strip()[:40])
    if "overwrite a value" in message or " twice" in message:
        return UserError(f"is not TOML: {key} is given twice", where, "one of the two")
    if _COMMA.search(line):
        right = "a point, as in 1.5; several numbers stand in [ ]"
        return UserError(f"is not TOML: {key} has a decimal comma", where, right)
    what = message[: place.start()] if place else message.removesuffix(" (at end of document)")
    column = f", column {place[2]}" if place else ", at its end"
    return UserError(f"is not TOML: {what[:1].lower()}{what[1:]}{column}", where, "key = value, one a line")
