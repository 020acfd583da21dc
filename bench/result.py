"""What --out writes: a result keeps what it was made from, and one made from other inputs is not replaced
unless --replace is given."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from bench.errors import UserError
from bench.files import digest_of, whole_folder, write_whole
from bench.options import REPLACE, TRACE_FILE

# These change nothing in a result, or say where it goes.
_NO_INPUTS = ("out", "as_json", "cluster", "open_browser")


@contextmanager
def result_folder(out: Path | None) -> Iterator[Path | None]:
    """The folder of --out to fill, written whole when the block ends well (bench.files.whole_folder); None
    where none is asked for.

    Raises UserError before the block runs where `out` holds a result of another command, of other files or of
    other options, and --replace was not given.
    """
    if out is None:
        yield None
        return
    with whole_folder(out, made_from(click.get_current_context()), replacing()) as folder:
        yield folder


def write_result(out: Path, content: bytes | str) -> None:
    """Write the file of --out. UserError where it has other content already, and --replace was not given."""
    data = content.encode() if isinstance(content, str) else content
    if not replacing() and out.is_file() and out.read_bytes() != data:
        raise UserError("holds something else", out, "name a new file, or replace it with --replace")
    write_whole(out, data)


def replacing() -> bool:
    """Whether this command was given --replace."""
    return bool(click.get_current_context().meta.get(REPLACE, False))


def made_from(context: click.Context) -> dict[str, str]:
    """All that a result depends on, by the names of options and arguments: the command, digests of files, and
    what is not as by default. Files count by their content, wherever they lie."""
    found = {"command": context.command_path.removeprefix(f"{context.find_root().info_name} ")}
    for parameter in context.command.params:
        value = context.params.get(parameter.name or "")
        if parameter.name in _NO_INPUTS or value in (None, (), False) or str(value) == str(parameter.default):
            continue
        name = parameter.opts[0] if isinstance(parameter, click.Option) else parameter.human_readable_name
        values = value if isinstance(value, tuple) else (value,)
        found[name] = " ".join(_told(one, parameter) for one in values)
    return found


def _told(value: Any, parameter: click.Parameter) -> str:
    """A value in one line: a file's digest, else the words."""
    path = Path(str(value).rpartition("=")[2] if parameter.name == "layouts" else str(value))
    if not isinstance(value, Path) and parameter.name != "layouts":
        return " ".join(str(value).split())
    if not path.is_file():  # a pipe can be read once only
        return " ".join(str(value).split())
    told = digest_of(path)
    if parameter.type is TRACE_FILE:  # it may be read by a layout that lies beside it
        beside = import_module("bench.trace.layout").layouts_beside(path)
        told = "+".join([told, *map(digest_of, beside)])
    return told
