"""differences.csv: where the commands of a calibration differ from those of the first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from bench.compare.difference import Pair, of_one_trace
from bench.compare.facts import LETTERS
from bench.compare.study import Study
from bench.replay.files import write_csv


def write_differences(path: Path, study: Study) -> None:
    """differences.csv: a row for each tick of each trace (its number) at which the command of a calibration
    (its letter) is not that of A; reasons are the numbers of the summary of a replay."""
    parts: list[dict[str, Any]] = []
    for number, recording in enumerate(study.recordings, 1):
        base = recording.sides[0].stepped
        for letter, side in enumerate(recording.sides[1:], 1):
            pair = of_one_trace(base, side.stepped)
            rows = np.flatnonzero(pair.differs)
            parts.append(_columns(pair, rows, number, letter))
    words = "".join(f"{letter}\n" for letter in LETTERS).encode()
    names_of = list(_columns_of_nothing)
    whole = {
        name: np.concatenate([part[name] for part in parts]) if parts else np.zeros(0, np.int64)
        for name in names_of
    }

    def columns(part: slice) -> dict[str, Any]:
        return {
            name: (column[part], words) if name == "calibration" else column[part]
            for name, column in whole.items()
        }

    write_csv(path, len(whole["tick"]), columns)


_columns_of_nothing = (
    "trace", "calibration", "tick", "time_s", "launch", "since_launch_s", "reduction_permille_a",
    "reduction_permille_b", "retard_ddeg_a", "retard_ddeg_b", "reason_a", "reason_b",
)  # fmt: skip


def _columns(pair: Pair, rows: Any, number: int, letter: int) -> dict[str, Any]:
    s, other = pair.first, pair.second
    a, b = pair.a[rows], pair.b[rows]
    starts = np.array([start for start, _ in s.runs], dtype=np.int64)
    run = np.searchsorted(starts, a, side="right")
    launched = s.launched[a]
    zero = np.where(launched, starts[np.maximum(run - 1, 0)] if len(starts) else s.inputs.lead, s.inputs.lead)
    return {
        "trace": np.full(len(rows), number, np.uint16),
        "calibration": np.full(len(rows), letter, np.uint8),
        "tick": a,
        "time_s": np.round(s.inputs.start_s + a * s.tick_s, 6),
        "launch": np.where(launched, run, 0),
        "since_launch_s": np.round((a - zero) * s.tick_s, 6),
        "reduction_permille_a": s.ticks["reduction"][a],
        "reduction_permille_b": other.ticks["reduction"][b],
        "retard_ddeg_a": s.ticks["retard"][a],
        "retard_ddeg_b": other.ticks["retard"][b],
        "reason_a": s.ticks["reason"][a],
        "reason_b": other.ticks["reason"][b],
    }
