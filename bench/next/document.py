"""What `liftlatch next` says: the last run, why it cut, whether all was well, and the three steps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from bench.book.document import predicted_sections, told
from bench.book.predictions import FIGURES
from bench.document.blocks import (
    Block,
    Bullets,
    Document,
    Level,
    Line,
    Panel,
    Section,
    Series,
    Strip,
    Style,
    Subject,
    Table,
    Zero,
)
from bench.document.columns import Column
from bench.document.provenance import provenance
from bench.next.steps import Step
from bench.replay.findings import Replay
from bench.search.limits import Limit
from bench.trace.text import percent
from bench.vehicle.car import VehicleFile
from bench.vehicle.results import FOOT
from bench.vehicle.run import run
from bench.vehicle.track import Track

_WORDS = {
    "peak_lift_mm": ("peak lift", "mm", ".0f"),
    "landing_m_per_s": ("landing", "m/s", ".2f"),
    "time_s": ("time", "s", ".3f"),
}
_LOOKS: tuple[Style, ...] = ("second", "third", "fourth")
_STEP_S, _BEFORE_S = 0.005, 0.5


def make_document(
    facts: dict[str, Any],
    stepped: Replay,
    steps: Sequence[Step],
    vehicle: VehicleFile | None,
    limits: Sequence[Limit],
) -> Document:
    """The document; `facts` are those of bench.next.facts, `vehicle` the fitted car."""
    figure = _strip(facts, stepped, steps, vehicle, limits)
    return Document(
        what="next",
        title=f"After run {facts['last']['run']}",
        subjects=[Subject("run", f"{facts['last']['run']}, calibration {facts['last']['image_crc32']}")],
        alarm=[
            *facts["loud"],
            *(f"sensor: {line}" for line in facts["sensor"]),
            *(f"In the model: {line}" for step in facts["steps"] for line in step["worse"]),
        ],
        answer=list(_answer(facts)),
        sections=[
            Section("What to change", list(_steps(facts))),
            Section("Over the last run", [figure]),
            Section("Why it cut", [_why(facts)]),
            Section("The fit to the runs of the book", list(_fit(facts))),
            *predicted_sections(facts),
        ],
        cautions=[facts["cautions"]],
        provenance=provenance(facts),
        remarks=[one["text"] for one in facts["look_at"] if one["text"] not in facts["loud"]],
        files=[f"the calibration {step.name}.toml" for step in steps],
    )


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    last = facts["last"]
    yield f"Run {last['run']}: {told(last)}."
    if facts["ready"]:
        health = "The controller was ready and in service."
    else:
        health = "Settle first what is said above: the controller was not as it should be."
    if last["log_agrees"] is not None:
        agrees = "the log of the car's own controller agrees with the replay"
        health += f" {agrees.capitalize()}." if last["log_agrees"] else f" But {last['log_differs']}."
    yield health
    if not facts["fit"]["holds"]:
        yield (
            f"No prediction: {facts['fit']['why_not']}. What replay and book say stands; what another setting"
            " would do is not known."
        )
        return
    for step in facts["steps"]:
        name = "The same again" if step["step"] == "same" else step["step"].capitalize()
        limits = "" if step["keeps_limits"] else " It does not keep the limits in 95 of 100 runs."
        yield f"{name}: {_expected(step)}.{limits}"
    names = [step["step"] for step in facts["steps"]]
    if "faster" not in names:
        yield "No faster step near this setting keeps the limits in 95 of 100 runs."
    if "safer" not in names:
        yield "No step near this setting is both lower or softer and no worse in either."


def _expected(step: dict[str, Any]) -> str:
    parts = []
    for name in FIGURES:
        figure = step["figures"].get(name)
        if figure is not None:
            words, unit, form = _WORDS[name]
            parts.append(f"{words} {figure['low']:{form}} to {figure['high']:{form}} {unit}")
    return f"{', '.join(parts)} in 80 of 100 runs"


def _steps(facts: dict[str, Any]) -> Iterator[Block]:
    if not facts["steps"]:
        return
    last, feet = facts["last"], facts["distance_ft"]
    rows = []
    was = {
        "peak_lift_mm": last["peak_lift_mm"],
        "landing_m_per_s": last["landing_m_per_s"],
        "time_s": None if feet in last["by_slip"] else last[f"time_{feet}_ft_s"],
    }
    for name in FIGURES:
        words, unit, form = _WORDS[name]
        label = f"{words} to {feet} ft" if name == "time_s" else words
        cells = [f"{label}, {unit}", "-" if was[name] is None else f"{was[name]:{form}}"]
        for step in facts["steps"]:
            one = step["figures"].get(name)
            cells.append("-" if one is None else f"{one['low']:{form}} to {one['high']:{form}}")
        rows.append(cells)
    columns = (("", False), ("last run", True), *((step["step"], True) for step in facts["steps"]))
    note = "80 of 100 runs lie between; times by the speed, from one foot on"
    yield Table(columns, rows, "What is expected", note=note)
    for step in facts["steps"]:
        lines = [step["why"]]
        lines += [f"{one['key']}: {one['from']} becomes {one['to']}" for one in step["changed"]]
        yield Bullets(lines, "The same again" if step["step"] == "same" else step["step"].capitalize())
    limits = ", ".join(f"{name} {most}" for name, most in facts["limits"].items())
    yield Bullets([f"kept in 95 of 100 runs: {limits}"], "Limits")


def _why(facts: dict[str, Any]) -> Table:
    columns = (("who set the reduction", False), ("s", True), ("share", True))
    rows = [[one["name"], f"{one['time_s']:.3f}", percent(one["share"])] for one in facts["reasons"]]
    return Table(columns, rows or [["nobody", "-", "-"]], "Why it cut")


def _fit(facts: dict[str, Any]) -> Iterator[Block]:
    fit = facts["fit"]
    runs = ", ".join(map(str, fit["runs"])) or "none"
    yield Bullets([f"runs {runs}", *fit["left_out"]], "Fitted to")
    if not fit["holds"]:
        yield Bullets(fit["notes"], "What the fit says")
    else:
        yield Bullets(fit["notes"], "What the fit says", where="page")


def _strip(
    facts: dict[str, Any],
    stepped: Replay,
    steps: Sequence[Step],
    vehicle: VehicleFile | None,
    limits: Sequence[Limit],
) -> Strip:
    """The lift of the last run, and of each step in the fitted model, over the time since the launch."""
    start, stop = stepped.runs[0] if stepped.runs else (0, stepped.run.n)
    longest = (stop - start) * stepped.tick_s
    at = np.arange(-_BEFORE_S, longest, _STEP_S)
    ticks = np.clip(start + np.round(at / stepped.tick_s).astype(int), 0, stepped.run.n - 1)
    columns = {
        "lift": Column.of(stepped.ticks["lift"][ticks] / 16, 0, "mm"),
        "reduction": Column.of(stepped.ticks["reduction"][ticks] / 10, 1, "%"),
    }
    lifts = [Line("the last run", "lift")]
    cuts = [Line("the last run, replayed", "reduction", stepped=True)]
    for step, look in zip(steps, _LOOKS, strict=False):
        if vehicle is None:
            break
        track = Track(
            noise=vehicle.car.sensor_noise, distance=facts["distance_ft"] * FOOT, duration=max(longest, 1.0)
        )
        c = run(vehicle.car, step.calibration, track, controlled=True).columns
        for name, size, decimals, unit in (("lift", 1000, 0, "mm"), ("reduction", 0.1, 1, "%")):
            drawn = np.interp(at, c["time"], c[name] * size, left=np.nan, right=np.nan)
            columns[f"{step.name} {name}"] = Column.of(drawn, decimals, unit)
        lifts.append(Line(f"{step.name}, modelled", f"{step.name} lift", look))
        cuts.append(Line(f"{step.name}, modelled", f"{step.name} reduction", look))
    levels = [Level("limit", 1000 * one.most) for one in limits if one.kind.name == "lift"]
    return Strip(
        "next", "The last run, and the steps in the fitted model",
        {"run": Series(columns, first=-_BEFORE_S, step=_STEP_S)},
        [
            Panel("Lift at the front axle", "mm", lifts, levels, 260, 0.0),
            Panel("Reduction", "%", cuts, (), 120, 0.0),
        ],
        (-_BEFORE_S / 2, longest), axis="s since the launch", zeros=[Zero(0.0, "since the launch")],
    )  # fmt: skip
