"""The options by which any command takes a trace."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import click

from bench.options import Number, completes
from bench.trace.choice import ROLE_UNITS, ColumnChoice, option_name

_HELP = {
    "time": "time",
    "height": "height over the track",
    "speed": "road speed",
    "engine_speed": "engine speed",
    "shaft_speed": "shaft speed",
    "armed": "arming switch",
    "launch": "launch switch",
    "request_reduction": "outside request: reduction",
    "request_retard": "outside request: retard",
    "request_reason": "outside request: reason number",
}


def trace_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command the options that say how a trace is read; it is called with them as `choice`."""

    @functools.wraps(command)
    def with_choice(*args: Any, **options: Any) -> Any:
        given = {role: options.pop(f"{role}_column") for role in ROLE_UNITS}
        choice = ColumnChoice(
            columns={role: text for role, text in given.items() if text is not None},
            rate_hz=options.pop("rate"),
            height_offset_mm=options.pop("height_offset"),
            delimiter=options.pop("delimiter"),
            decimal=options.pop("decimal"),
        )
        return command(*args, choice=choice, **options)

    decorated: Callable[..., Any] = with_choice
    for option in reversed(_options()):
        decorated = option(decorated)
    return decorated


def _options() -> list[Callable[[Callable[..., Any]], Callable[..., Any]]]:
    columns = [
        click.option(
            option_name(role), f"{role}_column", metavar="NAME|NUMBER[:UNIT]", help=f"Column of the {text}.",
            shell_complete=completes("bench.trace.words:columns"),
        )
        for role, text in _HELP.items()
    ]
    return [
        *columns,
        click.option("--rate", type=Number(), metavar="HZ", help="Rows a second, for a file without time."),
        click.option(
            "--height-offset",
            type=Number(),
            default=0.0,
            metavar="MM",
            help="Added to the height, in millimetres.",
        ),
        click.option(
            "--delimiter", metavar="CHAR", help="comma, semicolon, tab, pipe, space, or one character."
        ),
        click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark."),
    ]
