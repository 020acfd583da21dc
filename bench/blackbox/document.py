"""What a black-box verify says: equal, or where the captured edges first leave what the reference may do."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np

from bench.blackbox.judge import ANGLE, Channel, Judged, windows
from bench.blackbox.run import Result, excursion_text
from bench.calibration import CalibrationFile
from bench.document.blocks import (
    Block,
    Bullets,
    Cell,
    Document,
    Jump,
    Line,
    Panel,
    Picture,
    Place,
    Section,
    Series,
    Strip,
    Table,
    Text,
)
from bench.document.calibration import calibration_section
from bench.document.columns import Column
from bench.document.provenance import provenance

_AROUND = 150  # crank events on either side of the first excursion


def make_document(facts: dict[str, Any], results: Sequence[Result], calibration: CalibrationFile) -> Document:
    """The document; `facts` are those of bench.blackbox.facts. Each run's verdict was printed as it came."""
    sections = [Section("Each run", [_runs(facts)])]
    pictures = []
    for number, result in enumerate(results, 1):
        if result.judged is None:
            continue
        name = result.subject.name
        figure = _strip(number, result, result.judged)
        blocks: list[Block] = [figure, _cuts(facts["runs"][number - 1])]
        if result.judged.found:
            blocks.insert(0, _excursions(facts["runs"][number - 1]))
            title = f"{name}: {excursion_text(result, result.judged.found[0])}"
            pictures.append(Picture(f"{number}-{name}.svg", title, "", partial(list, [figure])))
        sections.append(Section(name, blocks, where="page"))
    sections.append(Section("What a black box does not show", [Bullets(facts["not_seen"], "Not seen")]))
    sections.append(calibration_section(calibration))
    return Document(
        what="verify",
        title=f"A controller that runs by itself, against the reference, {calibration.path.name}",
        alarm=[f"The box failed: {one['error']}" for one in facts["runs"] if one["error"]],
        answer=_answer(facts),
        key=_key(facts),
        sections=sections,
        cautions=[facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("Box", f"{facts['box']['firmware']}, at {facts['box']['port']}"),
            ("Within", ", ".join(f"{name} {value:g}" for name, value in facts["within"].items())),
            ("Calibration", facts["calibration"]),
            ("Its SHA-256", facts["calibration_sha256"]),
            ("Its image", f"CRC-32 {facts['image_crc32']}"),
            *(
                pair
                for one in facts["runs"]
                for pair in (("Run", one["file"]), ("Its SHA-256", one["sha256"]))
            ),
        ],
        pictures=pictures,
        files=["junit.xml"],
        summary="verify.json",
    )


def _answer(facts: dict[str, Any]) -> list[str]:
    runs = facts["runs"]
    events, skipped = (sum(one[name] for one in runs) for name in ("crank_events", "skipped"))
    within = facts["within"]
    limits = (
        f"Within {within['noise']} counts of noise, {within['gain_percent']:g} % of gain,"
        f" {within['offset']:g} counts of offset, {within['drift_ppm']:g} ppm of its clock and any phase."
    )
    if facts["verdict"] == "equal":
        first = (
            "The controller does what the reference may do: at every one of"
            f" {events} cylinder events ({skipped} skipped)."
        )
    elif facts["verdict"] == "different":
        run = next(one for one in runs if one["excursions"])
        where = run["excursions"][0]["text"]
        first = f"The controller leaves what the reference may do: {run['name']}, {where}."
    else:
        first = "The box failed, so not all runs are known."
    return [
        first,
        limits,
        "Judged from sparks and injectors alone, on these runs: a controller that is equal here may still"
        " differ elsewhere.",
    ]


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    runs = facts["runs"]
    return [
        (str(sum(one["crank_events"] for one in runs)), "cylinder events judged"),
        (f"{sum(one['verdict'] == 'equal' for one in runs)} of {len(runs)}", "runs equal"),
    ]


def _runs(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = []
    for one in facts["runs"]:
        first = one["excursions"][0]["what"] if one["excursions"] else ""
        verdict = Cell(one["verdict"], "good" if one["verdict"] == "equal" else "bad")
        numbers = (one["crank_events"], one["skipped"], len(one["cuts"]), one["members"])
        rows.append([one["name"], verdict, *map(str, numbers), first])
    columns = (
        ("run", False), ("verdict", False), ("events", True), ("skipped", True), ("cuts", True),
        ("runs of the\nreference", True), ("first seen by", False),
    )  # fmt: skip
    return Table(columns, rows, "Each run")


def _excursions(run: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = [
        [
            f"{one['time_s']:.3f}", str(one["crank_event"]), str(one["cylinder"]), one["what"],
            Cell(f"{one['value']:.4g}", "bad"), f"{one['limit']:.4g}", f"{one['beyond']:.3g} {one['unit']}",
        ]
        for one in run["excursions"]
    ]  # fmt: skip
    columns = (
        ("s", True), ("crank event", True), ("cylinder", True), ("what", False), ("given", True),
        ("limit", True), ("beyond it", True),
    )  # fmt: skip
    return Table(columns, rows, "The first of each kind that leaves the envelope")


def _cuts(run: dict[str, Any]) -> Table | Text:
    if not run["cuts"]:
        return Text(["No event was skipped in this run."])

    def both(pair: Sequence[float] | None, decimals: int) -> str:
        return f"{pair[0]:.{decimals}f} to {pair[1]:.{decimals}f}" if pair else "not in every one as many"

    rows: list[list[str | Cell]] = [
        [
            f"{one['begin_s']:.3f}", both(one["reference_begin_s"], 3), f"{one['lasts_ms']:.1f}",
            both(one["reference_lasts_ms"], 1),
        ]
        for one in run["cuts"]
    ]  # fmt: skip
    there = ("in the reference", True)
    columns = (("begins, s", True), there, ("lasts, ms", True), there)
    return Table(columns, rows, "Cuts: from the first skipped event to the last")


def _strip(number: int, result: Result, judged: Judged) -> Strip:
    """Spark angle and skipped events over the crank events: the controller's, and the limits."""
    columns: dict[str, Column] = {}
    panels = []
    chosen: list[Channel] = [channel for channel, _ in windows(result.subject.played)][:2]
    for channel, decimals in ((chosen[0], 0), (chosen[1], 0), (ANGLE, 1)):
        low, high = judged.envelope.limits(channel)
        key = channel.name.replace(" ", "-")
        for side, values in (("low", low), ("high", high), ("given", judged.series[channel])):
            known = np.where(np.isfinite(values), values, np.nan)
            columns[f"{key}-{side}"] = Column.of(known, decimals, channel.unit)
        lines = [
            Line("at least", f"{key}-low", "limit-dashed", stepped=True),
            Line("at most", f"{key}-high", "limit", stepped=True),
            Line("given", f"{key}-given", "main", stepped=True),
        ]
        panels.append(Panel(channel.name.capitalize(), channel.unit, lines, height=150))
    figure, last = f"run-{number}", float(max(1, len(result.subject.played.crank) - 1))
    places = [Place("the whole run", f"{last:.0f} crank events", Jump(figure, 0.0, last, 0.0), "mark")]
    view, cursor = (0.0, last), None
    if judged.found:
        cursor = float(judged.found[0].event)
        view = (max(0.0, cursor - _AROUND), min(last, cursor + _AROUND))
        jump = Jump(figure, *view, cursor)
        places.insert(0, Place("first excursion", judged.found[0].channel.name, jump, "fault"))
    return Strip(
        figure,
        f"What the reference may do, and what was captured: {result.subject.name}",
        {"run": Series(columns)},
        panels,
        view,
        axis="crank event",
        decimals=0,
        cursor=cursor,
        places=places,
    )
