"""Words that complete the options of a search."""

from __future__ import annotations

import click


def limits(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """What can be limited in a search, in its usual unit."""
    words = ("lift_mm=", "landing_m_per_s=", "bar_kn=", "reversals=", "latches=")
    return [word for word in words if word.startswith(incomplete)]
