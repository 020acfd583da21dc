"""Words that complete the options of a sweep."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import click

from bench.options import named_before
from bench.sweep.lines import SCALE, SHIFT


def varied(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """The keys of the calibration that is named before, each with its =."""
    if "=" in incomplete:
        return []
    words = [f"{key}=" for key in _keys(named_before(ctx, "calibration_path"))]
    return [word for word in words if word.startswith(incomplete)]


def _keys(path: Any) -> Iterator[str]:
    """The dotted keys of a TOML file that hold a number or a word, and what can be done to its lists of
    numbers; none where it cannot be read."""
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
        elif isinstance(value, list):
            if all(type(one) in (int, float) for one in value):
                yield from (f"{key}.{what}" for what in (SHIFT, SCALE))
        elif key != "car.name":
            yield key
