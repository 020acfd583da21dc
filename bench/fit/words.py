"""Words that complete the options of a fit."""

from __future__ import annotations

import click


def measured(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    """The values of a car that a fit looks for."""
    from bench.fit.car_text import path_of
    from bench.fit.residuals import CANDIDATES, NEVER

    return [path for path in map(path_of, (*CANDIDATES, *NEVER)) if path.startswith(incomplete)]
