"""A device at a port, or an emulated board, with a calibration loaded into it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration import CalibrationFile
    from bench.link.protocol import Greeting
    from bench.link.target import RemoteTarget


@contextmanager
def board(given: dict[str, Any]) -> Iterator[None]:
    """The port: the one given, or that of an emulated board that runs until the end of the block."""
    from bench.errors import UserError

    if given["emulated"] == (given["port"] is not None):
        raise UserError("needs one of the two", "--port, --emulated", "give the device's port, or --emulated")
    if not given["emulated"]:
        yield
        return
    from bench.device.emulated import emulated_board

    with emulated_board(board=given["board"]) as running:
        given["port"] = running.port
        yield


def greet(given: dict[str, Any], console: Console) -> RemoteTarget:
    """The device at the port; what it calls itself goes to the console."""
    from bench.console import print_text
    from bench.link.host import Host
    from bench.link.ports import SerialLine
    from bench.link.protocol import OLDER_TEXT
    from bench.link.target import RemoteTarget

    port = given["port"]
    target = RemoteTarget(Host(SerialLine(port, given["baud"]), timeout_s=given["timeout"]))
    greeting = target.greeting
    text = f"{port}: {greeting.firmware}, frames up to {greeting.largest} bytes, window {greeting.window}"
    print_text(console, text, rest="  ")
    if greeting.older:
        print_text(console, OLDER_TEXT, rest="  ")
    return target


def meet(given: dict[str, Any], console: Console) -> RemoteTarget:
    """The device at the port, which reads our images or has a calibration of its own; where asked for, of a
    firmware by name, and disarmed."""
    from bench.link.line import LinkError
    from bench.link.protocol import Feature
    from controller.constants import IMAGE_VERSION

    port = given["port"]
    target = greet(given, console)
    greeting = target.greeting
    with _closed_where_it_fails(target):
        if Feature.BOX in greeting.features:
            what = "a box is here, which plays to a controller that runs by itself"
            raise LinkError(what, port, "give verify --black-box, or the controller's own port")
        if greeting.image_version != IMAGE_VERSION and Feature.OWN_CALIBRATION not in greeting.features:
            what = f"its controller reads calibration images of version {greeting.image_version}"
            raise LinkError(what, port, f"this bench makes version {IMAGE_VERSION}")
        firmware = given.get("firmware")
        if firmware is not None and firmware != greeting.firmware:
            what = f"its firmware is {greeting.firmware!r}, not {firmware!r}"
            raise LinkError(what, port, "load the right firmware, or name this one")
        if given.get("disarm"):
            target.disarm()
    return target


@contextmanager
def _closed_where_it_fails(target: RemoteTarget) -> Iterator[None]:
    """Whoever tries again finds the port free."""
    try:
        yield
    except BaseException:
        target.host.line.close()
        raise


def connect(given: dict[str, Any], calibration: CalibrationFile, console: Console) -> RemoteTarget:
    """The device at the port, with the calibration loaded."""
    from bench.link.line import LinkError
    from bench.link.protocol import Feature
    from bench.link.target import IMAGE_REASONS

    port = given["port"]
    target = meet(given, console)
    greeting = target.greeting
    with _closed_where_it_fails(target):
        if Feature.OWN_CALIBRATION in greeting.features:
            _own_calibration(greeting, calibration, port, console)
            return target
        verdict = target.load(calibration.image)
        if verdict:
            why = IMAGE_REASONS.get(verdict, f"reason {verdict}")
            raise LinkError(f"the device refused the calibration: {why}", port, "check its firmware")
        if (target.greeting.image_crc, target.greeting.tick_us) != (calibration.crc, calibration.tick_us):
            what = "the device runs another calibration than it was given"
            raise LinkError(what, port, "check its firmware")
    return target


def _own_calibration(greeting: Greeting, calibration: CalibrationFile, port: str, console: Console) -> None:
    """Say that a device with a calibration of its own is given none; its tick must be that of the file."""
    from bench.console import print_text
    from bench.link.line import LinkError
    from bench.trace.text import shown_path

    if greeting.tick_us != calibration.tick_us:
        what = f"its own calibration has a tick of {greeting.tick_us} µs, this file {calibration.tick_us} µs"
        raise LinkError(what, port, "compare it with a calibration of its tick")
    name = shown_path(calibration.path)
    print_text(console, f"it has a calibration of its own and is given none; compared with {name}", rest="  ")
