"""What a comparison found, as plain values: summary.json, differences.csv, and what is printed and drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import CAUTIONS
from bench.compare import apart
from bench.compare.changes import changes, maps_apart
from bench.compare.study import Recording, RunName, Side, Study
from bench.facts import as_json, head
from bench.replay import codes
from bench.replay.files import write_csv
from bench.sweep.report import OPEN_LOOP

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 1
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def summary(study: Study, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a comparison, as plain values that JSON can hold. Keys stay;
    SUMMARY_VERSION grows when the meaning of one changes.

    Calibrations are lettered, the first one A; `a` is its value, `b` that of the other. Traces are numbered
    from 1.
    """
    first = study.calibrations[0]
    runs = study.runs()
    return {
        **head(SUMMARY_VERSION, command_line),
        "engine": study.engine,
        "calibrations": [
            _calibration(letter, calibration, first)
            for letter, calibration in zip(LETTERS, study.calibrations, strict=False)
        ],
        "traces": [_trace(number, recording) for number, recording in enumerate(study.recordings, 1)],
        "runs_by_launch": [_by_launch(study, runs[0], other) for other in runs[1:]],
        "open_loop": OPEN_LOOP,
        "cautions": CAUTIONS,
    }


def _calibration(letter: str, calibration: CalibrationFile, first: CalibrationFile) -> dict[str, Any]:
    found = changes(first, calibration)
    maps = maps_apart(first, calibration)
    return {
        "letter": letter,
        "file": str(calibration.path),
        "sha256": calibration.digest,
        "image_crc32": f"{calibration.crc:08x}",
        "progress_unit": calibration.progress_unit,
        "warnings": list(calibration.warnings),
        "same_image_as_a": calibration.image == first.image,
        "changes": [
            {
                **asdict(change),
                "a_text": change.text(change.a),
                "b_text": change.text(change.b),
            }
            for change in found
        ],
        "maps_furthest_apart": None if maps is None else {name: asdict(one) for name, one in maps.items()},
    }


def _trace(number: int, recording: Recording) -> dict[str, Any]:
    base = recording.sides[0]
    return {
        "number": number,
        "file": str(recording.path),
        "label": recording.label,
        "sha256": recording.digest,
        "duration_s": round(recording.duration_s, 6),
        "notes": recording.notes,
        "sides": [
            {"letter": letter, "launches": launches(side)}
            for letter, side in zip(LETTERS, recording.sides, strict=False)
        ],
        "differences": [
            {"letter": letter, **apart.facts(apart.of_one_trace(base.stepped, side.stepped))}
            for letter, side in zip(LETTERS[1:], recording.sides[1:], strict=False)
        ],
    }


def launches(side: Side) -> list[dict[str, Any]]:
    """The figures of each launch. given_back_s: when the first intervention that reduced ended; last_s: when
    the last one did; both since the launch, None where there was none or it was still on."""
    s = side.stepped
    found = []
    for launch in side.found.launches:
        part = slice(*s.runs[launch.number - 1])
        cuts = [cut for cut in side.found.interventions if cut.launch == launch.number]
        reduced = [cut for cut in cuts if cut.peak_reduction_permille]
        ends = [None if cut.open_end else round(cut.since_launch_s + cut.duration_s, 6) for cut in reduced]
        found.append({
            "launch": launch.number,
            "time_s": launch.time_s,
            "run_s": launch.run_s,
            "greatest_lift_mm": launch.greatest_lift_mm,
            "peak_reduction_permille": launch.greatest_reduction_permille,
            "peak_retard_ddeg": int(s.ticks["retard"][part].max()),
            "full_cut_s": launch.full_cut_s,
            "share_taken": launch.share_taken,
            "interventions": len(cuts),
            "second_interventions": max(len(cuts) - 1, 0),
            "first_cut_s": reduced[0].since_launch_s if reduced else None,
            "given_back_s": ends[0] if reduced else None,
            "last_given_back_s": ends[-1] if reduced else None,
            "reasons": [
                {"name": codes.reason_name(reason), "time_s": s.seconds(ticks)}
                for reason, ticks in s.reason_ticks(part).items()
            ],
        })  # fmt: skip
    return found


def _by_launch(study: Study, first: RunName, other: RunName) -> dict[str, Any]:
    """Two runs with the first calibration, one above the other by their launch."""
    mine, theirs = (study.recordings[run.trace].sides[0].stepped for run in (first, other))
    pair = apart.by_launch(mine, first.launch, theirs, other.launch)
    lift = theirs.ticks["lift"][pair.b].astype(int) - mine.ticks["lift"][pair.a].astype(int)
    row = int(np.abs(lift).argmax())
    return {
        "a": {"trace": first.trace + 1, "launch": first.launch},
        "b": {"trace": other.trace + 1, "launch": other.launch},
        "greatest_lift_difference": {
            "since_launch_s": pair.since_launch(row)[1],
            "a_mm": int(mine.ticks["lift"][pair.a[row]]) / 16,
            "b_mm": int(theirs.ticks["lift"][pair.b[row]]) / 16,
        },
        "commands": apart.facts(pair),
    }


def write_all(folder: Path, facts: dict[str, Any], study: Study) -> None:
    """All files of a comparison, into an empty folder."""
    from bench.compare import page

    (folder / "summary.json").write_text(as_json(facts), encoding="utf-8")
    write_differences(folder / "differences.csv", study)
    page.write(folder / "report.html", facts, study)


def write_differences(path: Path, study: Study) -> None:
    """differences.csv: a row for each tick of each trace (its number) at which the command of a calibration
    (its letter) is not that of A; reasons are the numbers of the summary of a replay."""
    parts: list[dict[str, Any]] = []
    for number, recording in enumerate(study.recordings, 1):
        base = recording.sides[0].stepped
        for letter, side in enumerate(recording.sides[1:], 1):
            pair = apart.of_one_trace(base, side.stepped)
            rows = np.flatnonzero(pair.differs)
            parts.append(_columns(pair, rows, number, letter))
    words = list(LETTERS)
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


def _columns(pair: apart.Pair, rows: Any, number: int, letter: int) -> dict[str, Any]:
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
