"""What a verify leaves for other programs: junit.xml, and the ticks around a difference as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bench.document.junit import Case
from bench.document.junit import junit as junit_of
from bench.link.protocol import OUTPUT
from bench.verify.facts import TraceResult, difference_text, stem


def write_tables(folder: Path, results: Sequence[TraceResult], made: dict[str, Any] | None = None) -> None:
    """All of them, into a folder; `made` as in bench.verify.facts."""
    (folder / "junit.xml").write_bytes(junit(results, made))
    for number, result in enumerate(results, 1):
        if result.context is not None:
            write_context(folder / f"{stem(number, results)}-difference.csv", result)


def junit(results: Sequence[TraceResult], made: dict[str, Any] | None = None) -> bytes:
    """The results as JUnit XML: one test case for each trace, and one for all changed images."""
    cases = [_case(result) for result in results]
    if made and made["images"]:
        wrong = made["wrong_images"]
        told = "; ".join(f"{one['what']}: {one['got']} instead of {one['expected']}" for one in wrong)
        failure = (f"{len(wrong)} wrong verdicts", told) if wrong else None
        cases.append(Case("changed images", 0.0, f"{made['images']} images", failure, None))
    return junit_of("liftlatch verify", cases)


def _case(result: TraceResult) -> Case:
    failure, error = None, None
    if result.verdict == "different":
        text = difference_text(result)
        failure = (text, f"{text}\nreplay id: {result.replay_id}")
    elif result.verdict == "link":
        error = str(result.tally.error)
    said = f"{result.tally.ticks} of {result.total} ticks equal"
    return Case(result.name, result.seconds, said, failure, error)


def write_context(path: Path, result: TraceResult) -> None:
    """A row for each tick around the first difference: inputs, then what was right and what was given."""
    context = result.context
    assert context is not None
    names = context.inputs.dtype.names or ()
    outputs = OUTPUT.names or ()
    header = ["tick", "time_s", *names]
    for name in outputs:
        header += [f"{name}_expected", f"{name}_got"]
    lines = [",".join(header)]
    for i in range(len(context.inputs)):
        tick = context.start + i
        row = [str(tick), f"{result.time_s(tick):.6f}", *(str(context.inputs[name][i]) for name in names)]
        for name in outputs:
            row += [str(context.expected[name][i]), str(context.got[name][i])]
        lines.append(",".join(row))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
