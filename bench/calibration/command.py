"""liftlatch calibration: check, show or compile a calibration file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.cautions import CAUTIONS
from bench.facts import json_option, print_json
from bench.options import ANY_FILE, TOML_FILE, replace_option

if TYPE_CHECKING:
    from bench.calibration.calibration_file import CalibrationFile

_FILE = click.argument("file", type=TOML_FILE)


@click.group()
def calibration() -> None:
    """Check, show or compile a calibration file.

    A calibration is a TOML file that a person edits. Every mistake in it is shown as one line: file, line,
    key, what is wrong, what would be right.
    """


@calibration.command()
@_FILE
@json_option
def check(file: Path, as_json: bool) -> None:
    """Say what is wrong with FILE, and warn of what looks wrong."""
    from bench.calibration.compile import load
    from bench.calibration.show import facts

    cal = load(file)
    if as_json:
        print_json(facts(cal))
        return
    _say(cal)


@calibration.command()
@_FILE
@json_option
def show(file: Path, as_json: bool) -> None:
    """Print FILE as tables, in the units it is written in.

    Defaults are shown for what it leaves out, and the maps as the controller has them.
    """
    from bench.calibration.compile import load
    from bench.calibration.show import facts_with_keys, print_tables

    cal = load(file)
    if as_json:
        print_json(facts_with_keys(cal))
        return
    print_tables(cal)
    _say(cal)


@calibration.command("compile", epilog=CAUTIONS)
@_FILE
@click.option("--out", type=ANY_FILE, required=True, metavar="IMAGE", help="The image to write.")
@replace_option
@json_option
def compile_image(file: Path, out: Path, as_json: bool) -> None:
    """Compile FILE to the image that a controller runs from."""
    from bench.calibration.compile import load
    from bench.calibration.show import facts
    from bench.errors import UserError
    from bench.result import write_result
    from controller.image import MAGIC

    cal = load(file)
    if out.is_file() and out.stat().st_size:
        with open(out, "rb") as stream:
            if stream.read(len(MAGIC)) != MAGIC:
                what = "is there already and is no image"
                raise UserError(what, out, "name a new file, or an image to replace")
    write_result(out, cal.image)
    if as_json:
        print_json({**facts(cal), "written": [str(out)]})
        return
    _say(cal, f"written to {out}", CAUTIONS)


def _say(cal: CalibrationFile, more: str = "", cautions: str = "") -> None:
    from bench.calibration.guesses import guesses
    from bench.console import make_console, print_text
    from bench.trace.text import shown_path

    console = make_console()
    name = shown_path(cal.path)
    lines = [f"warning: {warning}" for warning in cal.warnings] + [f"note: {note}" for note in cal.notes]
    lines += [f"guessed: {guess}" for guess in guesses(cal.text, cal.path)]
    verdict = "can be run" if cal.warnings else "fine"
    lines.append(f"{verdict}, image of {len(cal.image)} bytes, CRC-32 {cal.crc:08X}")
    for line in lines + ([more] if more else []):
        print_text(console, f"{name}: {line}", rest="  ")
    if cautions:
        print_text(console, cautions)
