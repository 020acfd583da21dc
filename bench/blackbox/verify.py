"""liftlatch verify --black-box: a controller that runs by itself, from its sparks and injectors."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

# What verify takes and a black box has no use for -> its value where it is not given.
_NOT_WITH = {
    "vehicle_path": None, "emulated": False, "conformance": False, "generated": None, "real_time": False,
    "ticks_per_frame": None, "max_late": None, "outputs": None, "tolerance": None, "lag": None,
    "disarm": False,
}  # fmt: skip


def black_box(
    traces: Sequence[Path], calibration_path: Path | None, as_json: bool, given: dict[str, Any]
) -> None:
    """Play traces, or runs made for the calibration, on the box at the port, and say what came of it."""
    from bench.blackbox.document import make_document
    from bench.blackbox.facts import make_facts, write_junit
    from bench.blackbox.play import greet
    from bench.blackbox.run import run_all, subjects
    from bench.blackbox.unit import parse_limits
    from bench.calibration import load
    from bench.console import make_console, print_text
    from bench.document.terminal import show
    from bench.document.write import write
    from bench.errors import UserError
    from bench.facts import print_json
    from bench.link.host import Host
    from bench.link.ports import SerialLine
    from bench.link.reading import Reading
    from bench.result import result_folder

    _check(calibration_path, given)
    assert calibration_path is not None
    limits = parse_limits(given["within"])
    calibration = load(calibration_path)
    reading = Reading(given["max_gap"], given["speed"], given["launch_at"], given["choice"])
    runs = subjects(traces, calibration, reading)
    out: Path | None = given["out"]
    console = make_console(err=as_json)
    with result_folder(out) as folder:
        line = SerialLine(given["port"], given["baud"])
        try:
            host = Host(line, timeout_s=given["timeout"])
            greeting = greet(host)
            wanted = given["firmware"]
            if wanted is not None and greeting.firmware != wanted:
                raise UserError(f"the box is {greeting.firmware!r}, not {wanted!r}", given["port"])
            text = f"{given['port']}: {greeting.firmware}; the controller must have {calibration.path.name}"
            print_text(console, text, rest="  ")
            results = run_all(host, greeting.largest, runs, limits, given["seed"], console)
        finally:
            line.close()
        facts = make_facts(results, greeting, given["port"], limits, given["seed"], calibration)
        document = make_document(facts, results, calibration)
        if folder is not None:
            write(folder, facts, document)
            write_junit(folder / "junit.xml", results)
    if as_json:
        print_json(facts)
    else:
        show(document, out)
    if results[-1].error is not None:
        raise results[-1].error
    if facts["verdict"] == "different":
        click.get_current_context().exit(1)


def _check(calibration_path: Path | None, given: dict[str, Any]) -> None:
    """Raises UserError where something does not go with a black box, or is missing."""
    from bench.errors import UserError

    context = click.get_current_context()
    names = {option.name: option.opts[0] for option in context.command.params}
    for name, usual in _NOT_WITH.items():
        if given[name] != usual:
            right = "it is for a controller that is fed over the line; leave one of the two out"
            raise UserError("does not go with --black-box", names[name], right)
    if given["port"] is None:
        raise UserError("is missing", "--port", "name the port of the box")
    if calibration_path is None:
        raise UserError("is missing", "--calibration", "name the one that the controller has")
