"""Words that complete the options of a trace."""

from __future__ import annotations

from pathlib import Path

import click
from click.shell_completion import CompletionItem

from bench.errors import UserError
from bench.options import named_before
from bench.trace.dialect import sniff
from bench.trace.source import Utf8Source, text_encoding

_HEAD_BYTES = 1 << 16


def columns(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
    """The columns of the first CSV trace that is named before: names, or numbers where there are none."""
    # What stands before an option without its value is still in `args`.
    path = Path(named_before(ctx, "trace", "traces", "file") or next(iter(ctx.args), ""))
    try:
        with open(path, "rb") as stream:
            head = stream.read(_HEAD_BYTES)
        encoding, bom = text_encoding(head, len(head) < _HEAD_BYTES, "")
        source = Utf8Source(path, encoding, bom)
        text = source.read(_HEAD_BYTES)
        source.close()
        columns = sniff(text, len(head) < _HEAD_BYTES, None, None, "").columns
    except (OSError, UserError, ValueError):
        return []
    found = [
        (c.title, f"column {c.number}") if _plain(c.title) else (str(c.number), c.title) for c in columns
    ]
    return [CompletionItem(word, help=text) for word, text in found if word.startswith(incomplete)]


def layouts(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem[str]]:
    """Layouts: TOML files, found by the shell; behind PATTERN= nothing."""
    return [] if "=" in incomplete else [CompletionItem("toml", type="file")]


def _plain(title: str) -> bool:
    """Whether a name comes back whole: it has no mark that a shell splits words at, or that begins a unit."""
    return bool(title) and title.isprintable() and not set(title) & set(":=,\\'\"$`")
