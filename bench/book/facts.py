"""What the book says, as plain values: what --json prints."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bench.book import predictions
from bench.book.add import calibration_of
from bench.book.store import REPORT, Row
from bench.cautions import CAUTIONS
from bench.compare.changes import changes
from bench.errors import UserError
from bench.facts import head
from bench.vehicle.results import MARKS_FT

SUMMARY_VERSION = 1
_FIGURES = (
    "peak_lift_mm", "beyond_sensor", "flights", "in_air_s", "landing_m_per_s", "up_at_end", "torque_time_s",
    "interventions", "reasons", "log_agrees", "log_differs", "sensor", "loud",
)  # fmt: skip
_TOLD = 20  # changes of the calibration, the newest: ten thousand runs stay quick
_REST_MOVED_MM = 8.0
_NOISIER = 2.0


def make_facts(rows: Sequence[Row], words: Sequence[str], folder: str) -> dict[str, Any]:
    """The book as a table of runs. Keys stay; SUMMARY_VERSION grows when the meaning of one changes."""
    runs = runs_of(rows)
    changed = [i for i, run in enumerate(runs) if run["calibration_changed"]]
    for i in changed[-_TOLD:]:
        runs[i]["settings_changed"] = _settings_changed(rows[i - 1], rows[i])
    return {
        **head(SUMMARY_VERSION, words),
        "book": folder,
        "runs": runs,
        "best": _best(runs),
        "sensor": sensor_over_time(runs),
        "predictions": predictions.facts(rows),
        "damaged": [{"run": row.number, "why": row.damage} for row in rows if row.damage],
        "cautions": CAUTIONS,
    }


def runs_of(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """The runs alone."""
    return [_run(row, before) for row, before in zip(rows, [None, *rows], strict=False)]


def _run(row: Row, before: Row | None) -> dict[str, Any]:
    times = {feet: row.time_s(feet) for feet in MARKS_FT}
    slip = row.entry.get("slip", {})
    changed = bool(before and before.crc and row.crc and before.crc != row.crc)
    return {
        "run": row.number,
        "folder": row.folder.name,
        "report": f"{row.folder.name}/{REPORT}",
        "when": row.said("when"),
        "lane": row.said("lane"),
        "note": row.said("note"),
        "changed": row.said("changed"),
        "image_crc32": row.crc,
        "calibration_changed": changed,
        "settings_changed": None,  # where it was looked at: see make_facts
        **row.air,
        **{f"time_{feet}_ft_s": time for feet, (time, _) in times.items()},
        "by_slip": [feet for feet, (_, told) in times.items() if told],
        "reaction_s": slip.get("reaction_s"),
        "slip": slip,
        **{name: row.figures.get(name) for name in _FIGURES},
    }


def _settings_changed(before: Row, row: Row) -> list[dict[str, str]] | None:
    """Key, from and to of each setting that differs; None where a calibration cannot be read."""
    try:
        found = changes(calibration_of(before), calibration_of(row))
    except UserError:
        return None
    return [{"key": one.key, "from": one.text(one.a), "to": one.text(one.b)} for one in found]


def _best(runs: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """The run with the least time to the longest distance that most runs have."""
    for feet in reversed(MARKS_FT):
        timed = [run for run in runs if run[f"time_{feet}_ft_s"] is not None]
        if timed and 2 * len(timed) >= len(runs):
            best = min(timed, key=lambda run: run[f"time_{feet}_ft_s"])
            return {"run": best["run"], "feet": feet, "time_s": best[f"time_{feet}_ft_s"]}
    return None


def sensor_over_time(runs: Sequence[dict[str, Any]]) -> list[str]:
    """What the sensor does over time that it did not do at first, in words."""
    seen = [(run["run"], run["sensor"]) for run in runs if run["sensor"]]
    found = []
    noises = [(number, one["noise_mm"]) for number, one in seen if one.get("noise_mm")]
    if len(noises) >= 3:
        usual = sorted(noise for _, noise in noises)[len(noises) // 2]
        number, last = noises[-1]
        if last > max(_NOISIER * usual, usual + 0.5):
            found.append(
                f"the sensor of run {number} is noisier than usual: {last:.1f} mm (usual {usual:.1f})"
            )
    rests = [(number, one["rest_mm"]) for number, one in seen if one.get("rest_mm") is not None]
    if len(rests) >= 2 and abs(rests[-1][1] - rests[0][1]) > _REST_MOVED_MM:
        (first, was), (last_run, now) = rests[0], rests[-1]
        found.append(
            f"the rest height moved from {was:.0f} mm (run {first}) to {now:.0f} mm (run {last_run}): tyres,"
            " ride height or the sensor's mount"
        )
    if seen and seen[-1][1].get("dropouts"):
        number, one = seen[-1]
        found.append(f"the height was lost {one['dropouts']} times in run {number}, {one['lost_s']:.3f} s")
    return found
