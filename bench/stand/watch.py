"""`liftlatch stand`, live: what feeds it, the page that is served, and the board on a terminal."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import click

from bench.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

    from bench.calibration import CalibrationFile
    from bench.link.target import Target
    from bench.stand.feed import Feed, Ticks

_EACH_S = 0.1  # from picture to picture of the terminal; into a pipe a line a second


def watch(calibration: CalibrationFile, given: dict[str, Any]) -> None:
    """Serve the page, or draw the board, until Ctrl-C or, on a terminal, the end of a recording."""
    with _feed(calibration, given) as (feed, fed):
        if given["terminal"]:
            if feed.by_hand:
                what = "nobody can lift a nose on a terminal"
                raise UserError(
                    what, "--terminal", "give --port, or --plays TRACE; or leave it out for the page"
                )
            _draw(feed, calibration, fed)
        else:
            _serve(feed, calibration, fed, given)


@contextmanager
def _feed(calibration: CalibrationFile, given: dict[str, Any]) -> Iterator[tuple[Feed, str]]:
    """(what gives the ticks, the same in words)."""
    from bench.stand.feed import ByHand, Plays

    plays: Path | None = given["plays"]
    if given["port"] is not None and plays is None and not given["emulated"]:
        yield _streaming(calibration, given)
        return
    with _target(calibration, given) as (target, what):
        if plays is None:
            yield ByHand(target), f"By hand, through {what}"
            return
        from bench.link.reading import Reading

        _, _, records = Reading().inputs(plays, calibration)
        yield Plays(target, records, calibration.tick_us), f"{plays.name}, through {what}"


def _streaming(calibration: CalibrationFile, given: dict[str, Any]) -> tuple[Feed, str]:
    from bench.console import make_console
    from bench.stand.feed import Streams
    from bench.stand.run import demand_same
    from bench.verify.connect import greet

    target = greet(given, make_console(err=True))
    demand_same(target.host, calibration)
    return Streams(target, given["every"]), f"{target.greeting.firmware}, its own sensor"


@contextmanager
def _target(calibration: CalibrationFile, given: dict[str, Any]) -> Iterator[tuple[Target, str]]:
    """A controller that is fed, loaded, and what it is."""
    from bench.console import make_console
    from bench.link.target import LocalTarget
    from bench.verify.connect import board, connect
    from controller import Controller
    from firmware_model import binding

    if not given["emulated"] and given["port"] is None:
        slow = binding.available()
        target = LocalTarget(Controller() if slow else binding.Core())
        target.load(calibration.image)
        yield target, "the reference" if slow else "the C core"
        return
    with board(given):
        console = make_console(err=True)
        remote = connect(given, calibration, console)
        try:
            yield remote, remote.greeting.firmware
        finally:
            remote.host.line.close()


def _serve(feed: Feed, calibration: CalibrationFile, fed: str, given: dict[str, Any]) -> None:
    from bench.desk.server import LOOPBACK, serve
    from bench.stand.live import Live

    host: str = given["network"] or LOOPBACK
    # What acts on the next run is loaded at this machine only.
    live = Live(feed, calibration, version("liftlatch"), fed, given["every"], loads=host == LOOPBACK)

    def ready(address: str) -> None:
        click.echo(f"stand at {address}")
        who = "Only this machine can open it." if host == LOOPBACK else (
            "Whoever in this network knows the address can open it, token included; it is sent in the clear."
        )  # fmt: skip
        click.echo(f"{who} Ctrl-C ends it.")
        if given["open_browser"]:
            import webbrowser

            if not webbrowser.open(address):
                click.echo("liftlatch: no browser could be opened; open the address yourself", err=True)

    serve(live, given["page_port"], ready, host)
    if live.failed is not None:
        raise live.failed


def _draw(feed: Feed, calibration: CalibrationFile, fed: str) -> None:
    """The newest tick, over and over; into a pipe as lines."""
    from bench.stand.board import lines

    ended = threading.Event()
    newest: list[Ticks] = []
    failed: list[UserError] = []

    def work() -> None:
        try:
            feed.run(lambda ticks: newest.__setitem__(slice(None), [ticks]), ended)
        except UserError as error:
            failed.append(error)
        ended.set()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    drawn = 0
    on_terminal = sys.stdout.isatty()
    click.echo(fed)
    try:
        while not ended.wait(_EACH_S if on_terminal else 1.0) or newest:
            if newest:
                text = lines(calibration, newest[0])
                newest.clear()
                if on_terminal and drawn:
                    click.echo(f"\x1b[{drawn}A\x1b[J", nl=False)
                click.echo("\n".join(text if on_terminal else [*text, ""]))
                drawn = len(text)
            time.sleep(0)
    finally:
        ended.set()
        thread.join(5)
    if failed:
        raise failed[0]
