"""What a replay found, as plain values: what --json prints and summary.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS
from bench.facts import head
from bench.replay import codes
from bench.replay.findings import Findings, Replay
from bench.replay.logged import Tolerance
from bench.replay.logged_agreement import logged_facts
from bench.replay.readiness import Remark
from bench.replay.torque import K_PER_DEG2
from controller.constants import IMAGE_VERSION

if TYPE_CHECKING:
    from bench.trace.model import Trace

SUMMARY_VERSION = 2  # 2: what stepped is the key core


def make_facts(
    trace: Trace,
    s: Replay,
    found: Findings,
    remarks: Sequence[Remark],
    command_line: Sequence[str],
    tolerance: Tolerance | None = None,
) -> dict[str, Any]:
    """Everything worth knowing about a replay, as plain values that JSON can hold. Keys stay; SUMMARY_VERSION
    grows when the meaning of one changes."""
    return {
        **head(SUMMARY_VERSION, command_line),
        "core": s.run.core,
        "trace": {
            "file": str(trace.path),
            "sha256": trace.digest,
            "form": trace.form,
            "rows": trace.rows,
            "rate_hz": round(trace.rate_hz, 6),
            "duration_s": round(trace.duration_s, 6),
        },
        "calibration": {
            "file": str(s.calibration.path),
            "sha256": s.calibration.digest,
            "image_version": IMAGE_VERSION,
            "image_crc32": f"{s.calibration.crc:08x}",
            "progress_unit": s.calibration.progress_unit,
            "warnings": list(s.calibration.warnings),
        },
        "ticks": {
            "count": s.run.n,
            "tick_us": s.inputs.tick_us,
            "start_s": round(s.inputs.start_s, 6),
            "put_before": s.inputs.lead,
        },
        "notes": [*trace.notes, *s.inputs.notes],
        **asdict(found),
        "logged": logged_facts(s, tolerance or Tolerance()),
        "look_at": [asdict(remark) for remark in remarks],
        "torque_law": f"fired share * (1 - {K_PER_DEG2:g} * retard_deg^2), an estimate",
        "legend": {
            "reasons": {str(number): name for number, name in codes.REASONS.items()},
            "askers": {str(bit): name for bit, name in codes.ASKERS.items()},
            "faults": {str(bit): f"{name}: {text}" for bit, (name, text) in codes.FAULTS.items()},
        },
        "cautions": CAUTIONS,
    }
