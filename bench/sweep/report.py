"""What a sweep found, as plain values: summary.json, the rows of sweep.csv, and what is printed and drawn."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS, OPEN_LOOP
from bench.facts import as_json, head
from bench.sweep.measure import Measures
from bench.sweep.study import Recording
from bench.sweep.vary import Setting, Varied

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

SUMMARY_VERSION = 1


@dataclass(frozen=True)
class Column:
    """One figure of a sweep: its key in the summary, its name in words, its unit, how it is printed, and the
    unit's size in that of the summary."""

    key: str
    words: str
    unit: str
    form: str
    scale: float = 1

    def text(self, row: dict[str, Any]) -> str:
        """The figure of a row as printed; "-" where there is none."""
        value = row[self.key]
        return "-" if value is None else format(value * self.scale, self.form)


COLUMNS = (
    Column("peak_reduction_permille", "peak reduction", "%", ".1f", 0.1),
    Column("full_cut_s", "torque-time taken", "s", ".3f"),
    Column("second_interventions", "second interventions", "", "d"),
    Column("out_of_sight_s", "out of sight", "s", ".3f"),
    Column("command_changes", "changes of the command", "", "d"),
)


@dataclass(frozen=True)
class Sweep:
    """A sweep with its results by setting and recording. `where` says what stepped it."""

    calibration: CalibrationFile
    varied: Sequence[Varied]
    settings: Sequence[Setting]
    recordings: Sequence[Recording]
    measures: Sequence[Sequence[Measures]]
    engine: str
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


def evenly(count: int, room: int) -> list[int]:
    """At most `room` (two or more) of the numbers below `count`, the first and the last among them."""
    if count <= room:
        return list(range(count))
    return [round(i * (count - 1) / (room - 1)) for i in range(room)]


def summary(sweep: Sweep, command_line: Sequence[str]) -> dict[str, Any]:
    """Everything worth knowing about a sweep, as plain values that JSON can hold. Keys stay; SUMMARY_VERSION
    grows when the meaning of one changes."""
    base = sweep.calibration
    return {
        **head(SUMMARY_VERSION, command_line),
        "engine": sweep.engine,
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
                "image_crc32": f"{setting.calibration.crc:08x}",
                "as_in_file": setting.calibration.image == base.image,
                "over_all": figures(row, setting.calibration.tick_us),
                "traces": [figures([one], setting.calibration.tick_us) for one in row],
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
        for text in dict.fromkeys(setting.calibration.warnings):
            found.setdefault(text, []).append(number)
    return [{"text": text, "settings": numbers} for text, numbers in found.items()]


def as_csv(facts: dict[str, Any]) -> str:
    """The text of sweep.csv: a row for each setting and trace."""
    keys = [one["key"] for one in facts["vary"]]
    names = list(facts["settings"][0]["traces"][0])
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*keys, "trace", *names])
    for setting in facts["settings"]:
        for trace, row in zip(facts["traces"], setting["traces"], strict=True):
            values = [_cell(setting["values"][key]) for key in keys]
            writer.writerow([*values, trace["file"], *(_cell(row[name]) for name in names)])
    return stream.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def write_all(folder: Any, facts: dict[str, Any], sweep: Sweep, draw: Callable[[Any], None]) -> None:
    """report.html, sweep.csv, summary.json and sweep.png, into an empty folder."""
    from bench.sweep import page

    (folder / "summary.json").write_text(as_json(facts), encoding="utf-8")
    (folder / "sweep.csv").write_text(as_csv(facts), encoding="utf-8")
    page.write(folder / "report.html", facts, sweep)
    draw(folder / "sweep.png")
