"""What a person takes along from the desk: the report of the run that is shown, and the device's file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.calibration import compile_text
from bench.document.html import render
from bench.errors import UserError
from bench.facts import command_line
from bench.replay.account import account

if TYPE_CHECKING:
    from bench.desk.session import Session
    from bench.desk.source import Source

REPORT = "report.html"


def report(session: Session, source: Source) -> bytes:
    """The page that `liftlatch replay --out` writes of the run under the present settings. Raises UserError
    where they cannot be."""
    name = f"{session.name} (not saved)" if session.unsaved else session.source
    cal = compile_text(session.settings.text(session.values), name)
    replayed = source.replay(cal)
    return render(account(source.trace, replayed, command_line()).document).encode()


def image(session: Session) -> tuple[str, bytes]:
    """The name and the content of the device's file, as `liftlatch calibration compile` writes it, of what is
    saved. Raises UserError where the settings on the page are not."""
    if session.unsaved or session.copy:
        raise UserError("is not saved", session.name, "save it first: a device gets what stands in a file")
    cal = session.on_disk()
    if cal.text != session.settings.cal.text:
        raise UserError("was changed on disk", session.name, "take what is on disk, or save again")
    return f"{session.source.stem}.image", cal.image
