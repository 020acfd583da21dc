"""What a stand test found, as plain values: what --json prints and stand.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS
from bench.facts import head
from bench.stand.run import Result

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.link.protocol import Greeting

SUMMARY_VERSION = 1


def make_facts(
    results: Sequence[Result], calibration: CalibrationFile, greeting: Greeting, how: dict[str, Any]
) -> dict[str, Any]:
    """The whole sheet; `how` says port, who moved the nose, and seconds."""
    return {
        **head(SUMMARY_VERSION),
        "verdict": "passed" if all(result.passed for result in results) else "failed",
        "failed": [result.step.name for result in results if not result.passed],
        "device": {"firmware": greeting.firmware, "image_version": greeting.image_version},
        "how": how,
        "calibration": {
            "file": str(calibration.path),
            "sha256": calibration.digest,
            "image_crc32": f"{calibration.crc:08x}",
        },
        "tick_us": calibration.tick_us,
        "steps": [_step(result, calibration.tick_us) for result in results],
        "cautions": CAUTIONS,
    }


def _step(result: Result, tick_us: int) -> dict[str, Any]:
    return {
        "name": result.step.name,
        "title": result.step.title,
        "tells": result.step.tells,
        "verdict": "passed" if result.passed else "failed",
        "start_s": result.start * tick_us / 1e6,
        "ticks": result.seen.n,
        "findings": [
            {**asdict(one), "at_s": None if one.tick is None else (result.start + one.tick) * tick_us / 1e6}
            for one in result.findings
        ],
    }


def failures(step: dict[str, Any]) -> list[str]:
    """What is wrong with a step of the facts, a line each."""
    lines = []
    for one in step["findings"]:
        if not one["passed"]:
            at = "" if one["at_s"] is None else f", at {one['at_s']:.3f} s"
            lines.append(f"{one['what']}: {one['seen']} instead of {one['right']}{at}")
    return lines
