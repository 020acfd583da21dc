"""liftlatch load: a calibration into a device, and what a device has."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.cautions import CAUTIONS
from bench.facts import head, json_option, print_json
from bench.options import Number, baud_option, board_option, calibration_option, port_option

if TYPE_CHECKING:
    from bench.link.protocol import Greeting

SUMMARY_VERSION = 1


@click.command(epilog=CAUTIONS)
@calibration_option("The calibration to load.", required=False)
@port_option
@click.option("--emulated", is_flag=True, help="Start an emulated board, and use that: for trying it out.")
@board_option
@click.option("--show", "only_show", is_flag=True, help="Load nothing; say what the device has.")
@baud_option
@click.option(
    "--timeout", type=Number(0.05, 60), default=0.5, show_default=True, metavar="S",
    help="How long to wait for an answer before asking again.",
)  # fmt: skip
@json_option
def load(calibration_path: Path | None, only_show: bool, as_json: bool, **given: Any) -> None:
    """Load a calibration into a device, read back what is active there, and say whether it is kept.

    A device that is armed or takes torque refuses; so does one whose controller reads other images. Load
    with the car standing and the engine off, and try it on stands before the strip: what is loaded acts on
    the next run.
    """
    from bench.calibration import load as read
    from bench.console import make_console, print_text
    from bench.errors import UserError
    from bench.verify.connect import board, connect, greet

    if only_show == (calibration_path is not None):
        right = "--calibration FILE to load one, or --show to look only"
        raise UserError("needs one of the two", "--calibration, --show", right)
    calibration = read(calibration_path) if calibration_path is not None else None
    console = make_console(err=as_json)
    with board(given):
        if calibration is None:
            target = greet(given, console)
        else:
            target = connect(given, calibration, console)
        greeting = target.greeting
        target.host.line.close()
    facts = {
        **head(SUMMARY_VERSION),
        "port": given["port"],
        **_told(greeting),
        "loaded": None if calibration is None else str(calibration.path),
        "cautions": CAUTIONS,
    }
    if as_json:
        print_json(facts)
        return
    for line in _lines(facts):
        print_text(console, line, rest="  ")
    console.print()
    print_text(console, CAUTIONS)


def _told(greeting: Greeting) -> dict[str, Any]:
    """What a greeting says of the device's calibration."""
    from bench.link.protocol import Feature

    active = greeting.image_crc or greeting.tick_us
    return {
        "firmware": greeting.firmware,
        "image_version": greeting.image_version,
        "active_image_crc32": f"{greeting.image_crc:08x}" if active else None,
        "tick_us": greeting.tick_us or None,
        "keeps_images": Feature.STORE in greeting.features,
        "own_calibration": Feature.OWN_CALIBRATION in greeting.features,
        "older_than_kept_last": greeting.older,
    }


def _lines(facts: dict[str, Any]) -> list[str]:
    """The same in sentences."""
    if facts["active_image_crc32"] is None:
        return ["No calibration is active in it."]
    crc = facts["active_image_crc32"]
    active = f"Active: image CRC-32 {crc}, a tick of {facts['tick_us'] / 1000:g} ms"
    if facts["own_calibration"]:
        return [f"{active}; a calibration of its own, so it takes none from here."]
    kept = "kept over a power cut" if facts["keeps_images"] else "not kept: a power cut loses it"
    loaded = f" Loaded from {facts['loaded']}." if facts["loaded"] else ""
    return [f"{active}, {kept}.{loaded}"]
