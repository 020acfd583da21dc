"""What a document says of several traces."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from bench.document.blocks import Bullets


def trace_notes(traces: Sequence[tuple[str, Sequence[str]]]) -> list[Bullets]:
    """What was understood of all of them, then of each what is its own; traces are (name, notes)."""
    (_, first), *others = traces
    common = [note for note in first if all(note in notes for _, notes in others)]
    blocks = [Bullets(common, "Understood and assumed")]
    for name, notes in traces:
        own = [note for note in notes if note not in common]
        if own:
            blocks.append(Bullets(own, f"Understood and assumed of {name}"))
    return blocks


def trace_hashes(traces: Iterable[dict[str, Any]]) -> Iterator[tuple[str, str]]:
    """Lines of the provenance: each trace's file, length and hash."""
    for trace in traces:
        yield "Trace", f"{trace['file']}, {trace['duration_s']:.3f} s"
        yield "Its SHA-256", trace["sha256"]
