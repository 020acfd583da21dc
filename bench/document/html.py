"""A document as one HTML file that needs nothing else: style, scripts and data stand in it."""

from __future__ import annotations

import math
import re
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.document.blocks import (
    Bands,
    Cell,
    Document,
    Events,
    Map,
    Panel,
    Points,
    Strip,
    Table,
    WhatIf,
)
from bench.document.columns import Column, deflated, packed
from bench.page import built
from bench.trace.text import shown

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_HERE = Path(__file__).parent
_LONGEST = 2000  # letters of a text that are shown
_JOINT = re.compile(r"([._/])(?=[^\W\d_])")  # in a name, never in a number
_BREAK = re.compile(r"([-.])\n")  # in the title of a column
_HALF = 66  # letters that have room in half of a wide page


def write_page(path: Path, document: Document) -> None:
    """Write the page of a document into a new file."""
    path.write_text(render(document), encoding="utf-8")


def render(document: Document) -> str:
    """The text of a document's page."""
    sections = []
    for section in document.sections:
        blocks = [block for block in section.blocks if getattr(block, "where", "page") != "screen"]
        if section.where != "screen" and blocks:
            sections.append(replace(section, blocks=blocks))
    blocks = [block for section in sections for block in section.blocks]
    figures = [block for block in blocks if isinstance(block, Strip | Points)]
    maps = [block for block in blocks if isinstance(block, Map)]
    names = [figure.name for figure in (*figures, *maps)]
    if len(set(names)) < len(names):
        raise ValueError(f"two figures of one name: {names}")
    data: dict[str, str] = {}
    specs = [_strip(one, data) if isinstance(one, Strip) else asdict(one) for one in figures]
    specs += [{"kind": one.kind, "name": one.name, **one.way} for one in maps if one.way]
    runs = [_what_if(block, data) for block in blocks if isinstance(block, WhatIf)]
    return (
        _template()
        .get_template("page.html")
        .render(
            page=document,
            sections=sections,
            figures=[_safe(one) for one in (*specs, *runs)],
            runs=bool(runs),
            data=data,
            style=built("report.css").decode(),
            script=_script(),
            licences=built("report-licences.txt").decode(),
        )
    )


def _column(column: Column, key: str, data: dict[str, str]) -> dict[str, Any]:
    packed_column = packed(column.numbers)
    data[key] = packed_column.pop("data")
    words = {str(number): word for number, word in column.words.items()}
    return {
        **packed_column, "key": key, "per": column.per, "unit": column.unit, "decimals": column.decimals,
        "words": words,
    }  # fmt: skip


def _what_if(block: WhatIf, data: dict[str, str]) -> dict[str, Any]:
    key = f"{block.figure}-what-if"
    data["core"], data[f"{key}-images"] = deflated(block.core), deflated(block.images)
    columns = [_column(one, f"{key}-{number}", data) for number, one in enumerate(block.inputs)]
    made = {"kind": block.kind, "figure": block.figure, "core": "core", "images": f"{key}-images"}
    return {**block.spec, **made, "columns": columns}


def _strip(strip: Strip, data: dict[str, str]) -> dict[str, Any]:
    """A strip as the page's script reads it; its columns go into `data`."""

    def column(column: Column, key: str) -> dict[str, Any]:
        return _column(column, key, data)

    def panel(panel: Panel | Bands | Events, number: int) -> dict[str, Any]:
        if not isinstance(panel, Events):
            return _keyed(asdict(panel))
        found: dict[str, Any] = {
            "kind": panel.kind, "title": panel.title, "names": list(panel.names), "first": panel.first,
            "step": panel.step,
        }  # fmt: skip
        for part in ("tick", "place", "off"):
            found[part] = column(getattr(panel, part), f"{strip.name}-{number}-{part}")
        return found

    made = asdict(replace(strip, series={}, panels=[], places=[]))
    made["series"] = {
        name: {
            "first": series.first,
            "step": series.step,
            "along": series.along,
            "columns": {
                key: column(value, f"{strip.name}-{name}-{key}") for key, value in series.columns.items()
            },
        }
        for name, series in strip.series.items()
    }
    made["panels"] = [panel(one, number) for number, one in enumerate(strip.panels)]
    return made


def _safe(value: Any) -> Any:
    """The same with every text as `shown` gives it, since the script writes them as they are, and with null
    for what is not finite, which JSON has no word for."""
    if isinstance(value, str):
        return shown(value, _LONGEST)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _safe(one) for key, one in value.items()}
    return [_safe(one) for one in value] if isinstance(value, list | tuple) else value


def _keyed(panel: dict[str, Any]) -> dict[str, Any]:
    """Rows of bars with pairs for their dictionaries, since JSON's keys are texts and lose their order."""
    for row in panel.get("rows", ()):
        row["bars"] = list(row["bars"].items())
        row["words"] = list(row["words"].items())
    return panel


@cache
def _template() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.filters["cell"] = lambda cell: cell if isinstance(cell, Cell) else Cell(str(cell))
    made.filters["narrow"] = _narrow
    made.filters["flat"] = lambda title: _BREAK.sub(r"\1", title).replace("\n", " ")
    made.filters["capital"] = lambda name: name[:1].upper() + name[1:]
    # Control characters, and those that turn the direction of writing, are shown by their numbers.
    made.filters["shown"] = lambda text: shown(str(text), _LONGEST)
    made.filters["parts"] = lambda text: _parts(shown(str(text), _LONGEST))
    made.filters["lines"] = lambda text: "\n".join(shown(line, _LONGEST) for line in text.splitlines())
    return made


def _narrow(table: Table) -> bool:
    """Whether a table fits into half of a wide page with no name parted."""
    rows = [[title for title, _ in table.columns], *table.rows]
    texts = [[cell.text if isinstance(cell, Cell) else str(cell) for cell in row] for row in rows]
    return sum(max(map(len, column)) for column in zip(*texts, strict=True)) <= _HALF


def _parts(text: str) -> Markup:
    """A name as HTML that goes on in a new line after a dot, line or stroke in it rather than anywhere."""
    from markupsafe import Markup, escape

    return Markup(_JOINT.sub(r"\1<wbr>", str(escape(text))))


@cache
def _script() -> str:
    text = built("report.js").decode()
    assert "</script" not in text.lower()
    assert "<!--" not in text
    return text
