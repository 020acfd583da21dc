"""What a comparison found, as plain values: what --json prints and summary.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.cautions import CAUTIONS, OPEN_LOOP
from bench.compare.changes import changes, maps_difference
from bench.compare.difference import by_launch, difference_facts, of_one_trace
from bench.compare.study import Recording, RunName, Side, Study
from bench.facts import head
from bench.replay import codes
from bench.replay.logged import Tolerance
from bench.replay.logged_agreement import logged_facts
from bench.vehicle.harm import harm, of_run
from bench.vehicle.run import run
from bench.vehicle.track import Track

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 2  # 2: what stepped is the key core
_OUT_S = 0.01  # less is not told
_FEET = 660  # where times of the model are set side by side
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def make_facts(study: Study, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a comparison, as plain values that JSON can hold. Keys stay;
    SUMMARY_VERSION grows when the meaning of one changes.

    Calibrations are lettered, the first one A; `a` is its value, `b` that of the other. Traces are numbered
    from 1.
    """
    first = study.calibrations[0]
    runs = study.runs()
    return {
        **head(SUMMARY_VERSION, command_line),
        "core": study.core,
        "vehicle": None if study.vehicle is None else str(study.vehicle.path),
        "harm": _harm(study),
        "calibrations": [
            _calibration(letter, calibration, first)
            for letter, calibration in zip(LETTERS, study.calibrations, strict=False)
        ],
        "traces": [_trace(number, recording) for number, recording in enumerate(study.recordings, 1)],
        "runs_by_launch": [_by_launch(study, runs[0], other) for other in runs[1:]],
        "open_loop": OPEN_LOOP,
        "cautions": CAUTIONS,
    }


def _harm(study: Study) -> list[str]:
    """What gets worse in the model with each calibration, against the first one and no control; and in the
    recorded runs, how much more of them each is out of service."""
    found = []
    first, *others = zip(LETTERS, study.calibrations, strict=False)
    out = [
        sum(_out_s(recording, i) for recording in study.recordings) for i in range(len(study.calibrations))
    ]
    found += [
        f"On the recorded runs {letter} is out of service for {mine:.3f} s, A for {out[0]:.3f} s."
        for (letter, _), mine in zip(others, out[1:], strict=True)
        if mine > out[0] + _OUT_S
    ]
    if study.vehicle is not None:
        car = study.vehicle.car
        track = Track(1, car.sensor_noise)
        none = of_run("no control", run(car, first[1], track, controlled=False), _FEET)
        sides = [
            of_run(letter, run(car, one, track, controlled=True), _FEET) for letter, one in (first, *others)
        ]
        against = [[none], *([sides[0], none] for _ in others)]
        for side, old in zip(sides, against, strict=True):
            found += [f"In the model of {study.vehicle.path.name}: {text}" for text in harm(side, old)]
    return found


def _out_s(recording: Recording, number: int) -> float:
    """Seconds that a calibration is out of service in the runs of a recording."""
    s = recording.sides[number].stepped
    faults = [s.ticks["faults"][slice(*ticks)] for ticks in s.runs]
    return float(sum(np.count_nonzero(part & codes.OUT_OF_SERVICE) for part in faults)) * s.tick_s


def _calibration(letter: str, calibration: CalibrationFile, first: CalibrationFile) -> dict[str, Any]:
    found = changes(first, calibration)
    maps = maps_difference(first, calibration)
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
            {"letter": letter, "launches": launches(side), "logged": _logged(side)}
            for letter, side in zip(LETTERS, recording.sides, strict=False)
        ],
        "differences": [
            {"letter": letter, **difference_facts(of_one_trace(base.stepped, side.stepped))}
            for letter, side in zip(LETTERS[1:], recording.sides[1:], strict=False)
        ],
    }


def _logged(side: Side) -> dict[str, Any] | None:
    """What the car's own controller did beside this calibration; None for a trace without a log of it."""
    found = logged_facts(side.stepped, Tolerance())
    if found is None:
        return None
    names = ("columns", "tolerance", "delay_ms", "compared_s", "agree_s", "agree_share")
    totals = [{"launch": one["launch"], **one["logged"]} for one in found["launches"]]
    return {**{name: found[name] for name in names}, "launches": totals}


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
    pair = by_launch(mine, first.launch, theirs, other.launch)
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
        "commands": difference_facts(pair),
    }
