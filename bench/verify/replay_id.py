"""Replay ids: a difference found by verify, named in one word so that it can be looked at again.

    verify:TICK:CHECK:TRACE:CALIBRATION[:NAME=VALUE...]

CHECK is the CRC-32 over the calibration image and the packed inputs, so that a changed file is noticed; each
NAME=VALUE is an option of reading the trace. Colons and percent signs in a part are percent-encoded.
"""

from __future__ import annotations

import binascii
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from bench.errors import UserError
from bench.facts import head, print_json
from bench.link.reading import Reading, reading_of

if TYPE_CHECKING:
    from bench.link.protocol import Records

SUMMARY_VERSION = 1
_AROUND = 10
# So that the table fits 80 columns.
_SHORT = {"progress": "progr.", "latched": "latch", "hold_left": "hold", "reduction": "reduct."}
_SHOWN = (
    "lift",
    "progress",
    "demand",
    "latched",
    "state",
    "hold_left",
    "reduction",
    "retard",
    "reason",
    "faults",
)


def check_of(image: bytes, records: Records) -> str:
    """CRC-32 in hex over an image and the inputs given to it."""
    return f"{binascii.crc32(records.tobytes(), binascii.crc32(image)):08x}"


def replay_id(tick: int, check: str, trace: Path, calibration: Path, reading: Reading) -> str:
    """The id of a tick of a run."""
    parts = [str(trace), str(calibration), *reading.as_texts()]
    return ":".join(["verify", str(tick), check, *(quote(part, safe="/=.,;+- ") for part in parts)])


def show(text: str, as_json: bool) -> None:
    """Print what the reference does around the tick of an id. Raises UserError for an id that is none."""
    try:
        kind, tick_text, check, *parts = text.split(":")
        trace_path, calibration_path, *options = (unquote(part) for part in parts)
        tick, reading = int(tick_text), reading_of(options)
        if kind != "verify" or tick < 0:
            raise ValueError(kind)
    except ValueError as error:
        raise UserError("is no replay id", text, "give one as `liftlatch verify` printed it") from error
    from bench.calibration import load
    from bench.link.target import LocalTarget
    from bench.trace.text import shown_path
    from bench.verify.compare import FIRST_TICK
    from controller import Controller

    calibration = load(calibration_path)
    _, laid, records = reading.inputs(Path(trace_path), calibration)
    if check_of(calibration.image, records) != check:
        raise UserError("trace or calibration changed since", text, "run `liftlatch verify` again")
    if tick >= len(records):
        raise UserError("the tick lies behind the end of the trace", text, "check the id")
    target = LocalTarget(Controller())
    target.load(calibration.image)
    target.start()
    ran = target.run(FIRST_TICK, records[: tick + _AROUND + 1])
    print_around(text, shown_path(trace_path), tick, laid.time_s(tick), records, ran.outputs, as_json)


def print_around(
    text: str, name: str, tick: int, time_s: float, records: Records, outputs: Records, as_json: bool
) -> None:
    """Print what the reference does around a tick: `records` and `outputs` are those of the run's ticks."""
    from bench.link.protocol import OUTPUT

    around = range(max(0, tick - _AROUND), min(len(outputs), tick + _AROUND + 1))
    if as_json:
        ticks = [{"tick": i, **_plain(records, i), **_plain(outputs, i)} for i in around]
        print_json({
            **head(SUMMARY_VERSION), "replay_id": text, "tick": tick, "time_s": time_s, "ticks": ticks,
        })  # fmt: skip
        return
    from bench.console import make_console, make_table, print_table, print_text

    shown = [name for name in _SHOWN if name in (OUTPUT.names or ())]
    table = make_table(*((_SHORT.get(name, name), True) for name in ("tick", "counts", *shown)), gap=1)
    for i in around:
        row = [str(i), str(records["counts"][i]), *(str(outputs[name][i]) for name in shown)]
        table.add_row(*row, style="bold" if i == tick else "")
    console = make_console()
    print_table(console, f"{name}: the reference around tick {tick} ({time_s:.6g} s)", table)
    print_text(console, "lift in 1/16 mm, demand, latched and reduction in 0.1 %, retard in 0.1 degree")


def _plain(records: Any, row: int) -> dict[str, int]:
    """One record's fields by name."""
    return {name: int(records[name][row]) for name in records.dtype.names}
