"""The figures of a comparison: each run with all calibrations, and runs laid on their launch."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from bench.compare.difference import of_one_trace
from bench.compare.facts import LETTERS
from bench.compare.study import Recording, RunName, Side, Study
from bench.compare.texts import since, stretch
from bench.document.blocks import (
    Bands,
    Jump,
    Line,
    Panel,
    Place,
    Row,
    Series,
    Strip,
    Style,
    Zero,
)
from bench.document.columns import Column
from bench.document.patterns import REASON_BARS
from bench.replay import codes
from bench.replay.figure_data import window
from bench.replay.findings import Replay
from bench.replay.logged import known

STYLES: tuple[Style, ...] = ("run-0", "run-1", "run-2", "run-3", "run-4", "run-5")
_LIMITS: tuple[Style, ...] = (
    "limit", "limit-dashed", "limit-dotted", "limit-long", "limit-mixed", "limit-pairs",
)  # fmt: skip
_COMMANDS = (
    ("Reduction of the cylinder events", "%", "reduction", 190, 10.0),
    ("Retard", "degrees of crank", "retard", 120, 5.0),
)
_AROUND_S = 0.3
_BY_LAUNCH = "by-launch"


def last_tick(s: Replay, span: dict[str, Any]) -> int:
    """The tick after a stretch of difference."""
    return int(span["tick"] + round(span["duration_s"] / s.tick_s))


def jump(figure: str, s: Replay, start: int, stop: int) -> Jump:
    """The way to some ticks of a trace."""
    begin, end = (round(s.inputs.time_s(tick), 6) for tick in (start, stop))
    mark = (begin, end) if stop > start else None
    return Jump(figure, begin - _AROUND_S, end + _AROUND_S, begin, mark)


def of_trace(trace: dict[str, Any], recording: Recording, name: str) -> Strip:
    """One trace with all calibrations, and the places where they differ."""
    base, found = recording.sides[0].stepped, recording.sides[0].found
    lettered = list(zip(LETTERS, recording.sides, strict=False))
    series = {
        letter: Series(_columns(side.stepped), first=side.stepped.inputs.start_s, step=side.stepped.tick_s)
        for letter, side in lettered
    }
    differ_rows = []
    for letter, side in lettered[1:]:
        pair = of_one_trace(base, side.stepped)
        differ = np.zeros(base.run.n, np.uint8)
        differ[pair.a[pair.differs]] = 1
        name_of = differs(letter)
        series["A"].columns[name_of] = Column(differ)
        differ_rows.append(Row(f"{letter} not A", name_of, {1: "solid"}, {1: "differs"}, series="A"))
    reason_rows = [
        Row(f"{letter} by", "reason", REASON_BARS, _reasons(side.stepped), series=letter)
        for letter, side in lettered
    ]
    bands = "Where the commands differ, and who set the reduction" if differ_rows else "Who set the reduction"
    many = len(found.launches) > 1
    zeros = [
        Zero(
            round(base.inputs.time_s(one.tick), 6),
            f"s since launch {one.number}" if many else "s since the launch",
        )
        for one in found.launches
    ]
    seen = window(base, found, found.launches[0]) if found.launches else (0, base.run.n)
    view = (round(base.inputs.time_s(seen[0]), 6), round(base.inputs.time_s(seen[1]), 6))
    return Strip(
        name,
        "All calibrations over this run, tick by tick",
        series,
        [
            *_panels(lettered[: len(STYLES)], _same_lift(recording)),
            Bands(bands, [*differ_rows, *reason_rows]),
        ],
        view,
        axis="s of the trace",
        cursor=zeros[0].at if zeros else None,
        zeros=zeros,
        places=list(_places(trace, base, name)),
    )  # fmt: skip


def differs(letter: str) -> str:
    """The column of the series "A" in which a calibration differs from A."""
    return f"differs-{letter}"


def _reasons(s: Replay) -> dict[int, str]:
    return {int(reason): codes.reason_name(int(reason)) for reason in np.unique(s.ticks["reason"]) if reason}


def _same_lift(recording: Recording) -> bool:
    """Whether every calibration sees the same lift."""
    first, *others = (side.stepped.ticks["lift"] for side in recording.sides)
    return all(np.array_equal(first, other) for other in others)


def _columns(s: Replay) -> dict[str, Column]:
    t = s.ticks
    by_speed = s.calibration.progress_unit == "km/h"
    full = s.calibration.ceilings.at(t["progress"] / (10 if by_speed else 1))[2]
    logged = {
        f"logged_{name}": Column(known(s.logged_ticks[name]), 10, unit, 1)
        for name, unit in (("reduction", "%"), ("retard", "°"))
        if name in s.logged_ticks
    }
    return {
        **logged,
        "lift": Column(t["lift"], 16, "mm", 1),
        "reduction": Column(t["reduction"], 10, "%", 1),
        "retard": Column(t["retard"], 10, "°", 1),
        "reason": Column(t["reason"]),
        "progress": Column(t["progress"], 10 if by_speed else 1, s.calibration.progress_unit, int(by_speed)),
        "full": Column.of(full, 0, "mm", 1),
    }


def _same_full(sides: list[tuple[str, Side]]) -> list[list[str]]:
    """The letters of the calibrations, those together whose lift of full reduction is the same all along."""
    found: list[tuple[Any, list[str]]] = []
    for letter, side in sides:
        full = _columns(side.stepped)["full"].numbers
        for other, letters in found:
            if np.array_equal(full, other):
                letters.append(letter)
                break
        else:
            found.append((full, [letter]))
    return [letters for _, letters in found]


def _panels(sides: list[tuple[str, Side]], same_lift: bool) -> Iterator[Panel]:
    letters = [letter for letter, _ in sides]
    lifts = [Line("lift", "lift", "main", "A")]
    if not same_lift:
        lifts = [Line(f"lift, {letter}", "lift", STYLES[i], letter) for i, letter in enumerate(letters)]
    for style, shared in zip(_LIMITS, _same_full(sides), strict=False):
        every = len(shared) == len(letters)
        label = "full reduction" if every else f"full reduction, {' and '.join(shared)}"
        lifts.append(Line(label, "full", style, shared[0]))
    yield Panel("Lift at the front axle", "mm", lifts, height=220, bottom=0.0, least_top=60.0)
    for title, unit, column, height, top in _COMMANDS:
        lines = [Line(letter, column, STYLES[i], letter, stepped=True) for i, letter in enumerate(letters)]
        if column in sides[0][1].stepped.logged_ticks:
            lines.append(Line("car", f"logged_{column}", "thin", letters[0], stepped=True))
        yield Panel(title, unit, lines, height=height, bottom=0.0, least_top=top)


def _places(trace: dict[str, Any], base: Replay, name: str) -> Iterator[Place]:
    many = len(base.runs) > 1
    for difference in trace["differences"]:
        letter = difference["letter"]
        for span in difference["spans"]:
            _, _, reduction, retard, time = stretch(span, False)
            parts = [
                *([f"reduction {reduction}"] if reduction != "-" else []),
                *([f"retard {retard}"] if retard != "-" else []),
            ]
            title = f"{letter} minus A: {', '.join(parts)}"
            detail = f"{since(span, many)}, {span['duration_s']:.3f} s long, torque-time {time}"
            yield Place(title, detail, jump(name, base, span["tick"], last_tick(base, span)), "cut")


def of_runs(facts: dict[str, Any], study: Study, labels: Sequence[str], chosen: Sequence[int]) -> Strip:
    """The chosen runs (their numbers) laid on their launch; `labels` are those of all runs."""
    runs = study.runs()
    lifts = [one["greatest_lift_difference"] for one in facts["runs_by_launch"]]
    series, until = {}, 0.0
    for i in chosen:
        series[f"run-{i}"], end = _from_launch(study, runs[i])
        until = max(until, end)

    def panel(title: str, unit: str, column: str, height: int, top: float) -> Panel:
        stepped = column in ("reduction", "retard")
        lines = [
            Line(labels[i], column, style, f"run-{i}", stepped)
            for i, style in zip(chosen, STYLES, strict=False)
        ]
        return Panel(title, unit, lines, height=height, bottom=0.0, least_top=top)

    return Strip(
        _BY_LAUNCH,
        f"Runs with calibration A, laid on their launch; the first is {labels[0]}",
        series,
        [
            panel("Lift at the front axle", "mm", "lift", 260, 60.0),
            *(panel(*one) for one in _COMMANDS),
            panel("Progress", study.calibrations[0].progress_unit, "progress", 130, 1.0),
        ],
        (-_AROUND_S, until),
        axis="s since the launch",
        cursor=0.0,
        places=[
            Place(
                f"{labels[i]}: {lift['b_mm'] - lift['a_mm']:+z.0f} mm of lift",
                f"at {lift['since_launch_s']:.3f} s, where it is furthest from the first",
                around(lift["since_launch_s"]),
                "lift",
            )
            for i in chosen[1:]
            for lift in [lifts[i - 1]]
        ],
    )


def _from_launch(study: Study, run: RunName) -> tuple[Series, float]:
    """A run counted from its launch, and the seconds worth seeing of it."""
    side = study.recordings[run.trace].sides[0]
    s = side.stepped
    start, end = s.runs[run.launch - 1]
    begin, seen_until = window(s, side.found, side.found.launches[run.launch - 1])
    columns = {
        name: Column(column.numbers[begin:end], column.per, column.unit, column.decimals)
        for name, column in _columns(s).items()
    }
    first = round((begin - start) * s.tick_s, 6)
    return Series(columns, first=first, step=s.tick_s), (seen_until - start) * s.tick_s


def furthest(facts: dict[str, Any]) -> list[int]:
    """The numbers of the runs that are drawn: the first, and those furthest from it in lift."""
    lifts = [one["greatest_lift_difference"] for one in facts["runs_by_launch"]]
    off = [abs(lift["b_mm"] - lift["a_mm"]) for lift in lifts]
    most = sorted(range(len(off)), key=lambda i: -off[i])[: len(STYLES) - 1]
    return [0, *(i + 1 for i in sorted(most))]


def around(at: float) -> Jump:
    """The way to a moment since the launch."""
    return Jump(_BY_LAUNCH, at - _AROUND_S, at + _AROUND_S, at)
