"""Reading a log of an hour with 30 columns, as a ratio to the least that it can take: `python -m
bench.benchmarks.bench_trace`.

The floor is arrow reading the same columns as plain floats and words, block by block, in the same run. Exit
code 1 where reading a trace takes three times as long, or more memory than its own arrays and blocks would
explain.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from pathlib import Path

import click

_SECONDS = 3600
_HZ = 100
_MOST_TIME = 3.0
_MOST_BYTES_A_ROW = 8 * 30  # eight signals as floats, and what is made of them on the way
_BLOCKS_MB = 120
_NAMES = ("Time (ms)", "Front Ride Ht (in)", "DS MPH", "RPM x1000", "DS RPM", "Armed", "Launch Switch")


def _write(path: Path) -> None:
    with path.open("w") as out:
        out.write(",".join((*_NAMES, *(f"Channel {i}" for i in range(23)))) + "\n")
        for i in range(_SECONDS * _HZ):
            cells = f"{12345 + 10 * i},{5 + i % 97 / 97:.3f},{i % 1500 / 10:.1f},{2 + i % 70 / 10:.2f}"
            rest = ",".join(f"{j + i % 50 / 50:.2f}" for j in range(23))
            out.write(f"{cells},{i % 5000},1,{int(i > 50)},{rest}\n")


def _floor(path: Path) -> float:
    import pyarrow as pa
    from pyarrow import csv

    began = time.process_time()
    types = dict.fromkeys(_NAMES[:5], pa.float64()) | dict.fromkeys(_NAMES[5:], pa.string())
    reader = csv.open_csv(
        path,
        read_options=csv.ReadOptions(block_size=4 << 20, use_threads=False),
        convert_options=csv.ConvertOptions(column_types=types, include_columns=list(_NAMES)),
    )
    for _ in reader:
        pass
    return time.process_time() - began


def _peak_mb() -> float:
    found = re.search(r"VmHWM:\s*(\d+)", Path("/proc/self/status").read_text())
    return int(found[1]) / 1024 if found else 0.0


@click.command()
def main() -> None:
    """Compare reading a trace with the floor."""
    from bench.trace.read import read_trace

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hour.csv"
        _write(path)
        floors, times = [], []
        before = 0.0
        for _ in range(3):
            floors.append(_floor(path))
            before = before or _peak_mb()
            began = time.process_time()
            trace = read_trace(path)
            times.append(time.process_time() - began)
            rows = len(trace.time_s)
            del trace
    ratio = min(times) / min(floors)
    used = _peak_mb() - before
    most = _BLOCKS_MB + rows * _MOST_BYTES_A_ROW / 2**20
    click.echo(f"a log of 1 h, 30 columns, {rows} rows, 7 signals: {ratio:.2f} times the floor")
    click.echo(f"memory beyond the floor's: {used:.0f} MB (at most {most:.0f} MB)")
    sys.exit(ratio > _MOST_TIME or used > most)


if __name__ == "__main__":
    main()
