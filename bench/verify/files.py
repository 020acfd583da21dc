"""What a verify leaves for other programs: junit.xml, and the ticks around a difference as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as xml

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
    images = made["images"] if made else 0
    wrong = made["wrong_images"] if made else []
    suite = xml.Element(
        "testsuite",
        name="liftlatch verify",
        tests=str(len(results) + (1 if images else 0)),
        failures=str(sum(r.verdict == "different" for r in results) + (1 if wrong else 0)),
        errors=str(sum(r.verdict == "link" for r in results)),
        time=f"{sum(r.seconds for r in results):.3f}",
    )
    for result in results:
        case = xml.SubElement(
            suite, "testcase", classname="liftlatch.verify", name=result.name, time=f"{result.seconds:.3f}"
        )
        if result.verdict == "different":
            text = difference_text(result)
            xml.SubElement(case, "failure", message=text).text = f"{text}\nreplay id: {result.replay_id}"
        elif result.verdict == "link":
            xml.SubElement(case, "error", message=str(result.tally.error))
        xml.SubElement(case, "system-out").text = f"{result.tally.ticks} of {result.total} ticks equal"
    if images:
        case = xml.SubElement(suite, "testcase", classname="liftlatch.verify", name="changed images")
        if wrong:
            told = "; ".join(f"{one['what']}: {one['got']} instead of {one['expected']}" for one in wrong)
            xml.SubElement(case, "failure", message=f"{len(wrong)} wrong verdicts").text = told
    return b'<?xml version="1.0" encoding="utf-8"?>\n' + xml.tostring(suite) + b"\n"


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
