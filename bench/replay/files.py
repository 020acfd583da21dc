"""What a replay leaves behind: report.html, ticks.csv, events.csv, summary.json and the pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import CAUTIONS
from bench.facts import as_json, head
from bench.replay import names
from bench.replay.findings import Findings, Stepped
from bench.replay.looks import Look
from bench.replay.torque import K_PER_DEG2, torque_left
from bench.trace.text import shown
from controller.constants import FUEL_OFF, IMAGE_VERSION, SPARK_OFF

if TYPE_CHECKING:
    from bench.trace.model import Trace

SUMMARY_VERSION = 1
MOST_PICTURES = 20
"""Launches with a picture of their own: a long trace may have hundreds, and the page shows them all."""
_CHUNK = 1 << 16


def summary(
    trace: Trace, s: Stepped, found: Findings, remarks: Sequence[Look], command_line: Sequence[str]
) -> dict[str, Any]:
    """Everything worth knowing about a replay, as plain values that JSON can hold. Keys stay; SUMMARY_VERSION
    grows when the meaning of one changes."""
    return {
        **head(SUMMARY_VERSION, command_line),
        "engine": s.run.engine,
        "trace": {
            "file": str(trace.path),
            "sha256": trace.digest,
            "form": trace.form,
            "rows": trace.rows,
            "rate_hz": round(trace.rate_hz, 6),
            "duration_s": round(trace.duration_s, 6),
        },
        "calibration": {
            "file": str(s.calibration.path),
            "sha256": s.calibration.digest,
            "image_version": IMAGE_VERSION,
            "image_crc32": f"{s.calibration.crc:08x}",
            "progress_unit": s.calibration.progress_unit,
            "warnings": list(s.calibration.warnings),
        },
        "ticks": {
            "count": s.run.n,
            "tick_us": s.inputs.tick_us,
            "start_s": round(s.inputs.start_s, 6),
            "put_before": s.inputs.lead,
        },
        "notes": [*trace.notes, *s.inputs.notes],
        **asdict(found),
        "look_at": [asdict(remark) for remark in remarks],
        "torque_law": f"fired share * (1 - {K_PER_DEG2:g} * retard_deg^2), an estimate",
        "legend": {
            "reasons": {str(number): name for number, name in names.REASONS.items()},
            "askers": {str(bit): name for bit, name in names.ASKERS.items()},
            "faults": {str(bit): f"{name}: {text}" for bit, (name, text) in names.FAULTS.items()},
        },
        "cautions": CAUTIONS,
    }


def write_all(folder: Path, facts: dict[str, Any], s: Stepped, found: Findings) -> None:
    """All files of a replay, into an empty folder; a picture for each of the first launches, or one of a
    trace without."""
    from bench.replay import page
    from bench.replay.picture import picture_name, write_picture

    (folder / "summary.json").write_text(as_json(facts), encoding="utf-8")
    write_ticks(folder / "ticks.csv", s)
    write_events(folder / "events.csv", s)
    page.write(folder / "report.html", facts, s, found)
    title = shown(f"{Path(facts['trace']['file']).name} with {s.calibration.path.name}", 80)
    if not found.launches:
        write_picture(folder / picture_name(1), title, s, found, None)
    for launch in found.launches[:MOST_PICTURES]:
        path = folder / picture_name(launch.number)
        write_picture(path, f"{title}, launch {launch.number}", s, found, launch)


def write_ticks(path: Path, s: Stepped) -> None:
    """ticks.csv: a row for each tick. `progress` is in the calibration's unit; reason, askers and faults are
    the numbers of the summary's legend; torque_estimate is the share of full torque left."""
    cylinders = s.calibration.number("cylinders")
    scale = 10 if s.calibration.progress_unit == "km/h" else 1
    t, a = s.ticks, s.inputs.arrays

    def columns(part: slice) -> dict[str, Any]:
        tick = np.arange(part.start, part.stop)
        return {
            "tick": tick,
            "time_s": _seconds(s, tick),
            "elapsed_ms": t["elapsed_ms"][part],
            "armed": a["armed"][part],
            "launched": t["launched"][part],
            "height_counts": a["counts"][part],
            "height_mm": t["height"][part] / 16,
            "lift_mm": t["lift"][part] / 16,
            "lift_ahead_mm": t["entry"][part] / 16,
            "progress": t["progress"][part] / scale if scale > 1 else t["progress"][part],
            "demand_permille": t["demand"][part],
            "latched_permille": t["latched"][part],
            "reduction_permille": t["reduction"][part],
            "retard_ddeg": t["retard"][part],
            "state": (t["state"][part], [names.STATES[code] for code in range(len(names.STATES))]),
            "reason": t["reason"][part],
            "askers": t["askers"][part],
            "faults": t["faults"][part],
            "hold_left_ticks": t["hold_left"][part],
            "out_of_sight_ticks": t["out_of_sight_ticks"][part],
            "torque_estimate": np.round(
                torque_left(s.run, cylinders, s.inputs.has_engine, part).astype(np.float64), 4
            ),
        }

    write_csv(path, s.run.n, columns)


def write_events(path: Path, s: Stepped) -> None:
    """events.csv: a row for each cylinder event, with the tick after whose step it fell; 1 where fuel or
    spark is off."""
    made = s.run

    def columns(part: slice) -> dict[str, Any]:
        tick, bits = made.event_tick[part], made.event_bits[part]
        return {
            "tick": tick,
            "time_s": _seconds(s, tick),
            "cylinder": made.event_cylinder[part],
            "reduction_permille": made.ticks["reduction"][tick],
            "fuel_off": (bits & FUEL_OFF) // FUEL_OFF,
            "spark_off": (bits & SPARK_OFF) // SPARK_OFF,
        }

    write_csv(path, len(made.event_tick), columns)


def _seconds(s: Stepped, tick: Any) -> Any:
    return np.round(s.inputs.start_s + tick * s.tick_s, 6)


def write_csv(path: Path, rows: int, columns: Callable[[slice], dict[str, Any]]) -> None:
    """Write `columns(part)`, arrays (or codes and what they are called) by name, in parts, so that a long
    trace needs no second copy in memory."""
    import pyarrow as pa
    from pyarrow import csv

    def batch(start: int) -> Any:
        made = columns(slice(start, min(rows, start + _CHUNK)))
        return pa.RecordBatch.from_arrays([_arrow(column) for column in made.values()], names=list(made))

    options = csv.WriteOptions(include_header=False, quoting_style="none")
    with open(path, "wb") as stream:
        stream.write(",".join(columns(slice(0, 0))).encode() + b"\n")
        for start in range(0, rows, _CHUNK):
            csv.write_csv(batch(start), stream, options)


def _arrow(column: Any) -> Any:
    """An array, or (codes, words), for pyarrow.

    Made from its memory, since pyarrow's own way of taking a numpy array first loads pandas where there is
    one, which takes a quarter of a second.
    """
    import pyarrow as pa

    if isinstance(column, tuple):
        codes, words = column
        data = [word.encode() for word in words]
        ends = np.cumsum([0, *map(len, data)], dtype=np.int32)
        buffers = [None, pa.py_buffer(ends), pa.py_buffer(b"".join(data))]
        return pa.DictionaryArray.from_arrays(
            _arrow(codes), pa.Array.from_buffers(pa.string(), len(data), buffers)
        )
    values = np.ascontiguousarray(column)
    kind = getattr(pa, values.dtype.name)()
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values)])
