"""The command `liftlatch`: its list of subcommands and what the shell sees when one fails.

Exit codes: 0 fine, 1 a difference was found or no setting keeps the limits, 2 wrong usage, bad input or a
failed link, 130 stopped by Ctrl-C, 141 the reader of our output went away.
"""

from __future__ import annotations

import errno
import io
import os
import sys
import warnings
from importlib import import_module
from typing import TYPE_CHECKING, NoReturn

import click

from bench.errors import UserError, printable
from bench.folder import use_folder

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

# name -> (module:attribute, one line for --help). Modules are imported only when their command runs.
COMMANDS = {
    "start": ("bench.start.command:start", "Ask about a new car, and write its first files."),
    "calibration": ("bench.calibration.command:calibration", "Check, show or compile a calibration file."),
    "trace": ("bench.trace.command:trace", "Show what was understood of a recorded trace."),
    "replay": ("bench.replay.command:replay", "Run the controller over a recorded trace, tick by tick."),
    "compare": ("bench.compare.command:compare", "Compare calibrations over traces, and runs by launch."),
    "sweep": ("bench.sweep.command:sweep", "Run many calibrations over many traces: what would each take?"),
    "vectors": ("bench.vectors.command:vectors", "Write golden vectors of a trace, to check firmware by."),
    "verify": ("bench.verify.command:verify", "Compare a device on a serial port with the reference."),
    "load": ("bench.verify.load:load", "Load a calibration into a device, or say what it has."),
    "device": ("bench.device.command:device", "Behave as a device on a serial port, with or without faults."),
    "record": ("bench.link.record:record", "Save what a device streams as a trace."),
    "predict": ("bench.vehicle.command:predict", "Drive a model of the car with a calibration, and without."),
    "search": ("bench.search.command:search", "Seek settings for a car, within limits, in a model of it."),
    "sensor": (
        "bench.sensor.command:sensor",
        "Measure the height sensor: what follows for its keys?",
    ),
    "fit": ("bench.fit.command:fit", "Fit the model of the car to recorded runs."),
    "book": ("bench.book.command:book", "Keep every run: log, calibration, air, slip, results."),
    "next": ("bench.next.command:next_", "After a run: keep it, explain it, say what to change."),
    "desk": ("bench.desk.command:desk", "Work on a calibration in a browser: drag, and see the answer."),
    "stand": (
        "bench.stand.command:stand",
        "Lift a nose by hand, and test a device on stands.",
    ),
    "completion": ("bench.completion:completion", "Print a script for your shell's completion."),
    "demo": ("bench.demo.command:demo", "Write the demo traces anew."),
}

_WHAT_HELPS = {
    errno.ENOENT: "check the name",
    errno.EACCES: "check the rights of the file and its folder",
    errno.EPERM: "check the rights of the file and its folder",
    errno.EISDIR: "name a file instead of a folder",
    errno.ENOTDIR: "check the folders in the name",
    errno.ENOSPC: "free some space or write elsewhere",
    errno.EDQUOT: "free some space or write elsewhere",
    errno.EROFS: "write elsewhere",
    errno.ELOOP: "check where the link leads",
    errno.ENAMETOOLONG: "use a shorter name",
}


class PipeClosed(Exception):
    """Whoever read our standard output has gone (click would call that exit code 1)."""


class LazyGroup(click.Group):
    """A group that lists its commands from COMMANDS and imports one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name][0].split(":")
        command = getattr(import_module(module), attribute)
        assert isinstance(command, click.Command)
        return use_folder(command)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem[str]]:
        from click.shell_completion import CompletionItem

        if incomplete.startswith("-"):
            return click.Command.shell_complete(self, ctx, incomplete)
        found = [(name, text) for name, (_, text) in COMMANDS.items() if name.startswith(incomplete)]
        return [CompletionItem(name, help=text) for name, text in found]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            raise click.UsageError(f"no command {name!r}; there are {', '.join(COMMANDS)}", ctx)
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        try:
            result: object = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError as error:
            raise PipeClosed from error
        return result


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="liftlatch", message="liftlatch %(version)s")
def liftlatch() -> None:
    """Replay, check and tune a launch controller that keeps a drag car's nose down.

    An engineering aid, not a safety device: it replaces no wheelie bar, no rule and nobody at the car.
    """


def _stop(message: str, code: int) -> NoReturn:
    try:
        sys.stdout.flush()
    except OSError:
        # The interpreter tries once more when it ends, and would end with a code of its own.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    _complain("".join(f"liftlatch: {printable(line)}\n" for line in message.split("\n") if line))
    sys.exit(code)


def _complain(text: str) -> None:
    """On standard error; where that is full or closed the exit code alone has to tell."""
    try:
        click.echo(text, err=True, nl=False)
        if sys.stderr is not None:
            sys.stderr.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _usage_line(error: click.ClickException) -> str:
    text = printable(" ".join(error.format_message().split()))
    context = error.ctx if isinstance(error, click.UsageError) else None
    if context is None:
        return text
    return f"{text.rstrip('.')}; see '{context.command_path} --help'"


def _os_line(error: OSError) -> str:
    what = error.strerror or str(error) or type(error).__name__
    return str(UserError(what, error.filename or "", _WHAT_HELPS.get(error.errno or 0, "")))


def _prepare_streams() -> None:
    """A closed standard stream swallows what is printed, and no file that is opened later gets its number; a
    letter that the output's encoding lacks becomes a `?`."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
            stream = open(number, "w" if number else "r", closefd=False)  # noqa: SIM115 - until the end
            setattr(sys, name, stream)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    if not sys.warnoptions:
        # Those of libraries, say of a letter that a picture's font lacks, help nobody here.
        warnings.simplefilter("ignore")


def main() -> NoReturn:
    """Run the command line of this process and leave with its exit code."""
    _prepare_streams()
    # More threads of numpy's linear algebra burn a core while they wait, and let the number of cores decide
    # the last bits of a fit.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if "_LIFTLATCH_COMPLETE" in os.environ:
        from bench.completion import register

        register()
    try:
        result = liftlatch.main(prog_name="liftlatch", standalone_mode=False)
        sys.stdout.flush()
    except UserError as error:
        _stop(str(error), 2)
    except click.exceptions.NoArgsIsHelpError as error:
        _complain(f"{error.format_message()}\n")
        sys.exit(2)
    except click.ClickException as error:
        _stop(_usage_line(error), 2)
    except (click.Abort, KeyboardInterrupt):
        _stop("stopped", 130)
    except (PipeClosed, BrokenPipeError):
        _stop("", 141)
    except MemoryError:
        _stop("not enough memory for this; use a shorter trace or a longer tick", 2)
    except OSError as error:
        _stop(_os_line(error), 2)
    except Exception:
        # A mistake of ours: show it in full, but never with the code that means "different".
        sys.excepthook(*sys.exc_info())
        _stop("internal error: please report the lines above", 2)
    # click hands back the code of ctx.exit(), or what the command returned
    sys.exit(result if isinstance(result, int) else 0)
