"""What a fit says: measured against fitted, run by run, and what the runs tell about the car."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from bench.cautions import CAUTIONS, MODEL
from bench.document.blocks import Block, Bullets, Cell, Document, Picture, Section, Source, Subject, Table
from bench.document.provenance import provenance
from bench.document.traces import trace_notes
from bench.fit import figure
from bench.fit.facts import Fit
from bench.fit.figure import DECIMALS, WORDS
from bench.fit.measured import CHANNELS

_VERDICTS = {"known": "Known", "weak": "Weakly known", "left": "Left as given", "measured": "As measured"}
_SCREEN_PAIRS = 5


def make_document(facts: dict[str, Any], fit: Fit) -> Document:
    """The document of a fit; `facts` are those of bench.fit.facts."""
    name = facts["vehicle"]["name"] or Path(facts["vehicle"]["file"]).name
    runs = [
        Section(f"Measured and fitted: {Path(run['file']).name}", [figure.strip(fit, i, run)])
        for i, run in enumerate(facts["runs"])
    ]
    title = f"{name}: measured and fitted"
    return Document(
        what="fit",
        title=title,
        subjects=_subjects(facts),
        alarm=[] if facts["model_holds"] else [
            "The fitted car stays far away from a run: do not predict from it before the reason is found."
        ],
        answer=list(_answer(facts)),
        key=_key(facts),
        sections=[
            *runs,
            Section("What the runs tell about the car", [*_tables(facts), *_lists(facts)]),
            Section("Before you trust it", list(_notes(facts))),
            Section("The car it began with", [Source(f"The file {fit.vehicle.path.name}", fit.vehicle.text)]),
        ],
        cautions=[MODEL, CAUTIONS],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the vehicle", facts["vehicle"]["sha256"]),
            *((f"SHA-256 of {Path(run['file']).name}", run["sha256"]) for run in facts["runs"]),
            ("Windows", ", ".join(f"{window:g} s" for window in facts["windows_s"])),
            ("Steps", str(facts["steps"])),
        ],
        pictures=[Picture("fit.svg", title, _subtitle(facts), partial(figure.picture, fit, facts))],
        files=["car.toml"],
    )  # fmt: skip


def _subjects(facts: dict[str, Any]) -> list[Subject]:
    runs = [
        Subject(
            "run", f"{run['seconds']:g} s, driven with {run['calibration'] or 'no calibration'}", run["file"]
        )
        for run in facts["runs"]
    ]
    return [Subject("vehicle", facts["vehicle"]["name"], facts["vehicle"]["file"]), *runs]


def _subtitle(facts: dict[str, Any]) -> str:
    worst = ", ".join(
        f"{name} {max(run['rms'][name]['fitted'] for run in facts['runs']):.{DECIMALS[name]}f} {unit}"
        for name, unit in CHANNELS.items()
    )
    more = len(facts["runs"]) - figure.MOST_RUNS
    return f"rms of the fitted car: {worst}" + (f"; {more} more runs not drawn" if more > 0 else "")


def _lists(facts: dict[str, Any]) -> Iterator[Block]:
    """What the runs cannot tell, and what to do about it."""
    names = {
        verdict: ", ".join(one["name"] for one in facts["parameters"] if one["verdict"] == verdict)
        for verdict in ("measured", "left")
    }
    lines = [f"as measured: {names['measured']}"] if names["measured"] else []
    if names["left"]:
        lines.append(f"these runs say nothing about them: {names['left']}")
    lines += [f"{name}: {reason}" for name, reason in facts["never"].items()]
    yield Bullets(lines, "Left as given, because it cannot be identified")
    asks = [f"{name}: {how}" for name, how in facts["asks"].items()]
    if asks:
        yield Bullets(asks, "Weigh or measure, put into the vehicle file, and say so with --measured NAME")


def _notes(facts: dict[str, Any]) -> Iterator[Block]:
    yield from trace_notes([(Path(run["file"]).name, run["notes"]) for run in facts["runs"]])
    yield Bullets([f"taken for granted: {facts['assumed']}", *facts["notes"]], "Worth knowing")
    if facts["vehicle"]["warnings"]:
        yield Bullets(facts["vehicle"]["warnings"], "Warnings about the vehicle")


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
            f"{max(run['rms'][name]['fitted'] for run in runs):.{DECIMALS[name]}f} {unit}",
            f"{WORDS[name].lower()}, root mean square left",
        )
        for name, unit in CHANNELS.items()
    ]


def _tables(facts: dict[str, Any]) -> Iterator[Table]:
    yield Table(
        (("run", False), ("lift seen", True), ("fitted", True), ("height mm", True), ("speed m/s", True),
         ("engine rpm", True)),
        [
            (
                Path(run["file"]).name,
                f"{'over ' if run['beyond_sensor'] else ''}{run['peak_lift_seen_mm']:.0f} mm",
                f"{run['peak_lift_fitted_mm']:.0f} mm",
                *(_from_to(run["rms"][name], DECIMALS[name]) for name in CHANNELS),
            )
            for run in facts["runs"]
        ],
        "Modelled minus measured, root mean square: given car > fitted car",
    )  # fmt: skip
    yield _parameters(facts)
    if facts["together"]:
        yield Table(
            (("these two", False), ("and", False), ("correlation", True)),
            [(*one["parameters"], f"{one['correlation']:+.2f}") for one in facts["together"]],
            "Go together: each is known less well than its interval if the other is wrong",
            screen_rows=_SCREEN_PAIRS,
        )


def _parameters(facts: dict[str, Any]) -> Table:
    """All values under their verdicts; a terminal shows those that the runs tell something about."""
    rows: list[list[str | Cell]] = []
    told = 0
    for verdict, title in _VERDICTS.items():
        found = [one for one in facts["parameters"] if one["verdict"] == verdict]
        if found:
            rows.append([Cell(title, "strong"), "", "", "", ""])
        known = verdict in ("known", "weak")
        for one in found:
            low, high = one["within_80"]
            rows.append([
                f"{one['name']}{', ' + one['unit'] if one['unit'] else ''}", f"{one['given']:.4g}",
                f"{one['fitted']:.4g}", f"{low:.4g} to {high:.4g}" if known else "-",
                f"{one['within_80_percent']:.2g} %" if known else "-",
            ])  # fmt: skip
        told = len(rows) if known else told
    title = "What the runs tell"
    if not facts["model_holds"]:
        title += " - of little worth here: the model does not follow them, see below"
    columns = (
        ("value", False),
        ("given", True),
        ("fitted", True),
        ("80 of 100 within", True),
        ("known to", True),
    )
    return Table(columns, rows, title, screen_rows=range(told))


def _from_to(rms: dict[str, Any], decimals: int) -> str:
    return f"{rms['given']:.{decimals}f} > {rms['fitted']:.{decimals}f}"
