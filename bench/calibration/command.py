"""liftlatch calibration: check, show or compile a calibration file."""

from __future__ import annotations

from pathlib import Path

import click

from bench.calibration.model import CalibrationFile, load

_FILE = click.argument("file", type=click.Path(path_type=Path))


@click.group()
def calibration() -> None:
    """Check, show or compile a calibration file.

    A calibration is a TOML file that a person edits. Every mistake in it is shown as one line: file, line,
    key, what is wrong, what would be right.
    """


@calibration.command()
@_FILE
def check(file: Path) -> None:
    """Say what is wrong with FILE, and warn of what looks wrong."""
    _say(load(file))


@calibration.command()
@_FILE
def show(file: Path) -> None:
    """Print FILE as tables, in the units it is written in.

    Defaults are shown for what it leaves out, and the maps as the controller has them.
    """
    from bench.calibration.show import print_tables

    cal = load(file)
    print_tables(cal)
    _say(cal)


@calibration.command("compile")
@_FILE
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="IMAGE", help="The image to write."
)
def compile_image(file: Path, out: Path) -> None:
    """Compile FILE to the image that a controller runs from."""
    from bench.files import write_whole

    cal = load(file)
    write_whole(out, cal.image)
    _say(cal)
    click.echo(f"{out}: written")


def _say(cal: CalibrationFile) -> None:
    for warning in cal.warnings:
        click.echo(f"{cal.path}: warning: {warning}")
    for note in cal.notes:
        click.echo(f"{cal.path}: note: {note}")
    tail = f"image of {len(cal.image)} bytes, CRC-32 {cal.crc:08X}"
    click.echo(f"{cal.path}: fine, {tail}" if not cal.warnings else f"{cal.path}: can be run, {tail}")
