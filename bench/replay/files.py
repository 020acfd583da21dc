"""The tables of a replay as CSV: ticks.csv and events.csv."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from bench.replay import codes
from bench.replay.findings import Replay
from bench.replay.run import Ints
from controller.constants import FUEL_OFF, SPARK_OFF

_CHUNK = 1 << 16
_LINE_END = 10


def write_tables(folder: Path, s: Replay) -> None:
    """Both of them, into a folder."""
    write_ticks(folder / "ticks.csv", s)
    write_events(folder / "events.csv", s)


def write_ticks(path: Path, s: Replay) -> None:
    """ticks.csv: a row for each tick. `progress` is in the calibration's unit; reason, askers and faults are
    the numbers of the summary's legend; torque_estimate is the share of full torque left."""
    scale = 10 if s.calibration.progress_unit == "km/h" else 1
    t, a = s.ticks, s.inputs.arrays
    states = "".join(f"{codes.STATES[code]}\n" for code in range(len(codes.STATES))).encode()

    def columns(part: slice) -> dict[str, Any]:
        tick = np.arange(part.start, part.stop)
        return {
            "tick": tick,
            "time_s": _seconds(s, tick),
            "elapsed_ms": t["elapsed_ms"][part],
            "armed": a["armed"][part],
            "launched": t["launched"][part],
            "height_counts": a["counts"][part],
            "height_mm": _parts(t["height"][part], 16),
            "lift_mm": _parts(t["lift"][part], 16),
            "lift_ahead_mm": _parts(t["entry"][part], 16),
            "progress": _parts(t["progress"][part], scale),
            "demand_permille": t["demand"][part],
            "latched_permille": t["latched"][part],
            "reduction_permille": t["reduction"][part],
            "retard_ddeg": t["retard"][part],
            "state": (t["state"][part], states),
            "reason": t["reason"][part],
            "askers": t["askers"][part],
            "faults": t["faults"][part],
            "hold_left_ticks": t["hold_left"][part],
            "out_of_sight_ticks": t["out_of_sight_ticks"][part],
            "torque_estimate": np.round(s.torque_left(part).astype(np.float64), 4),
        }

    write_csv(path, s.run.n, columns)


def write_events(path: Path, s: Replay) -> None:
    """events.csv: a row for each cylinder event, with the tick after whose step it fell; 1 where fuel or
    spark is off."""
    run = s.run

    def columns(part: slice) -> dict[str, Any]:
        tick, bits = run.event_tick[part], run.event_bits[part]
        return {
            "tick": tick,
            "time_s": _seconds(s, tick),
            "cylinder": run.event_cylinder[part],
            "reduction_permille": run.ticks["reduction"][tick],
            "fuel_off": (bits & FUEL_OFF) // FUEL_OFF,
            "spark_off": (bits & SPARK_OFF) // SPARK_OFF,
        }

    write_csv(path, len(run.event_tick), columns)


def _parts(whole: Ints, per: int) -> Any:
    """Whole numbers, each so many parts of one. A text is made of each that may be there, not of each row:
    fractions are slow to write."""
    if per == 1:
        return whole
    least, most = (int(whole.min()), int(whole.max())) if len(whole) else (0, -1)
    if most - least >= len(whole):
        return whole / per
    return whole.astype(np.int32) - least, _lines(np.arange(least, most + 1) / per)


def _lines(numbers: npt.NDArray[Any]) -> bytes:
    """Numbers as they stand in the table, each with its line's end."""
    import pyarrow as pa

    stream = BytesIO()
    _write(pa.RecordBatch.from_arrays([_numbers(numbers)], names=["number"]), stream)
    return stream.getvalue()


def _seconds(s: Replay, tick: Any) -> Any:
    return np.round(s.inputs.start_s + tick * s.tick_s, 6)


def write_csv(path: Path, rows: int, columns: Callable[[slice], dict[str, Any]]) -> None:
    """Write `columns(part)`, arrays (or codes and lines of what they are called) by name, in parts, so that a
    long trace needs no second copy in memory."""
    import pyarrow as pa

    def batch(start: int) -> Any:
        part = columns(slice(start, min(rows, start + _CHUNK)))
        return pa.RecordBatch.from_arrays([_arrow(column) for column in part.values()], names=list(part))

    with open(path, "wb") as stream:
        stream.write(",".join(columns(slice(0, 0))).encode() + b"\n")
        for start in range(0, rows, _CHUNK):
            _write(batch(start), stream)


def _write(batch: Any, stream: IO[bytes]) -> None:
    from pyarrow import csv

    csv.write_csv(batch, stream, csv.WriteOptions(include_header=False, quoting_style="none"))


def _arrow(column: Any) -> Any:
    """An array, or (codes, lines of words), for pyarrow. Where every row has the same, as most columns have
    for most of the time, as texts: they are the quickest to write."""
    import pyarrow as pa

    codes, words = column if isinstance(column, tuple) else (column, b"")
    n = len(codes)
    if n > 1 and (codes == codes[0]).all():
        word = words.splitlines(keepends=True)[codes[0]] if words else _lines(codes[:1])
        return _strings(word * n)
    return pa.DictionaryArray.from_arrays(_numbers(codes), _strings(words)) if words else _numbers(codes)


def _strings(lines: bytes) -> Any:
    """Lines as words for pyarrow."""
    import pyarrow as pa

    line_ends = np.flatnonzero(np.frombuffer(lines, np.uint8) == _LINE_END)
    n = len(line_ends)
    ends = np.zeros(n + 1, np.int32)
    ends[1:] = line_ends - np.arange(n)
    words = lines.translate(None, b"\n")
    return pa.Array.from_buffers(pa.string(), n, [None, pa.py_buffer(ends), pa.py_buffer(words)])


def _numbers(column: Any) -> Any:
    """An array for pyarrow.

    Made from its memory, since pyarrow's own way of taking a numpy array first loads pandas where there is
    one, which takes a quarter of a second.
    """
    import pyarrow as pa

    values = np.ascontiguousarray(column)
    kind = getattr(pa, values.dtype.name)()
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values)])
