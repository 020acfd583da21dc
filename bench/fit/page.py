"""The page of a fit: measured against fitted, run by run, and what the runs tell."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bench.document.blocks import (
    Block,
    Bullets,
    Cell,
    Document,
    Jump,
    Level,
    Line,
    Panel,
    Place,
    Section,
    Series,
    Source,
    Strip,
    Table,
)
from bench.document.columns import Column
from bench.document.html import write_page
from bench.document.provenance import provenance
from bench.fit.measured import CHANNELS, STEP_S
from bench.fit.report import Fit

_DECIMALS = {"height": 1, "speed": 2, "engine": 0}
_WORDS = {"height": "Height at the sensor", "speed": "Road speed", "engine": "Engine speed"}
_HEIGHTS = {"height": 230, "speed": 140, "engine": 140}
_VERDICTS = {
    "known": "known", "weak": "weakly known", "left": "left as given", "measured": "measured",
}  # fmt: skip


def write(path: Path, facts: dict[str, Any], fit: Fit) -> None:
    """Write the page of a fit; `facts` is what summary.json holds."""
    write_page(path, page(facts, fit))


def page(facts: dict[str, Any], fit: Fit) -> Document:
    """The page of a fit."""
    name = facts["vehicle"]["name"] or Path(facts["vehicle"]["file"]).name
    runs = [
        Section(f"Measured and fitted: {Path(run['file']).name}", [_strip(fit, i, run)])
        for i, run in enumerate(facts["runs"])
    ]
    asks = [f"{path}: {how}" for path, how in facts["asks"].items()]
    never = [f"{path}: {why}" for path, why in facts["never"].items()]
    told: list[Block] = [
        *_tables(facts),
        Bullets(never, "Left as given, because it cannot be identified"),
    ]
    if asks:
        told.append(Bullets(asks, "Weigh or measure, put into the vehicle file, and say so with --measured"))
    notes: list[Block] = [Bullets([*facts["notes"], facts["assumed"]])]
    for run in facts["runs"]:
        if run["notes"]:
            notes.append(Bullets(run["notes"], f"Of {Path(run['file']).name}"))
    if facts["vehicle"]["warnings"]:
        notes.append(Bullets(facts["vehicle"]["warnings"], "Warnings about the vehicle"))
    return Document(
        what="fit",
        title=f"{name}: measured and fitted",
        alarm=[] if facts["model_holds"] else [
            "The fitted car stays far away from a run: do not predict from it before the reason is found."
        ],
        answer=list(_answer(facts)),
        key=_key(facts),
        sections=[
            *runs,
            Section("What the runs tell about the car", told),
            Section("Before you trust it", notes),
            Section("The car it began with", [Source(f"The file {fit.vehicle.path.name}", fit.vehicle.text)]),
        ],
        cautions=[facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("Vehicle", facts["vehicle"]["file"]),
            ("Its SHA-256", facts["vehicle"]["sha256"]),
            *(
                pair
                for run in facts["runs"]
                for pair in (
                    ("Run", f"{run['file']}, driven with {run['calibration'] or 'no controller'}"),
                    ("Its SHA-256", run["sha256"]),
                )
            ),
            ("Windows", ", ".join(f"{window:g} s" for window in facts["windows_s"])),
            ("Steps", str(facts["steps"])),
        ],
    )  # fmt: skip


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    runs = facts["runs"]
    worst = {name: max(run["rms"][name]["fitted"] for run in runs) for name in CHANNELS}
    given = {name: max(run["rms"][name]["given"] for run in runs) for name in CHANNELS}
    many = "the run" if len(runs) == 1 else f"{len(runs)} runs"
    yield (
        f"The fitted car stays within {worst['height']:.1f} mm, {worst['speed']:.2f} m/s and"
        f" {worst['engine']:.0f} rpm (rms) of {many}; the given one was {given['height']:.1f} mm,"
        f" {given['speed']:.2f} m/s and {given['engine']:.0f} rpm away."
    )
    counts = {verdict: sum(one["verdict"] == verdict for one in facts["parameters"]) for verdict in _VERDICTS}
    yield (
        f"Of {len(facts['parameters'])} values the runs make {counts['known']} known and {counts['weak']}"
        f" weakly known; {counts['left']} are left as given"
        + (f", {counts['measured']} were measured." if counts["measured"] else ".")
    )
    yield "It is a model's guess, not a forecast. Where what is left comes in waves, do not predict from it."


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    runs = facts["runs"]
    return [
        (
            f"{max(run['rms'][name]['fitted'] for run in runs):.{_DECIMALS[name]}f} {unit}",
            f"{_WORDS[name].lower()}, root mean square left",
        )
        for name, unit in CHANNELS.items()
    ]


def _tables(facts: dict[str, Any]) -> Iterator[Table]:
    order = {verdict: i for i, verdict in enumerate(_VERDICTS)}
    rows: list[list[str | Cell]] = []
    for one in sorted(facts["parameters"], key=lambda one: order[one["verdict"]]):
        known = one["verdict"] in ("known", "weak")
        low, high = one["within_80"]
        rows.append([
            f"{one['name']}{', ' + one['unit'] if one['unit'] else ''}",
            Cell(_VERDICTS[one["verdict"]], "strong" if one["verdict"] == "known" else ""),
            f"{one['given']:.4g}", f"{one['fitted']:.4g}", f"{low:.4g} to {high:.4g}" if known else "–",
            f"{one['within_80_percent']:.2g} %" if known else "–",
        ])  # fmt: skip
    yield Table(
        (("value", False), ("verdict", False), ("given", True), ("fitted", True), ("80 of 100 within", True),
         ("known to", True)),
        rows,
        "Every value of the car that a run can tell about",
    )  # fmt: skip
    yield Table(
        (("run", False), ("seconds", True), ("lift seen, mm", True), ("fitted, mm", True),
         *((f"{name}, {unit}", True) for name, unit in CHANNELS.items())),
        [
            (
                Path(run["file"]).name, f"{run['seconds']:.2f}",
                f"{'over ' if run['beyond_sensor'] else ''}{run['peak_lift_seen_mm']:.0f}",
                f"{run['peak_lift_fitted_mm']:.0f}",
                *(_from_to(run["rms"][name], _DECIMALS[name]) for name in CHANNELS),
            )
            for run in facts["runs"]
        ],
        "Modelled less measured, root mean square: given car → fitted car",
    )  # fmt: skip
    if facts["together"]:
        yield Table(
            (("these two", False), ("and", False), ("correlation", True)),
            [(*one["parameters"], f"{one['correlation']:+.2f}") for one in facts["together"]],
            "Go together: each is known less well than its interval if the other is wrong",
        )


def _from_to(rms: dict[str, Any], decimals: int) -> str:
    return f"{rms['given']:.{decimals}f} → {rms['fitted']:.{decimals}f}"


def _strip(fit: Fit, i: int, facts: dict[str, Any]) -> Strip:
    run, fitted = fit.runs[i], fit.fitted
    n = len(fitted.seen[i]["height"])
    columns = {"time": Column(np.round(run.time[:n] * 1e6).astype(np.int32), 1e6, "s", 3)}
    panels: list[Panel] = []
    for name, unit in CHANNELS.items():
        d = _DECIMALS[name]
        measured = run.values[name][:n]
        columns |= {
            f"{name}_measured": Column.of(measured, d, unit),
            f"{name}_fitted": Column.of(fitted.seen[i][name], d, unit),
            f"{name}_given": Column.of(fitted.before[i][name] + measured, d, unit),
            f"{name}_left": Column.of(
                np.where(np.isfinite(measured), fitted.differences[i][name], np.nan), d + 1, unit
            ),
        }
        ends = name == "height" and run.at_end.any()
        panels += [
            Panel(
                _WORDS[name],
                unit,
                [
                    Line("measured", f"{name}_measured", "dots"),
                    Line("given car", f"{name}_given", "third"),
                    Line("fitted car", f"{name}_fitted", "main"),
                ],
                [Level("sensor's end", run.end_mm, "limit-dotted")] if ends else [],
                height=_HEIGHTS[name],
            ),
            Panel(
                "What is left: fitted less measured",
                unit,
                [Line("left", f"{name}_left", "thin")],
                [Level("none", 0.0, "pale")],
                height=80,
            ),
        ]
    panels.append(
        Panel(
            "Torque taken", "%", [Line("commanded", "taken", "fill", "share")], height=80, bottom=0.0,
            least_top=10.0,
        )
    )  # fmt: skip
    series = {
        "run": Series(columns, step=float(np.diff(run.time[:n]).min()), along="time"),
        "share": Series({"taken": Column.of(100 * (1 - run.share), 1, "%", 1)}, 0.0, STEP_S),
    }
    figure = f"run-{i + 1}"
    end = float(run.time[n - 1])
    peak = float(run.time[int(np.nanargmax(fitted.seen[i]["height"]))])
    places = [
        Place("all of it", f"{end:.2f} s", Jump(figure, 0.0, end, peak), "launch"),
        Place(
            f"{facts['peak_lift_fitted_mm']:.0f} mm", "greatest lift of the fitted car",
            Jump(figure, peak - 0.4, peak + 0.4, peak), "lift",
        ),
        *(
            Place("gear change", f"at {shift:.3f} s", Jump(figure, shift - 0.25, shift + 0.25, shift), "mark")
            for shift in facts["shifts_s"]
        ),
    ]  # fmt: skip
    return Strip(
        figure, f"Measured and fitted: {run.path.name}", series, panels, (0.0, end),
        axis="s since the launch", cursor=peak, places=places,
    )  # fmt: skip
