"""The files of a document: its facts, its page and its pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bench.document.blocks import Document
from bench.facts import as_json


def write(folder: Path, facts: dict[str, Any], document: Document) -> None:
    """Write the facts, report.html and every picture into a folder."""
    from bench.document.html import write_page
    from bench.document.svg import picture

    (folder / document.summary).write_text(as_json(facts), encoding="utf-8")
    write_page(folder / "report.html", document)
    for one in document.pictures:
        text = picture(one.title, one.figures(), subtitle=one.subtitle)
        (folder / one.file).write_text(text, encoding="utf-8")
