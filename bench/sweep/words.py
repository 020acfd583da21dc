"""Words that complete the options of a sweep."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import click

from bench.options import named_before


def varied(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """The keys of the calibration that is named before, each with its =."""
    if "=" in incomplete:
        return []
    words = [f"{key}=" for key in _keys(named_before(ctx, "calibration_path"))]
    return [word for word in words if word.startswith(incomplete)]


def _keys(path: Any) -> Iterator[str]:
    """The dotted keys of a TOML file that hold a number or a word; none where it cannot be read."""
    try:
        with open(path or "", "rb") as stream:
            content = tomllib.load(stream)
    except (OSError, ValueError):
        return
    waiting: list[tuple[str, Any]] = list(content.items())
    while waiting:
        key, value = waiting.pop(0)
        if isinstance(value, dict):
            waiting[:0] = [(f"{key}.{name}", inner) for name, inner in value.items()]
        elif not isinstance(value, list) and key != "car.name":
            yield key
