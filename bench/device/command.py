"""liftlatch device: a model of the microcontroller as a process."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.blackbox.options import within_option
from bench.facts import head, json_option, print_json
from bench.options import (
    EMULATED_BOARDS,
    SEED,
    TRACE_FILE,
    Whole,
    baud_option,
    board_option,
    calibration_option,
)

if TYPE_CHECKING:
    from bench.device.behaviour import Player
    from bench.link.line import Line
    from bench.link.stepper import Core

SUMMARY_VERSION = 1
_BUGS = ("hold-short", "peak-lost", "release-low", "tick-wrap", "table-edge")


@click.command()
@click.option(
    "--port", default="pty", show_default=True, metavar="pty|tcp:NUMBER|PORT",
    help="A pseudo-terminal, a TCP port on this machine (0: any), or a serial port to answer on.",
)  # fmt: skip
@click.option(
    "--emulated", is_flag=True,
    help="Run the firmware itself on an emulated board instead; only --board and --bug go with it.",
)  # fmt: skip
@board_option
@baud_option
@click.option(
    "--core", type=click.Choice(["reference", "c"]), default="reference", show_default=True,
    help="What the controller is made of.",
)  # fmt: skip
@click.option("--bug", type=click.Choice(_BUGS), help="Run a controller with this bug (not with --core c).")
@click.option(
    "--fault", "faults", multiple=True, metavar="NAME[=RATE]",
    help="A bad line, both ways: drop, flip, duplicate, split, delay, stall or garbage, for this share of"
    " the frames (0.01 unless given).",
)  # fmt: skip
@click.option("--reset-at", type=Whole(1), metavar="N", help="Power up anew after N ticks, once.")
@click.option("--wrong-version", is_flag=True, help="Say that the controller is of another version.")
@click.option("--wrong-protocol", is_flag=True, help="Say that the protocol is of another version.")
@click.option("--seed", type=SEED, default=0, show_default=True, metavar="N", help="Of the faults.")
@click.option(
    "--largest", type=Whole(128, 4096), default=1024, show_default=True, metavar="BYTES",
    help="The largest frame's payload.",
)  # fmt: skip
@click.option(
    "--window", type=Whole(1, 255), default=8, show_default=True, metavar="N",
    help="Answers kept for repeating.",
)  # fmt: skip
@click.option(
    "--plays", type=TRACE_FILE, metavar="TRACE",
    help="When a stream is asked for, run this trace in real time and stream it.",
)  # fmt: skip
@calibration_option("The calibration for --plays or --free-running.", required=False)
@click.option(
    "--free-running", is_flag=True,
    help="Instead: a controller that runs by itself from a sensor of its own, at the wires of a box, in"
    " virtual time, for verify --black-box. --calibration, --core, --bug, --seed and --within go with it.",
)  # fmt: skip
@within_option
@json_option
def device(port: str, as_json: bool, **given: Any) -> None:
    """Behave as a microcontroller with the controller on it, until Ctrl-C.

    Prints the port for the bench first. Misbehaves as told, so that a bench can be tried out: bugs are for
    `liftlatch verify` to find, faults of the line for it to get over or to report.
    """
    if given.pop("emulated"):
        _run_emulated(given["bug"], given["board"], as_json)
        return
    if given.pop("free_running"):
        _run_free(port, as_json, given)
        return
    from bench.errors import UserError

    if given["within"] is not None:
        raise UserError("is for --free-running", "--within", "give both, or neither")
    from bench.device.behaviour import Behaviour
    from bench.device.faults import parse_faults
    from bench.device.serve import serve
    from bench.device.simulated import Device, Facts
    from bench.link.protocol import PROTOCOL
    from controller.constants import IMAGE_VERSION

    facts = Facts(
        largest=given["largest"],
        window=given["window"],
        protocol=PROTOCOL + given["wrong_protocol"],
        image_version=IMAGE_VERSION + given["wrong_version"],
        firmware=f"model, {given['bug'] or given['core']}"[:24],
    )
    rates = parse_faults(given["faults"])
    make = core_maker(given["core"], given["bug"])
    player = _player(given, make())
    image = player.image if player else None
    behaviour = Behaviour(Device(make, facts, given["reset_at"], image), rates, given["seed"], player)
    line = _open(port, given["baud"])
    _say(line.name, facts.firmware, as_json)
    serve(line, behaviour)


def _say(port: str, what: str, as_json: bool) -> None:
    """Tell the bench where to find the device, at once."""
    if as_json:
        print_json({**head(SUMMARY_VERSION), "port": port, "device": what})
    else:
        click.echo(f"device on {port}")


def _only(allowed: tuple[str, ...], instead: str, text: str) -> None:
    """Raises UserError for an option given that is not among some."""
    from click.core import ParameterSource

    from bench.errors import UserError

    context = click.get_current_context()
    for option in context.command.params:
        name = option.name or ""
        usual = context.get_parameter_source(name) in (ParameterSource.DEFAULT, None)
        if name not in (*allowed, "as_json") and not usual:
            raise UserError(text, option.opts[0], f"leave it or {instead} out")


def _run_emulated(bug: str | None, board: str, as_json: bool) -> None:
    from bench.device.emulated import emulated_board
    from bench.errors import UserError

    _only(("emulated", "board", "bug"), "--emulated", "is for the device model")
    if bug is not None and board != EMULATED_BOARDS[0]:
        raise UserError("bugs are for the usual board", "--bug", "leave --board out")
    with emulated_board(bug, board=board) as running:
        _say(running.port, f"emulated, {bug or 'no bug'}", as_json)
        running.wait()


def _run_free(port: str, as_json: bool, given: dict[str, Any]) -> None:
    """Serve a box with a controller at its wires."""
    from bench.blackbox.unit import parse_limits
    from bench.blackbox.wire import Wire
    from bench.calibration import load
    from bench.device.serve import serve
    from bench.errors import UserError
    from firmware_model.probe import box

    goes = ("free_running", "port", "baud", "calibration_path", "core", "bug", "seed", "within")
    _only(goes, "--free-running", "is for a device that is fed over the line")
    if given["calibration_path"] is None:
        raise UserError("needs a calibration", "--free-running", "give --calibration FILE")
    why_not = box.available()
    if why_not:
        raise UserError(why_not, "--free-running")
    core = core_maker(given["core"], given["bug"])()
    image = load(given["calibration_path"]).image
    wire = Wire(core, image, parse_limits(given["within"]), given["seed"])
    line = _open(port, given["baud"])
    _say(line.name, f"box, with a controller that runs by itself, {given['bug'] or given['core']}", as_json)
    serve(line, wire)


def core_maker(core: str, bug: str | None) -> Any:
    """What makes a controller: of the reference, of C, or with a bug. Raises UserError where it cannot be
    had."""
    from bench.errors import UserError

    if bug is not None:
        if core != "reference":
            raise UserError("bugs are for the reference core only", "--bug", "leave out --core")
        from bench.device.bugs import BUGS

        return BUGS[bug]
    if core == "c":
        from firmware_model import binding

        why_not = binding.available()
        if why_not:
            raise UserError(why_not, "--core c", "or use --core reference")
        return binding.Core
    from controller import Controller

    return Controller


def _player(given: dict[str, Any], core: Core) -> Player | None:
    from bench.errors import UserError

    if given["plays"] is None:
        if given["calibration_path"] is not None:
            raise UserError("is for --plays only", "--calibration", "verify loads one into the device itself")
        return None
    if given["calibration_path"] is None:
        raise UserError("needs a calibration", "--plays", "give --calibration FILE")
    from bench.calibration import load
    from bench.device.behaviour import Player
    from bench.link.reading import Reading

    calibration = load(given["calibration_path"])
    _, _, records = Reading().inputs(given["plays"], calibration)
    return Player(core, calibration.image, records)


def _open(port: str, baud: int) -> Line:
    from bench.errors import UserError
    from bench.link.ports import ListeningLine, PtyLine, SerialLine

    if port == "pty":
        return PtyLine()
    if port.startswith("tcp:"):
        number = port.removeprefix("tcp:")
        if not number.isascii() or not number.isdigit() or int(number) > 65535:
            raise UserError("no such port number", f"--port {port}", "give tcp:0 to tcp:65535")
        return ListeningLine(int(number))
    return SerialLine(port, baud)
