"""liftlatch desk: a local page to move a calibration's settings and see what comes of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.options import TRACE_FILE, Whole, calibration_option, input_options, vehicle_option
from bench.trace.options import trace_options

if TYPE_CHECKING:
    from bench.desk.session import Session
    from bench.desk.source import Source
    from bench.trace.choice import ColumnChoice


@click.command()
@click.argument("trace", type=TRACE_FILE, required=False)
@calibration_option(
    "The calibration to work on. Without it a copy of the demo's: saving asks for a name.", required=False
)
@vehicle_option("Drive this car, too: what would it do with each setting?", required=False)
@click.option(
    "--port", type=Whole(0, 65535), default=0, metavar="NUMBER",
    help="Listen there; any free port unless given.",
)  # fmt: skip
@click.option("--open", "open_browser", is_flag=True, help="Open the page in a browser.")
@input_options
@trace_options
def desk(
    trace: Path | None,
    calibration_path: Path | None,
    vehicle_path: Path | None,
    port: int,
    open_browser: bool,
    max_gap: float,
    speed: float | None,
    launch_at: float | None,
    choice: ColumnChoice,
) -> None:
    """Work on a calibration in a browser: drag its ceilings over the run of TRACE, and see at once what the
    controller would have done. Without TRACE it is a demo run.

    On the page logs are brought by dropping them, columns and units are put right, a calibration is begun for
    a car that has none, and the report and the device's file are taken along.

    Prints the page's address and serves it until Ctrl-C (exit code 130), to this machine only, and to nobody
    without the token in the address. Nothing is written but what you save, and one file for the work in
    progress in ~/.local/state/liftlatch (or below $XDG_STATE_HOME), so that nothing is lost: start the desk
    again with the same calibration and go on. When you save, the old file is kept beside it.
    An engineering aid, not a safety device.
    """
    from bench.desk.demo import demo_file
    from bench.desk.session import Session
    from bench.desk.source import Source
    from bench.replay.inputs import Options
    from bench.trace.progress import progress_bar
    from bench.trace.read import read_trace

    with progress_bar("reading") as progress:
        recorded = read_trace(trace or demo_file("clean_launch.csv", "give a TRACE"), choice, progress)
    vehicle = None
    if vehicle_path is not None:
        from bench.vehicle.vehicle_file import load

        vehicle = load(vehicle_path)
    source = Source(recorded, Options(max_gap, speed, launch_at), vehicle)
    calibration = calibration_path or demo_file("demo.toml", "give --calibration FILE")
    session = Session(calibration, copy=calibration_path is None)
    try:
        # What does not fit together is told here and not on the page.
        source.replay(session.settings.cal)
        _serve(session, source, port, open_browser)
    finally:
        session.close()


def _serve(session: Session, source: Source, port: int, open_browser: bool) -> None:
    from bench.desk.desk import Desk
    from bench.desk.server import serve

    def ready(address: str) -> None:
        click.echo(f"desk at {address}")
        click.echo("Only this machine can open it. Ctrl-C ends it; unsaved work is kept for the next time.")
        if open_browser:
            import webbrowser

            if not webbrowser.open(address):
                click.echo("liftlatch: no browser could be opened; open the address yourself", err=True)

    serve(Desk(session, source), port, ready)
