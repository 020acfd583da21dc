"""What a sensor's measurement says: what it shows, what follows for the calibration, what was not shown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from bench.document.blocks import Block, Bullets, Document, Picture, Section, Source, Subject, Table
from bench.document.provenance import provenance
from bench.sensor.figure import figures
from bench.sensor.study import Study
from bench.trace.text import percent, plural

_SCREEN_PLATEAUS = 12


def make_document(facts: dict[str, Any], study: Study) -> Document:
    """The document of a measurement; `facts` are those of bench.sensor.facts."""
    drawn = figures(facts, study)
    answer = list(_answer(facts))
    title = "The height sensor as measured"
    files = ["the proposal calibration.toml"] if facts["proposed_calibration"] else []
    return Document(
        what="sensor",
        title=title,
        subjects=[
            Subject("calibration", "", facts["calibration"]["file"]),
            *(
                Subject("recording", f"{one['duration_s']:.1f} s, {one['shows']}", one["file"])
                for one in facts["recordings"]
            ),
        ],
        alarm=facts["alarm"],
        answer=answer,
        sections=[
            Section("What follows for the calibration", list(_proposed(facts))),
            Section("What the recordings show", list(_shown(facts))),
            *(Section(figure.title, [figure]) for figure in drawn),
            Section("What they do not show", [Bullets(facts["not_shown"], "Not shown by these recordings")]),
            Section(
                "The calibration as it was", [Source(study.calibration.path.name, study.calibration.text)]
            ),
        ],
        cautions=[facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("SHA-256 of the calibration", facts["calibration"]["sha256"]),
            *((f"SHA-256 of {Path(one['file']).name}", one["sha256"]) for one in facts["recordings"]),
        ],
        pictures=[Picture("sensor.svg", title, answer[0], partial(list, drawn))],
        files=files,
    )


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    noise = facts["noise"]
    if noise is not None:
        spikes = (
            f" {percent(noise['spikes_share'])} are spikes, up to"
            f" {plural(noise['spike_longest_burst_rows'], 'row')} at a time."
            if noise["spike_bursts"]
            else " No spikes."
        )
        yield (
            f"A standing height spreads by {noise['standard_deviation_mm']:.2f} mm (one standard deviation)"
            f" and drifts by {noise['drift_mm']:.1f} mm.{spikes}"
        )
    many = sum(one["changes"] for one in facts["keys"])
    if many:
        yield f"{plural(many, 'key')} of the calibration should say something else: see below."
    else:
        yield "Nothing in these recordings asks for another value in the calibration."
    if facts["delay"] is not None:
        delay = facts["delay"]
        follows = "" if delay["follows"] else ": too little to be the same movement"
        yield (
            f"The height comes {delay['ms']:.1f} ms after {delay['against']}"
            f" (correlation {delay['correlation']:.2f}{follows})."
        )


def _proposed(facts: dict[str, Any]) -> Iterator[Block]:
    if facts["keys"]:
        yield Table(
            (("key", False), ("in the file", True), ("proposed", True)),
            [(one["key"], one["in_file"] or "-", _marked(one)) for one in facts["keys"]],
            "Keys of the calibration",
            note="= is what stands there already",
        )
        yield Bullets([f"{one['key']}: {one['reason']}" for one in facts["keys"]], "Why")
    if facts["mistakes"]:
        yield Bullets(
            facts["mistakes"], "With these the file would be wrong, so it was not written: settle this first"
        )
    if facts["proposed_calibration"]:
        yield Source("The calibration with these keys", facts["proposed_calibration"])


def _marked(one: dict[str, Any]) -> str:
    return str(one["proposed"]) if one["changes"] else "="


def _shown(facts: dict[str, Any]) -> Iterator[Block]:
    yield Table(
        (("recording", False), ("rows", True), ("a row\nms", True), ("repeated", True),
         ("same for\nms", True), ("least\nmm", True), ("greatest\nmm", True), ("nothing", True)),
        [
            (
                Path(one["file"]).name, str(one["rows"]), f"{one['row_ms']:.3g}",
                percent(one["repeated_share"]), f"{one['longest_repeat_ms']:.0f}", f"{one['least_mm']:.0f}",
                f"{one['greatest_mm']:.0f}",
                "-" if one["nothing"] is None else f"{one['nothing']:g}: {percent(one['nothing_share'])}",
            )
            for one in facts["recordings"]
        ],
        "Recordings: how often a reading repeats the last, and what it reads when it sees nothing",
    )  # fmt: skip
    curve = facts["curve"]
    for one in facts["recordings"]:
        known = curve if one["shows"] == "known heights" else None
        if one["plateaus"]:
            yield _plateaus(one, known)
    lines = [f"fastest movement: {facts['fastest_mm_per_ms']:.2f} mm/ms"]
    if facts["period_ms"] is not None:
        lines.append(f"the sensor's own period: {facts['period_ms']:.2f} ms")
    if facts["rest_height_mm"] is not None:
        lines.append(f"rest height: {facts['rest_height_mm']:.1f} mm")
    yield Bullets(lines, "Also measured")


def _plateaus(one: dict[str, Any], curve: dict[str, Any] | None) -> Table:
    columns = [("from s", True), ("to s", True), ("reading", True), ("height mm", True)]
    rows: list[Sequence[str]] = []
    for i, p in enumerate(one["plateaus"]):
        row = [f"{p['start_s']:.1f}", f"{p['stop_s']:.1f}", f"{p['reading']:.1f}", f"{p['height_mm']:.1f}"]
        if curve is not None:
            straight = curve.get("straight_left_mm", curve["left_mm"])
            row += [f"{curve['known_mm'][i]:.1f}", f"{curve['left_mm'][i]:+.1f}", f"{straight[i]:+.1f}"]
        rows.append(row)
    if curve is not None:
        columns += [("known mm", True), ("left mm", True), ("straight\nline mm", True)]
    return Table(
        columns, rows, f"Where the height stands in {Path(one['file']).name}", screen_rows=_SCREEN_PLATEAUS
    )  # fmt: skip
