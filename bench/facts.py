"""What a command found, as one JSON document: on standard output with --json, and in its summary.json.

bench/document/README.md says what is promised about it.
"""

from __future__ import annotations

import json
import math
import shlex
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import Any

import click

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print the result as one JSON document, and nothing else there."
)


TAKEN = "bench.folder.taken"
"""Where the context keeps what a command took from the car's folder (bench.folder)."""


def command_line() -> list[str]:
    """The words that this process was called with."""
    return ["liftlatch", *sys.argv[1:]]


def head(summary_version: int, words: Sequence[str] | None = None) -> dict[str, Any]:
    """How every document begins. `summary_version` grows when the meaning of one of its keys changes; `words`
    are those of the command line, by default this process's own. `from_folder` is what was taken from the
    car's folder, by option, where something was."""
    context = click.get_current_context(silent=True)
    taken = context.meta.get(TAKEN) if context else None
    return {
        "summary_version": summary_version,
        "liftlatch": version("liftlatch"),
        "command_line": shlex.join(command_line() if words is None else words),
        **({"from_folder": taken} if taken else {}),
    }


def as_json(facts: dict[str, Any]) -> str:
    """The text of a document: strict JSON, in which a number that is not finite is null."""
    return json.dumps(_finite(facts), indent=2, allow_nan=False) + "\n"


def print_json(facts: dict[str, Any]) -> None:
    """Write a document to standard output."""
    click.echo(as_json(facts), nl=False)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
