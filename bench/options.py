"""What several commands take alike, each declared once: kinds of files, and options."""

from __future__ import annotations

import math
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import click

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


class FilePath(click.Path):
    """The path of a file. A shell that completes it offers the files first whose names end so."""

    def __init__(self, *ends: str) -> None:
        super().__init__(path_type=Path)
        self.ends = ends

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; an empty word, as an unset variable of the shell leaves it, is none."""
        if value == "":
            self.fail("the name is empty", param, ctx)
        return super().convert(value, param, ctx)

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[Any]:
        """A word for the shell's own completion of files (bench.completion)."""
        from click.shell_completion import CompletionItem

        return [CompletionItem(" ".join(self.ends), type="file")]


class FolderPath(FilePath):
    """The path of a folder."""

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[Any]:
        """A word for the shell's own completion of folders."""
        from click.shell_completion import CompletionItem

        return [CompletionItem("", type="dir")]


TRACE_FILE = FilePath("csv", "txt", "tsv", "dat", "asc", "log", "mf4", "mdf")
TOML_FILE = FilePath("toml")
ANY_FILE = FilePath()
FOLDER = FolderPath()


class Number(click.FloatRange):
    """A number, within bounds where they are given (`inf` may be one)."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):  # it would pass any bounds
            self.fail(f"{value!r} is not a valid number.", param, ctx)
        return number

    def _describe_range(self) -> str:
        return _range(self, super()._describe_range())


class Whole(click.IntRange):
    """A whole number, within bounds where they are given."""

    name = "whole number"

    def _describe_range(self) -> str:
        return _range(self, super()._describe_range())


def _range(number: click.FloatRange | click.IntRange, told: str) -> str:
    """The range as help tells it; click tells one without bounds as x<=None."""
    return "" if number.min is None and number.max is None else told


SEED = Whole(0, 2**31 - 1)
BAUD = Whole(1, 10**8)
_FEET = ("60", "330", "660", "1000", "1320")


def distance_option(text: str, default: str) -> Decorator:
    """--distance FT, as `feet`, a whole number of feet."""

    def feet(context: click.Context, parameter: click.Parameter, value: str) -> int:
        number = value.strip().removesuffix("ft").strip()
        if number not in _FEET:
            raise click.BadParameter(f"{value!r} is none of {', '.join(_FEET)} ft", context, parameter)
        return int(number)

    return click.option(
        "--distance", "feet", callback=feet, default=default, show_default=True, metavar="FT",
        help=f"{text} {', '.join(_FEET[:-1])} or {_FEET[-1]} ft.",
    )  # fmt: skip


EMULATED_BOARDS = ("lm3s6965", "stm32f405", "nrf51", "rv32")
"""The emulated boards, those of firmware_model.board.build, whose import would cost each start."""


def board_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--board NAME, as `board`: with --emulated only."""
    return click.option(
        "--board", type=click.Choice(EMULATED_BOARDS), default=EMULATED_BOARDS[0], show_default=True,
        help="Which board --emulated starts.",
    )(command)  # fmt: skip


def port_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--port PORT of a device, as `port`; None unless given."""
    return click.option(
        "--port", metavar="PORT",
        help="Serial port of the device: /dev/ttyUSB0, COM3, socket://HOST:PORT, rfc2217://HOST:PORT.",
    )(command)  # fmt: skip


def baud_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--baud N, as `baud`."""
    return click.option(
        "--baud", type=BAUD, default=115200, show_default=True, metavar="N",
        help="Bits a second of a real port.",
    )(command)  # fmt: skip


MAX_GAP_S = 0.1  # bench.replay.inputs has the same, but would load numpy for --help


def completes(place: str) -> Callable[..., Any]:
    """A function, as "module:name", that gives the words for an option; loaded when a shell asks."""

    def words(ctx: click.Context, param: click.Parameter, incomplete: str) -> Any:
        module, name = place.split(":")
        return getattr(import_module(module), name)(ctx, param, incomplete)

    return words


def named_before(ctx: click.Context, *parameters: str) -> Any:
    """The first file that a parameter was given before."""
    for name in parameters:
        value = ctx.params.get(name)
        if isinstance(value, tuple):
            value = value[0] if value else None
        if value:
            return value
    return None


def torque_from_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--torque-from, as `torque_from`: "log", "replay" or None."""
    return click.option(
        "--torque-from", type=click.Choice(["log", "replay"]),
        help="Whose command the engine's torque is taken from: the trace's logged one, or the one that the"
        " calibration gives.  [default: log where the trace has a reduction]",
    )(command)  # fmt: skip


def calibration_option(text: str, required: bool = True) -> Decorator:
    """--calibration FILE, as `calibration_path`."""
    return click.option(
        "--calibration", "calibration_path", type=TOML_FILE, required=required, metavar="FILE", help=text
    )


def vehicle_option(text: str, required: bool = True) -> Decorator:
    """--vehicle CAR, as `vehicle_path`."""
    return click.option(
        "--vehicle", "vehicle_path", type=TOML_FILE, required=required, metavar="CAR", help=text
    )


REPLACE = "bench.options.replace"
"""Where the context keeps whether --replace was given; bench.result asks for it."""


def replace_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--replace, which goes to bench.result and not to the command."""

    def keep(context: click.Context, parameter: click.Parameter, value: bool) -> None:
        context.meta[REPLACE] = value

    return click.option(
        "--replace", is_flag=True, expose_value=False, callback=keep,
        help="Let --out replace a result that was made from other inputs.",
    )(command)  # fmt: skip


def out_option(text: str, required: bool = False) -> Decorator:
    """--out DIR, as `out`, and --replace."""

    def both(command: Callable[..., Any]) -> Callable[..., Any]:
        out = click.option("--out", type=FOLDER, required=required, metavar="DIR", help=text)
        return out(replace_option(command))

    return both


def core_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--core, as `core`: None where it is not given."""
    return click.option(
        "--core", type=click.Choice(["reference", "c"]),
        help="What steps: the reference in Python, or the C core, which must give the same and is faster.  "
        "[default: c where it is built]",
    )(command)  # fmt: skip


def cluster_option(does: str) -> Decorator:
    """--cluster ADDRESS, as `cluster`; `does` is what its workers do."""
    return click.option(
        "--cluster", metavar="ADDRESS",
        help=f"{does} on the workers of the Dask scheduler at this address, for example 127.0.0.1:8786.",
    )  # fmt: skip


def input_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """How a trace becomes the controller's inputs: --max-gap, --speed and --launch-at, as `max_gap`, `speed`
    and `launch_at`."""
    for option in (
        click.option(
            "--launch-at", type=Number(), metavar="S",
            help="Launch at this time of the trace, whatever it shows.",
        ),
        click.option(
            "--speed", type=Number(), metavar="KMH", help="A constant road speed, instead of the trace's."
        ),
        click.option(
            "--max-gap", type=Number(), default=MAX_GAP_S, show_default=True, metavar="S",
            help="Longer gaps between samples of the height are a lost sensor, shorter ones a straight line.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command
