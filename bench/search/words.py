"""Words that complete the options of a search."""

from __future__ import annotations

import click


def limits(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """What can be limited in a search, in its usual unit."""
    words = ("lift_mm=", "landing_m_per_s=", "bar_kn=", "reversals=", "latches=")
    return [word for word in words if word.startswith(incomplete)]


def keys(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """What a search moves."""
    from bench.search.wishes import KEYS

    return [key for key in KEYS if key.startswith(incomplete)]


def ranges(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """What a search moves, each with its =."""
    from bench.search.wishes import KEYS

    return [word for key in KEYS if (word := f"{key}=").startswith(incomplete)]
