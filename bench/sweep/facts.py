"""What a sweep found, as plain values: what --json prints and summary.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS, OPEN_LOOP
from bench.facts import head
from bench.sweep.measure import Measures
from bench.sweep.study import Recording, Told
from bench.sweep.vary import Varied

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 2  # 2: what stepped is the key core


@dataclass(frozen=True)
class Sweep:
    """A sweep with its results by setting and recording. `where` says what stepped it."""

    calibration: CalibrationFile
    varied: Sequence[Varied]
    settings: Sequence[Told]
    recordings: Sequence[Recording]
    measures: Sequence[Sequence[Measures]]
    core: str
    where: str


def figures(measures: Sequence[Measures], tick_us: int) -> dict[str, Any]:
    """The figures of one calibration over one or more traces: the peak is the greatest, the rest is added
    up."""
    total = {f.name: sum(getattr(one, f.name) for one in measures) for f in fields(Measures)}
    tick_s = tick_us / 1e6
    run, taken = total["run_ticks"], total["taken"]
    return {
        "launches": total["launches"],
        "run_s": round(run * tick_s, 6),
        "peak_reduction_permille": max(one.peak_permille for one in measures),
        "full_cut_s": round(taken * tick_s / 1000, 6),
        "share_taken": round(taken / 1000 / run, 6) if run else None,
        "interventions": total["interventions"],
        "second_interventions": total["second_interventions"],
        "out_of_sight_s": round(total["out_of_sight_ticks"] * tick_s, 6),
        "command_changes": total["changes"],
    }


def make_facts(sweep: Sweep, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a sweep, as plain values that JSON can hold. Keys stay; SUMMARY_VERSION
    grows when the meaning of one changes."""
    base = sweep.calibration
    return {
        **head(SUMMARY_VERSION, command_line),
        "core": sweep.core,
        "stepped_by": sweep.where,
        "calibration": {
            "file": str(base.path),
            "sha256": base.digest,
            "image_crc32": f"{base.crc:08x}",
        },
        "vary": [
            {"key": one.key, "values": list(one.values), "in_file": one.in_file} for one in sweep.varied
        ],
        "traces": [
            {
                "file": str(one.path),
                "sha256": one.digest,
                "duration_s": round(one.duration_s, 6),
                "notes": one.notes,
            }
            for one in sweep.recordings
        ],
        "settings": [
            {
                "values": dict(zip((one.key for one in sweep.varied), setting.values, strict=True)),
                "image_crc32": f"{setting.crc:08x}",
                "as_in_file": setting.image == base.image,
                "over_all": figures(row, setting.tick_us),
                "traces": [figures([one], setting.tick_us) for one in row],
            }
            for setting, row in zip(sweep.settings, sweep.measures, strict=True)
        ],
        "warnings": _warnings(sweep),
        "open_loop": OPEN_LOOP,
        "cautions": CAUTIONS,
    }


def _warnings(sweep: Sweep) -> list[dict[str, Any]]:
    """What looks wrong, and with which settings (numbers in the list of settings)."""
    found: dict[str, list[int]] = {}
    for number, setting in enumerate(sweep.settings):
        for text in dict.fromkeys(setting.warnings):
            found.setdefault(text, []).append(number)
    return [{"text": text, "settings": numbers} for text, numbers in found.items()]
