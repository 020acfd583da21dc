"""liftlatch stand: a nose lifted by hand and seen live, a page of it, and the test of a device on stands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from bench.cautions import CAUTIONS
from bench.facts import head, json_option, print_json
from bench.options import (
    TRACE_FILE,
    FilePath,
    Number,
    Whole,
    baud_option,
    board_option,
    calibration_option,
    port_option,
    replace_option,
)

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 1
_LIVE = ("plays", "terminal", "every", "page_port", "network")


@click.command(epilog=CAUTIONS)
@click.option(
    "--out", type=FilePath("html"), metavar="FILE|DIR",
    help="Write the page into this file; with --check the sheet into this folder: report.html, stand.svg,"
    " stand.json and junit.xml.",
)  # fmt: skip
@replace_option
@calibration_option("The calibration to try. Without it the demo's.", required=False)
@click.option("--check", "checks", is_flag=True, help="Test a device, step by step, and write a sheet of it.")
@port_option
@click.option("--emulated", is_flag=True, help="Start an emulated board, and use that.")
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
@click.option(
    "--plays", type=TRACE_FILE, metavar="TRACE",
    help="Live: play this recording in real time, through the controller or the device.",
)  # fmt: skip
@click.option("--terminal", is_flag=True, help="Live: on this terminal instead of a page.")
@click.option(
    "--every", type=Whole(1, 1000), default=1, show_default=True, metavar="N",
    help="Live: each N-th tick only of a device that streams, for a slow line.",
)  # fmt: skip
@click.option(
    "--page-port", type=Whole(0, 65535), default=0, metavar="NUMBER",
    help="Live: serve the page there; any free port unless given.",
)  # fmt: skip
@click.option("--open", "open_browser", is_flag=True, help="Live: open the page in a browser.")
@click.option(
    "--network", metavar="ADDRESS",
    help="Live: let others in, a phone for example, at this address of this machine in your network.",
)  # fmt: skip
@json_option
def stand(out: Path | None, calibration_path: Path | None, checks: bool, as_json: bool, **given: Any) -> None:
    """Lift a nose by hand, and see at once what the controller does.

    Prints the address of a live page and serves it until Ctrl-C, to this machine only, and to nobody without
    the token in the address. It shows a device that streams what its own sensor reads (--port), a recording
    (--plays), or a nose that is lifted on the page, through the controller here or an emulated board
    (--emulated): how high it is and may go, what is taken and why, what is latched and for how much longer,
    each cylinder's events.

    With --out FILE: a page that needs nothing else: no installation, no network, no car. Send it to the crew:
    a browser opens it from the file. What was done by hand can be saved as a trace for `liftlatch replay`.

    With --check: the test of a device on stands, step by step, by hand or with a scripted nose. Exit code 0:
    passed; 1: a step failed; 2: wrong usage or a failed link. An engineering aid, not a safety device.
    """
    from bench.calibration import load
    from bench.desk.demo import demo_file
    from bench.errors import UserError

    live = not checks and out is None
    used = click.get_current_context().get_parameter_source
    for name, option, where, fits in (
        ("port", "--port", "the live stand and --check", live or checks),
        ("emulated", "--emulated", "the live stand and --check", live or checks),
        ("scripted", "--scripted", "--check", checks),
        *((name, f"--{name.replace('_', '-')}", "the live stand", live) for name in _LIVE),
        ("as_json", "--json", "--out and --check", not live),
    ):
        if not fits and used(name) not in (ParameterSource.DEFAULT, None):
            raise UserError(f"is for {where}", option, "leave one of the two out")
    calibration = load(calibration_path or demo_file("demo.toml", "give --calibration FILE"))
    if live:
        from bench.stand.watch import watch

        watch(calibration, given)
    elif checks:
        from bench.stand.check import check

        if not check(calibration, given, out, as_json):
            click.get_current_context().exit(1)
    elif out is not None:
        _write_page(calibration, out, as_json)


def _write_page(calibration: CalibrationFile, out: Path, as_json: bool) -> None:
    from bench.console import make_console, print_head
    from bench.result import write_result
    from bench.stand.page import render

    facts = head(SUMMARY_VERSION)
    page = render(calibration, facts["liftlatch"]).encode()
    write_result(out, page)
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
