"""What a fit says: measured against fitted, run by run, and what the runs tell about the car."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from bench.document.blocks import (
    Block,
    Bullets,
    Cell,
    Document,
    Picture,
    Section,
    Source,
    Subject,
    Table,
    Text,
)
from bench.document.provenance import provenance
from bench.fit.facts import Fit
from bench.fit.figure import DECIMALS, WORDS, strip
from bench.fit.measured import CHANNELS
from bench.trace.text import shown, shown_path

_VERDICTS = {
    "known": "Known", "weak": "Weakly known", "left": "Left as given", "measured": "As measured",
}  # fmt: skip
_TOLD = ("known", "weak")  # of which a run says something
_PICTURED = 4  # runs in the picture; more would be too many to compare
_PAIRS = 5  # on a terminal


def make_document(facts: dict[str, Any], fit: Fit) -> Document:
    """The document of a fit; `facts` are those of bench.fit.facts."""
    name = facts["vehicle"]["name"] or Path(facts["vehicle"]["file"]).name
    figures = [strip(fit, i, run) for i, run in enumerate(facts["runs"])]
    title = f"{name}: measured and fitted"
    more = f" {len(figures) - _PICTURED} more runs are not drawn." if len(figures) > _PICTURED else ""
    within, *others = _answer(facts)
    picture = Picture("fit.svg", title, f"{within}{more}", partial(list, figures[:_PICTURED]))
    far = "The fitted car stays far away from a run: do not predict from it before the reason is found."
    return Document(
        what="fit",
        title=title,
        subjects=list(_subjects(facts)),
        alarm=[] if facts["model_holds"] else [far],
        answer=[within, *others],
        key=_key(facts),
        sections=[
            *(Section(figure.title, [figure]) for figure in figures),
            Section("What the runs tell about the car", list(_told(facts))),
            Section("Before you trust it", list(_notes(facts))),
            Section("The car it began with", [Source(f"The file {fit.vehicle.path.name}", fit.vehicle.text)]),
        ],
        cautions=[facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the vehicle", facts["vehicle"]["sha256"]),
            *((f"SHA-256 of {Path(run['file']).name}", run["sha256"]) for run in facts["runs"]),
            ("Windows", ", ".join(f"{window:g} s" for window in facts["windows_s"])),
            ("Steps", str(facts["steps"])),
        ],
        pictures=[picture],
        files=["car.toml"],
    )


def _subjects(facts: dict[str, Any]) -> Iterator[Subject]:
    yield Subject("vehicle", shown(facts["vehicle"]["name"], 40), facts["vehicle"]["file"])
    for run in facts["runs"]:
        driven = shown_path(run["calibration"]) if run["calibration"] else "no calibration"
        yield Subject("run", f"{run['seconds']:g} s, driven with {driven}", run["file"])


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    runs = facts["runs"]
    worst, given = (_worst(runs, which) for which in ("fitted", "given"))
    many = "the run" if len(runs) == 1 else f"{len(runs)} runs"
    yield (
        f"The fitted car stays within {_listed(worst)} (rms) of {many}; the given one was"
        f" {_listed(given)} away."
    )
    counts = {verdict: sum(one["verdict"] == verdict for one in facts["parameters"]) for verdict in _VERDICTS}
    yield (
        f"Of {len(facts['parameters'])} values the runs make {counts['known']} known and {counts['weak']}"
        f" weakly known; {counts['left']} are left as given"
        + (f", {counts['measured']} were measured." if counts["measured"] else ".")
    )
    yield "It is a model's guess, not a forecast. Where the residuals oscillate, do not predict from it."


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    runs = facts["runs"]
    return [
        (left, f"{WORDS[name].lower()}, root mean square left")
        for name, left in _worst(runs, "fitted").items()
    ]


def _listed(by_channel: dict[str, str]) -> str:
    *most, last = by_channel.values()
    return f"{', '.join(most)} and {last}"


def _channels(runs: list[dict[str, Any]]) -> dict[str, str]:
    """The channels that any of the runs has, with their units."""
    return {name: unit for name, unit in CHANNELS.items() if any(name in run["rms"] for run in runs)}


def _worst(runs: list[dict[str, Any]], which: str) -> dict[str, str]:
    """By channel the greatest rms difference of the runs that have it, with its unit."""
    return {
        name: f"{max(r['rms'][name][which] for r in runs if name in r['rms']):.{DECIMALS[name]}f} {unit}"
        for name, unit in _channels(runs).items()
    }


def _told(facts: dict[str, Any]) -> Iterator[Block]:
    channels = _channels(facts["runs"])
    yield Table(
        (("run", False), ("lift\nseen mm", True), ("fitted\nmm", True),
         *((f"{name}\n{unit}", True) for name, unit in channels.items())),
        [
            (
                Path(run["file"]).name,
                f"{'over ' if run['beyond_sensor'] else ''}{run['peak_lift_seen_mm']:.0f}",
                f"{run['peak_lift_fitted_mm']:.0f}",
                *(_from_to(run["rms"].get(name), DECIMALS[name]) for name in channels),
            )
            for run in facts["runs"]
        ],
        "Modelled minus measured, root mean square: given car → fitted car",
    )  # fmt: skip
    if facts["left_out"]:
        yield Table(
            (("run", False), *((f"{name}\n{unit}", True) for name, unit in channels.items()),
             ("peak\nmoved mm", True), ("over what\nranges allow", True)),
            [
                (
                    Path(one["file"]).name,
                    *(_left(one["rms"].get(name), DECIMALS[name]) for name in channels),
                    f"{one['peak_lift_moved_mm']:+.0f}", f"{one['over_what_ranges_allow']:.2f}",
                )
                for one in facts["left_out"]
            ],
            "Each run predicted from the others: root mean square missed",
            "Where the last column is above 1 the ranges below were made wider for it.",
        )  # fmt: skip
    yield _parameters(facts)
    yield Text([_ratio(facts["ratio"])])
    left = [f"{name}: {reason}" for name, reason in facts["never"].items()]
    silent = [one["name"] for one in facts["parameters"] if one["verdict"] == "left"]
    if silent:
        left.insert(0, f"these runs say nothing about them: {', '.join(silent)}")
    yield Bullets(left, "Left as given, because it cannot be identified")
    if facts["together"]:
        yield Table(
            (("these two", False), ("and", False), ("correlation", True)),
            [(*one["parameters"], f"{one['correlation']:+.2f}") for one in facts["together"]],
            "Go together: each is known less well than its interval if the other is wrong",
            screen_rows=_PAIRS,
        )
    asks = [f"{name}: {how}" for name, how in facts["asks"].items()]
    if asks:
        yield Bullets(asks, "Weigh or measure, put into the vehicle file, and say so with --measured NAME")


def _ratio(ratio: dict[str, Any]) -> str:
    low, high = ratio["within_80"]
    return (
        f"Known better than its parts: {ratio['name']} {ratio['fitted']:.4g} (given {ratio['given']:.4g}),"
        f" 80 of 100 within {low:.4g} .. {high:.4g}. It decides at what thrust the nose rises."
    )


def _parameters(facts: dict[str, Any]) -> Table:
    """Every value that a run can tell about. A terminal leaves out those of which it says nothing."""
    rows: list[list[str | Cell]] = []
    on_screen: list[int] = []
    for verdict, title in _VERDICTS.items():
        begin = len(rows)
        found = [one for one in facts["parameters"] if one["verdict"] == verdict]
        if found:
            rows.append([Cell(title, "strong"), "", "", "", ""])
        for one in found:
            low, high = one["within_80"]
            known = verdict in _TOLD
            rows.append([
                f"{one['name']}{', ' + one['unit'] if one['unit'] else ''}", f"{one['given']:.4g}",
                f"{one['fitted']:.4g}", f"{low:.4g} .. {high:.4g}" if known else "-",
                f"{one['within_80_percent']:.2g} %" if known else "-",
            ])  # fmt: skip
        if verdict != "left":
            on_screen += range(begin, len(rows))
    title = "What the runs tell"
    if not facts["model_holds"]:
        title += " - of little worth here: the model does not follow them, see below"
    return Table(
        (("value", False), ("given", True), ("fitted", True), ("80 of 100 within", True), ("known to", True)),
        rows,
        title,
        screen_rows=on_screen,
    )


def _left(rms: float | None, decimals: int) -> str:
    return "-" if rms is None else f"{rms:.{decimals}f}"


def _from_to(rms: dict[str, Any] | None, decimals: int) -> str:
    if rms is None:
        return "-"
    return f"{rms['given']:.{decimals}f} → {rms['fitted']:.{decimals}f}"


def _notes(facts: dict[str, Any]) -> Iterator[Block]:
    yield Bullets([f"taken for granted: {facts['assumed']}", *facts["notes"]], "Worth knowing")
    for run in facts["runs"]:
        if run["notes"]:
            yield Bullets(run["notes"], f"What was taken from {Path(run['file']).name}")
    if facts["vehicle"]["warnings"]:
        yield Bullets(facts["vehicle"]["warnings"], "Warnings about the vehicle")
