"""CSV traces: the first byte says what a person chose, the rest is the file.

Checked: nothing but UserError for what is no trace; a trace's times rise and are finite; the quick reader and
the row reader see the same numbers, or the same mistake; on the controller's tick nothing infinite appears.
"""

from __future__ import annotations

import atexit
import json
import random
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import numpy as np

import bench.trace.csv as reader
from bench.errors import UserError
from bench.trace.choice import ColumnChoice
from bench.trace.csv import read_csv
from bench.trace.grid import on_grid
from bench.trace.model import Trace
from bench.trace.read import read_trace
from bench.trace.show import trace_facts
from bench.trace.table import Table, to_trace
from tests.fuzz import MEMORY

CHOICES = (
    ColumnChoice(),
    ColumnChoice({"height": "2:mm"}),
    ColumnChoice({"height": "2:mm"}, rate_hz=100.0),
    ColumnChoice({"time": "1:ms", "height": "2:v", "launch": "3"}),
    ColumnChoice({"height": "2:mm"}, delimiter=";", decimal=","),
    ColumnChoice({"height": "1:counts", "speed": "none"}, rate_hz=1e-3, height_offset_mm=-2.5),
    ColumnChoice({"time": "1:s", "height": "2:in", "armed": "3", "launch": "4", "engine_speed": "5:rpm"}),
    ColumnChoice(delimiter=" "),
)

_STREAM = NamedTemporaryFile(suffix=".csv", dir=MEMORY)  # noqa: SIM115
_FILE = Path(_STREAM.name)
atexit.register(_STREAM.close)


@dataclass
class Read:
    """What came of reading: a table, or the line that says why not."""

    table: Table | None = None
    refused: str = ""


def _table(choice: ColumnChoice) -> Read:
    try:
        return Read(read_csv(_FILE, choice))
    except UserError as error:
        return Read(refused=str(error))


def _by_rows(choice: ColumnChoice) -> Read:
    def cannot(*_: Any) -> Any:
        raise reader.Irregular

    quick = reader._read_fast
    reader._read_fast = cannot
    try:
        return _table(choice)
    finally:
        reader._read_fast = quick


def _check(trace: Trace) -> None:
    n = len(trace.time_s)
    assert n >= 2
    assert np.isfinite(trace.time_s).all()
    assert (np.diff(trace.time_s) > 0).all()
    assert trace.rows >= n
    for channel in trace.channels.values():
        assert len(channel.values) == len(channel.valid) == n
        assert np.isfinite(channel.values[channel.valid]).all()
    json.dumps(trace_facts(trace), allow_nan=False)
    if trace.duration_s < 20:
        grid = on_grid(trace, 1000, 0.25)
        for role, values in grid.values.items():
            assert len(values) == grid.n
            assert np.isfinite(values[grid.valid[role]]).all()
            assert np.isnan(values[~grid.valid[role]]).all()


def one_input(data: bytes) -> None:
    choice = CHOICES[data[0] % len(CHOICES)] if data else CHOICES[0]
    text = data[1:]
    if text.startswith((b"MDF     ", b"UnFinMF ")):
        return  # another reader's file
    _FILE.write_bytes(text)
    if not text:
        with suppress(UserError):
            read_trace(_FILE, choice)
        return
    quick, rows = _table(choice), _by_rows(choice)
    assert quick.refused == rows.refused, (quick.refused, rows.refused)
    if quick.table is None or rows.table is None:
        return
    assert quick.table.columns == rows.table.columns
    assert quick.table.first_ns == rows.table.first_ns
    for role, values in quick.table.values.items():
        assert np.array_equal(values, rows.table.values[role], equal_nan=True), role
    with suppress(UserError):
        _check(to_trace(rows.table, choice, _FILE, len(text), ""))


_CELLS = (
    *(
        b"0",
        b"1",
        b"-1.5",
        b"1e9",
        b"1e-9",
        b"1e308",
        b"-1e400",
        b"nan",
        b"NaN",
        b"inf",
        b"-",
        b"",
        b" ",
        b"n/a",
    ),
    *(
        b"on",
        b"off",
        b"true",
        b"3,5",
        b"0x1F",
        b"1_000",
        b"+7",
        b".5",
        b"5.",
        b"12:34:56.5",
        b"1:02",
        b'"a;b"',
    ),
    *(
        b"time (s)",
        b"height (mm)",
        b"speed [km/h]",
        b"launch",
        b"armed",
        b"rpm",
        b"s",
        b"mm",
        b"in",
        b"V",
        b"#",
        b"%",
    ),
    *(b"\xef\xbb\xbf", b"\xff\xfe", b"\xb5", "µs".encode(), "٣".encode(), b"\x00", b"\x1a"),
)
_ENDS = (b"\n", b"\r\n", b"\r", b"\n\n", b"\n# comment\n", b"\n ")
_MARKS = (b",", b";", b"\t", b" ", b"|", b'"', b"''")


def mutate(data: bytes, most: int, rng: random.Random, plain: Callable[[bytes, int], bytes]) -> bytes:
    """Change cells, rows and marks; now and then any bytes."""
    if len(data) < 2 or rng.random() < 0.3:
        return plain(data, most)
    head, text = data[:1], data[1:]
    lines = text.split(b"\n")
    at = rng.randrange(len(lines))
    mark = max((b",", b";", b"\t", b" "), key=text.count)
    cells = lines[at].split(mark)
    cell = rng.randrange(len(cells))
    match rng.randrange(10):
        case 0 | 1 | 2:
            cells[cell] = rng.choice(_CELLS)
            lines[at] = mark.join(cells)
        case 3:
            lines.insert(at, lines[rng.randrange(len(lines))])
        case 4:
            del lines[at]
        case 5:
            if rng.random() < 0.5:
                del cells[cell]
            else:
                cells.insert(cell, rng.choice(cells))
            lines[at] = mark.join(cells)
        case 6:
            return head + text.replace(mark, rng.choice(_MARKS), rng.choice((-1, 1)))
        case 7:
            return head + text.replace(b"\n", rng.choice(_ENDS), rng.choice((-1, 1)))
        case 8:
            return bytes([rng.randrange(len(CHOICES))]) + text
        case _:
            place = rng.randrange(len(text))
            return head + text[:place] + rng.choice((*_CELLS, *_MARKS, *_ENDS)) + text[place:]
    return head + b"\n".join(lines)
