"""python -m bench.readme.own_log FILE: an invented log for bench/trace/OWN_RUN.md.

The run of traces/second_lift.csv as another logger might have kept it: heights in inches, speed in mph, time
from 12345 ms on, a row each 10 ms, and what the car's own controller did. That one is plain.toml with a hold
of 200 ms instead of 300; its commands are logged 15 ms late.
"""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np

from bench.calibration import compile_text
from bench.files import write_whole
from bench.replay.inputs import from_trace
from bench.replay.run import core_to_use, run
from bench.trace.read import read_trace

ROOT = Path(__file__).parent.parent.parent
EACH = 10  # ticks a row
LATE = 15  # ticks
HEADER = (
    "Log Time (ms);Front Height (in);Road Speed (mph);Engine (krpm);Launch;Cut (%);Retard (deg);Cut Reason"
)
WHY = {0: "OK", 1: "NOSE"}


@click.command()
@click.argument("path", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE")
def main(path: Path) -> None:
    """Write an invented log of a car with a controller of its own."""
    text = (ROOT / "traces" / "plain.toml").read_text(encoding="utf-8")
    theirs = compile_text(text.replace("\nhold_ms = 300", "\nhold_ms = 200"), "theirs.toml")
    inputs = from_trace(read_trace(ROOT / "traces" / "second_lift.csv"), theirs)
    ticks = run(core_to_use(None)[0], theirs.image, inputs.arrays).ticks
    late = {
        name: np.concatenate((np.zeros(LATE, int), ticks[name][:-LATE]))
        for name in ("reduction", "retard", "reason")
    }
    rows = [HEADER]
    for i in range(0, len(late["reason"]), EACH):
        rows.append(
            f"{12345 + i};{ticks['height'][i] / 16 / 25.4:.3f};{inputs.arrays['speed'][i] / 16.09344:.1f};"
            f"{inputs.arrays['engine'][i] / 1000:.3f};{inputs.arrays['launch'][i]};"
            f"{late['reduction'][i] / 10:.1f};{late['retard'][i] / 10:.1f};{WHY[int(late['reason'][i])]}"
        )
    write_whole(path, ("\n".join(rows) + "\n").encode())


if __name__ == "__main__":
    main()
