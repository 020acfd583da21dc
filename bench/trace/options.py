"""The options by which any command takes a trace."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import click

from bench.options import Number, Whole, completes
from bench.trace.roles import ROLE_UNITS, WHAT, option_name


def trace_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command the options that say how a trace is read; it is called with them as `choice`."""

    @functools.wraps(command)
    def with_choice(*args: Any, **options: Any) -> Any:
        from bench.trace.choice import ColumnChoice

        given = {role: options.pop(f"{role}_column") for role in ROLE_UNITS}
        choice = ColumnChoice(
            columns={role: text for role, text in given.items() if text is not None},
            rate_hz=options.pop("rate"),
            height_offset_mm=options.pop("height_offset"),
            delimiter=options.pop("delimiter"),
            decimal=options.pop("decimal"),
            layouts=options.pop("layouts"),
            run=options.pop("pass_number"),
        )
        return command(*args, choice=choice, **options)

    decorated: Callable[..., Any] = with_choice
    for option in reversed(_options()):
        decorated = option(decorated)
    return decorated


def _options() -> list[Callable[[Callable[..., Any]], Callable[..., Any]]]:
    columns = [
        click.option(
            option_name(role),
            f"{role}_column",
            metavar="NAME|NUMBER[:UNIT]",
            help=f"Column of the {text}.",
            shell_complete=completes("bench.trace.words:columns"),
        )
        for role, text in WHAT.items()
    ]
    return [
        click.option(
            "--layout",
            "layouts",
            multiple=True,
            metavar="[PATTERN=]LAYOUT",
            shell_complete=completes("bench.trace.words:layouts"),
            help="How the logger's files are read, as `trace learn` writes it; PATTERN= is for such names.",
        ),
        click.option(
            "--run",
            "pass_number",
            type=Whole(1),
            metavar="N",
            help="The pass of the trace to take, as `trace show` numbers them.  [default: the best]",
        ),
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
