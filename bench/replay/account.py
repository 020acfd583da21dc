"""All that a replay says: what was found, what is to be said of it, and the document of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.document.blocks import Document
from bench.replay.document import make_document
from bench.replay.facts import make_facts
from bench.replay.findings import Findings, Replay, find
from bench.replay.logged import Tolerance
from bench.replay.readiness import Remark
from bench.replay.remarks import make_remarks

if TYPE_CHECKING:
    from bench.trace.model import Trace


@dataclass(frozen=True)
class Account:
    """What came of a replay; `facts` are those of bench.replay.facts."""

    found: Findings
    remarks: list[Remark]
    facts: dict[str, Any]
    document: Document


def account(trace: Trace, s: Replay, words: Sequence[str], tolerance: Tolerance | None = None) -> Account:
    """Of a replay of a trace; `words` are those of the command line."""
    found = find(s)
    remarks = make_remarks(s, found)
    facts = make_facts(trace, s, found, remarks, words, tolerance)
    return Account(found, remarks, facts, make_document(facts, s, found))
