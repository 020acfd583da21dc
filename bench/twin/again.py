"""A case named by its id, run again on the reference and the C core: `liftlatch replay twin:...`."""

from __future__ import annotations

import click

from bench.errors import UserError
from bench.twin.case import Case


def show(text: str) -> None:
    """Print the first difference of the twins in a case, or that there is none; exit code 1 at a difference.

    Raises UserError for an id that is none and where there is no C core.
    """
    from bench.twin.compare import compare
    from firmware_model import binding

    case = Case.parse(text)
    reason = binding.available()
    if reason:
        raise UserError(reason)
    difference = compare(case.image, case.inputs(), case)
    if difference:
        click.echo(difference)
        click.get_current_context().exit(1)
    click.echo(f"{case}: reference and C core are equal in every output, event and state")
