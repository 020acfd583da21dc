"""liftlatch stand: a page on which a nose is lifted by hand, and the test of a device on stands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.facts import head, json_option, print_json
from bench.options import FilePath, Number, baud_option, board_option, calibration_option

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 1


@click.command()
@click.option(
    "--out", type=FilePath("html"), metavar="FILE|DIR",
    help="Write the page into this file; with --check the sheet into this folder: report.html, stand.svg,"
    " stand.json and junit.xml.",
)  # fmt: skip
@calibration_option("The calibration to try. Without it the demo's.", required=False)
@click.option("--check", "checks", is_flag=True, help="Test a device, step by step, and write a sheet of it.")
@click.option(
    "--port", metavar="PORT",
    help="With --check: the device, /dev/ttyUSB0, COM3, socket://HOST:PORT, rfc2217://HOST:PORT.",
)  # fmt: skip
@click.option("--emulated", is_flag=True, help="With --check: start an emulated board, and test that.")
@board_option
@click.option(
    "--scripted", is_flag=True,
    help="With --check: load the calibration and feed the device with a scripted nose, instead of watching"
    " what its own sensor reads; nobody has to do anything. So it is with --emulated.",
)  # fmt: skip
@baud_option
@click.option(
    "--timeout", type=Number(0.05, 60), default=0.5, show_default=True, metavar="S",
    help="How long to wait for an answer before asking again.",
)  # fmt: skip
@json_option
def stand(out: Path | None, calibration_path: Path | None, checks: bool, as_json: bool, **given: Any) -> None:
    """Lift a nose by hand, and see what the controller does.

    With --out FILE: a page that needs nothing else: no installation, no network, no car. On it a nose is
    lifted by mouse, finger or keys, and the controller itself, the C core, answers in real time: cut, retard,
    hold and release, each cylinder event that is skipped, and what changes when settings are moved. Send it
    to the crew: a browser opens it from the file. What was done by hand can be saved as a trace for
    `liftlatch replay`.

    With --check: the test of a device on stands, step by step, by hand or with a scripted nose. Exit code 0:
    passed; 1: a step failed; 2: wrong usage or a failed link. An engineering aid, not a safety device.
    """
    from bench.calibration import load
    from bench.desk.demo import demo_file
    from bench.errors import UserError

    if not checks:
        for name, option in (("port", "--port"), ("emulated", "--emulated"), ("scripted", "--scripted")):
            if given[name]:
                raise UserError("is for --check", option, "give both, or neither")
        if out is None:
            raise UserError(
                "nothing to do", "--out, --check", "--out FILE writes a page, --check tests a device"
            )
    calibration = load(calibration_path or demo_file("demo.toml", "give --calibration FILE"))
    if checks:
        from bench.stand.check import check

        if not check(calibration, given, out, as_json):
            click.get_current_context().exit(1)
    elif out is not None:
        _write_page(calibration, out, as_json)


def _write_page(calibration: CalibrationFile, out: Path, as_json: bool) -> None:
    from bench.console import make_console, print_head
    from bench.files import write_whole
    from bench.stand.page import render

    facts = head(SUMMARY_VERSION)
    page = render(calibration, facts["liftlatch"]).encode()
    write_whole(out, page)
    if as_json:
        facts |= {"page": str(out), "bytes": len(page), "image_crc": f"{calibration.crc:08x}"}
        facts["calibration"] = str(calibration.path)
        print_json(facts)
        return
    said = [
        ("calibration", str(calibration.path)),
        ("page", f"{out}, {len(page) / 1000:.0f} kB"),
        ("open it", "in any browser; it needs no network"),
    ]
    print_head(make_console(), said)
