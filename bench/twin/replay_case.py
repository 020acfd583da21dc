"""A case named by its id, run again on the reference and the C core: `liftlatch replay twin:...`."""

from __future__ import annotations

import click

from bench.errors import UserError
from bench.facts import head, print_json
from bench.twin.case import Case

SUMMARY_VERSION = 1


def show(text: str, as_json: bool) -> None:
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
    if as_json:
        print_json({
            **head(SUMMARY_VERSION),
            "replay_id": str(case),
            "equal": difference is None,
            "difference": None if difference is None else str(difference),
        })  # fmt: skip
    elif difference:
        click.echo(difference)
    else:
        click.echo(f"{case}: reference and C core are equal in every output, event and state")
    if difference:
        click.get_current_context().exit(1)
