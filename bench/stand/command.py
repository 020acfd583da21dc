"""liftlatch stand: a page on which a nose is lifted by hand, and the controller answers."""

from __future__ import annotations

from pathlib import Path

import click

from bench.facts import head, json_option, print_json
from bench.options import FilePath, calibration_option

SUMMARY_VERSION = 1


@click.command()
@click.option(
    "--out", type=FilePath("html"), required=True, metavar="FILE", help="Write the page into this file."
)
@calibration_option("The calibration to try. Without it the demo's.", required=False)
@json_option
def stand(out: Path, calibration_path: Path | None, as_json: bool) -> None:
    """Write a page that needs nothing else: no installation, no network, no car.

    On it a nose is lifted by mouse, finger or keys, and the controller itself, the C core, answers in real
    time: cut, retard, hold and release, each cylinder event that is skipped, and what changes when settings
    are moved. Send it to the crew: a browser opens it from the file. What was done by hand can be saved as a
    trace for `liftlatch replay`. An engineering aid, not a safety device.
    """
    from bench.calibration import load
    from bench.console import make_console, print_head
    from bench.desk.demo import demo_file
    from bench.files import write_whole
    from bench.stand.page import render

    calibration = load(calibration_path or demo_file("demo.toml", "give --calibration FILE"))
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
