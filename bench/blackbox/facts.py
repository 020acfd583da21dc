"""What a black-box verify found, as plain values: what --json prints and verify.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.blackbox.judge import cuts
from bench.blackbox.run import Result, excursion_text
from bench.cautions import CAUTIONS
from bench.document.junit import Case
from bench.document.junit import junit as junit_of
from bench.facts import head

if TYPE_CHECKING:
    from bench.blackbox.unit import Limits
    from bench.calibration import CalibrationFile
    from bench.link.protocol import Greeting

SUMMARY_VERSION = 1

NOT_SEEN = (
    "states, fault bits, reasons and heights, which no wire carries",
    "what changes a command by less than the noise of its sensor does, or for less than some cylinder events:"
    " one tick of 1 ms is half an event",
    "the number of a tick, and inputs that no converter, pulse or message can give",
    "what these runs do not bring about",
)
"""What a black box cannot tell, in words."""


def make_facts(
    results: Sequence[Result],
    greeting: Greeting,
    port: str,
    limits: Limits,
    seed: int,
    calibration: CalibrationFile,
) -> dict[str, Any]:
    """The whole result as plain values for JSON. Keys stay; SUMMARY_VERSION grows when the meaning of one
    changes."""
    verdicts = [result.verdict for result in results]
    worst = next((verdict for verdict in ("different", "link") if verdict in verdicts), "equal")
    return {
        **head(SUMMARY_VERSION),
        "verdict": worst,
        "black_box": True,
        "box": {"firmware": greeting.firmware, "largest_frame": greeting.largest, "port": port},
        "within": asdict(limits),
        "seed": seed,
        "calibration": str(calibration.path),
        "calibration_sha256": calibration.digest,
        "image_crc32": f"{calibration.crc:08x}",
        "runs": [_run_facts(result) for result in results],
        "not_seen": list(NOT_SEEN),
        "cautions": CAUTIONS,
    }


def _run_facts(result: Result) -> dict[str, Any]:
    subject, judged = result.subject, result.judged
    found = list(judged.found) if judged else []
    return {
        "name": subject.name,
        "file": subject.path,
        "sha256": subject.digest,
        "verdict": result.verdict,
        "seconds": round(result.seconds, 3),
        "crank_events": len(subject.played.crank),
        "skipped": result.skips,
        "members": judged.envelope.members if judged else 0,
        "cuts": _cuts(result),
        "error": str(result.error) if result.error else None,
        "excursions": [
            {
                "what": one.channel.name,
                "unit": one.channel.unit,
                "crank_event": one.event,
                "cylinder": int(subject.played.cylinder[one.event]),
                "time_s": round(result.time_s(one.event), 6),
                "value": one.value,
                "limit": one.limit,
                "beyond": abs(one.value - one.limit),
                "text": excursion_text(result, one),
            }
            for one in found
        ],
    }


def _cuts(result: Result) -> list[dict[str, Any]]:
    """Begin and length of each cut, and of those of the ensemble where they are as many."""
    if result.edges is None or result.judged is None:
        return []
    played, envelope = result.subject.played, result.judged.envelope
    _, mine = cuts(played, result.edges)
    known = envelope.cuts is not None and len(envelope.cuts[0]) == len(mine)
    rows = []
    for i, (begin_ms, lasts_ms) in enumerate(mine.tolist()):
        own = envelope.cuts if known else None
        start = result.subject.start_s - played.before * played.tick_us / 1e6
        rows.append({
            "begin_s": round(start + begin_ms / 1e3, 6),
            "lasts_ms": round(lasts_ms, 3),
            "reference_begin_s": [round(start + float(side[i, 0]) / 1e3, 6) for side in own] if own else None,
            "reference_lasts_ms": [round(float(side[i, 1]), 3) for side in own] if own else None,
        })  # fmt: skip
    return rows


def write_junit(path: Path, results: Sequence[Result]) -> None:
    """The results as JUnit XML: one test case for each run."""
    cases = []
    for result in results:
        found = result.judged.found if result.judged else []
        texts = [excursion_text(result, one) for one in found]
        failure = (texts[0], "\n".join(texts)) if texts else None
        said = f"{len(result.subject.played.crank)} crank events, {result.skips} skipped"
        error = str(result.error) if result.error else None
        cases.append(Case(result.subject.name, result.seconds, said, failure, error))
    path.write_bytes(junit_of("liftlatch verify", cases))
