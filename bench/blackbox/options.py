"""What the commands that have to do with a black box take alike."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click


def within_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--within NAME=NUMBER,..., as `within`."""
    return click.option(
        "--within", metavar="NAME=N,...",
        help="What a controller that runs by itself may be off by: noise=2 counts of its converter, gain=0.1"
        " percent, offset=1 counts, drift=100 ppm of its clock, jitter=20 and delay=50 microseconds.",
    )(command)  # fmt: skip
