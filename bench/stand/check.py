"""`liftlatch stand --check`: the stand test as a command."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.system import line_typed

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration import CalibrationFile
    from bench.link.protocol import Greeting, Streamed
    from bench.stand.run import Result
    from bench.stand.steps import Step


def check(calibration: CalibrationFile, given: dict[str, Any], out: Path | None, as_json: bool) -> bool:
    """Run it on the device that the options say, tell and write the sheet; whether everything was right.

    Raises UserError and LinkError as connecting and running do.
    """
    from bench.console import make_console, print_text
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.facts import print_json
    from bench.result import result_folder
    from bench.stand.document import make_document
    from bench.stand.facts import make_facts
    from bench.stand.files import write_junit
    from bench.verify.connect import board

    console = make_console(err=as_json)
    for line in _CAREFUL:
        print_text(console, line)
    with result_folder(out) as folder, board(given):
        scripted = given["emulated"] or given["scripted"]
        results, greeting = (_feed if scripted else _watch)(calibration, given, console)
        how = {"port": given["port"], "nose": "scripted" if scripted else "lifted by hand"}
        facts = make_facts(results, calibration, greeting, how)
        document = make_document(facts, results, calibration)
        if folder is not None:
            write(folder, facts, document)
            write_junit(folder, facts)
    if as_json:
        print_json(facts)
    else:
        show(document, out)
    return bool(facts["verdict"] == "passed")


_CAREFUL = (
    "Car on stands that hold it at the frame, wheels clear, nobody under it. Engine off; fuel pump, coils"
    " and injectors without power.",
    "Whoever lifts the nose does it with a jack or a lever, never with the hands under the car.",
)


def _feed(
    calibration: CalibrationFile, given: dict[str, Any], console: Console
) -> tuple[list[Result], Greeting]:
    """A device that is fed over the line, by a scripted nose."""
    from bench.link.line import LinkError
    from bench.stand.run import run_scripted
    from bench.verify.connect import connect

    target = connect(given, calibration, console)
    results = run_scripted(target, calibration, lambda result: _tell(console, result))
    with suppress(LinkError):  # the verdict stands
        target.leave()
    target.host.line.close()
    return results, target.greeting


def _watch(
    calibration: CalibrationFile, given: dict[str, Any], console: Console
) -> tuple[list[Result], Greeting]:
    """A device that reads its own sensor, by hand."""
    from bench.stand.run import run_watched
    from bench.verify.connect import greet

    target = greet(given, console)
    guide = _Guide(console)
    results = run_watched(target.host, calibration, guide.done, lambda result: _tell(console, result))
    target.host.line.close()
    return results, target.greeting


class _Guide:
    """Says what to do, shows the nose while it is done, and hears Enter."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._step = ""
        self._shown = 0

    def done(self, step: Step, got: Streamed | None) -> bool:
        """Whether Enter was pressed (or the input has ended)."""
        from bench.console import print_text

        if step.name != self._step:
            self._step = step.name
            print_text(self._console, f"\n{step.title}", style="bold")
            print_text(self._console, f"{step.tells} Enter when that is done.")
        if got is not None and sys.stderr.isatty():
            last = got.outputs[-1]
            line = (
                f"lift {last['lift'] / 16:6.1f} mm  taken {last['reduction'] / 10:5.1f} %"
                f"  {'in a run' if last['launched'] else 'no run':8}"
            )
            sys.stderr.write(f"\r{line}")
            sys.stderr.flush()
        return line_typed() and sys.stdin.readline() is not None


def _tell(console: Console, result: Result) -> None:
    from bench.console import print_text

    verdict = "passed" if result.passed else "FAILED"
    print_text(console, f"{result.step.title}: {verdict}", style="" if result.passed else "bold red")
