"""The sheet of a stand test: each step, what would be right and what was seen, and the nose over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.document.blocks import (
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
    Subject,
    Table,
)
from bench.document.calibration import calibration_section
from bench.document.columns import Column
from bench.document.provenance import provenance
from bench.stand.facts import failures
from bench.stand.run import Result
from bench.trace.text import plural
from bench.verify.facts import UNITS

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_CAREFUL = (
    "A passed stand test says that this device did on stands what this calibration says. It says nothing of a"
    " launch: neither that the ceilings are right for this car, nor that the sensor is well on the strip."
)


def make_document(facts: dict[str, Any], results: Sequence[Result], calibration: CalibrationFile) -> Document:
    """The document of a stand test; `facts` are those of bench.stand.facts."""
    figure = _strip(facts, results)
    failed = [one for one in facts["steps"] if one["verdict"] == "failed"]
    title = f"Stand test of {facts['device']['firmware']}"
    return Document(
        what="stand",
        title=title,
        subjects=[
            Subject("device", facts["device"]["firmware"]),
            Subject("calibration", f"image {facts['calibration']['image_crc32']}", str(calibration.path)),
        ],
        alarm=[f"{one['title']}: {line}" for one in failed for line in failures(one)],
        answer=list(_answer(facts)),
        sections=[
            Section("The steps", [_steps(facts), _findings(facts), *_on_screen(facts)]),
            Section(figure.title, [figure]),
            calibration_section(calibration),
        ],
        cautions=[facts["cautions"]],
        provenance=[
            *provenance(facts),
            ("Device", facts["device"]["firmware"]),
            ("Its port", str(facts["how"]["port"])),
            ("The nose", facts["how"]["nose"]),
            ("SHA-256 of the calibration", facts["calibration"]["sha256"]),
        ],
        pictures=[Picture("stand.svg", title, _answer_line(facts), partial(list, [figure]))],
        files=["junit.xml"],
        summary="stand.json",
    )  # fmt: skip


def _answer_line(facts: dict[str, Any]) -> str:
    many = len(facts["steps"])
    if facts["verdict"] == "passed":
        return f"Passed: all {plural(many, 'step')}."
    good = many - len(facts["failed"])
    return f"FAILED: {', '.join(facts['failed'])}; {good} of {plural(many, 'step')} passed."


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    yield _answer_line(facts)
    yield _CAREFUL
    if facts["how"]["nose"] == "lifted by hand":
        yield "Not looked at: events over the cylinders, which a stream does not tell."


def _steps(facts: dict[str, Any]) -> Table:
    rows = []
    for one in facts["steps"]:
        begin, end = one["start_s"], one["start_s"] + one["ticks"] * facts["tick_us"] / 1e6
        jump = Jump("nose", begin, end, begin)
        good = one["verdict"] == "passed"
        rows.append([one["title"], Cell(one["verdict"], "good" if good else "bad", jump), one["tells"]])
    return Table(
        (("step", False), ("verdict", False), ("what was done", False)), rows, "All steps", where="page"
    )


def _findings(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = []
    for step in facts["steps"]:
        rows.append([Cell(f"{step['title']}: {step['verdict']}", "strong"), "", "", ""])
        for one in step["findings"]:
            jump = None
            if one["at_s"] is not None:
                jump = Jump("nose", one["at_s"] - 0.5, one["at_s"] + 0.5, one["at_s"])
            verdict = Cell("yes", "good") if one["passed"] else Cell("NO", "bad", jump)
            rows.append([one["what"], one["right"], one["seen"], verdict])
    columns = (("what", False), ("would be right", False), ("seen", False), ("right?", False))
    return Table(columns, rows, "What was looked at", where="page")


def _on_screen(facts: dict[str, Any]) -> Iterator[Bullets]:
    """The same in lines, which a terminal has more room for."""
    for step in facts["steps"]:
        lines = [
            f"{one['what']}: {one['seen']}" + ("" if one["passed"] else f" INSTEAD OF {one['right']}")
            for one in step["findings"]
        ]
        yield Bullets(lines, f"{step['title']}: {step['verdict']}", where="screen")


def _strip(facts: dict[str, Any], results: Sequence[Result]) -> Strip:
    own = [result for result in results if result.step.script is not None]
    outputs = np.concatenate([result.seen.outputs for result in own])
    columns = {}
    for name in ("lift", "entry", "demand", "latched", "reduction", "retard"):
        per, decimals, unit = UNITS[name]
        columns[name] = Column(outputs[name].astype(np.int32), per, unit, decimals)
    step_s = facts["tick_us"] / 1e6
    panels = [
        Panel(
            "Lift", "mm",
            [Line("lift", "lift"), Line("as the maps are entered", "entry", "limit-dashed")], height=200,
        ),
        Panel(
            "Reduction", "%",
            [
                Line("asked for", "demand", "pale", stepped=True),
                Line("latched", "latched", "limit-dashed", stepped=True),
                Line("command", "reduction", "main", stepped=True),
            ],
            height=180, bottom=0.0, least_top=10.0,
        ),
        Panel("Retard", "°", [Line("command", "retard", "main", stepped=True)], height=100, bottom=0.0),
    ]  # fmt: skip
    places = [
        Place(
            one["title"], one["verdict"],
            Jump("nose", one["start_s"], one["start_s"] + one["ticks"] * step_s, one["start_s"]),
            "mark" if one["verdict"] == "passed" else "fault",
        )
        for one, result in zip(facts["steps"], results, strict=True)
        if result.step.script is not None
    ]  # fmt: skip
    return Strip(
        "nose", "The nose and what was taken", {"run": Series(columns, step=step_s)}, panels,
        (0.0, len(outputs) * step_s), places=places,
    )  # fmt: skip
