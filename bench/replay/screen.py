"""The summary of a replay as a person reads it in a terminal, 80 columns wide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS
from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.replay.files import MOST_PICTURES
from bench.replay.names import ENGINES
from bench.trace.text import plural, shown_path

if TYPE_CHECKING:
    from rich.console import Console

_ROWS = 12
_SPANS = 4


def show(facts: dict[str, Any], out: Path | None) -> None:
    """Print the facts of bench.replay.files.summary."""
    console = make_console()
    _head(console, facts)
    for look in facts["look_at"]:
        if look["code"] == "fault_at_launch":
            print_text(console, look["text"], style="bold red")
    _launches(console, facts)
    _lifts(console, facts)
    _interventions(console, facts)
    _why(console, facts)
    _events(console, facts)
    _faults(console, facts)
    print_list(console, "Worth a look", [look["text"] for look in facts["look_at"]])
    print_list(console, "Warnings about the calibration", facts["calibration"]["warnings"])
    print_list(console, "Understood and assumed", facts["notes"])
    console.print()
    if out is not None:
        launches = len(facts["launches"])
        more = f" and {min(launches, MOST_PICTURES) - 1} more" if launches > 1 else ""
        if launches > MOST_PICTURES:
            more += f" (of the first {MOST_PICTURES} launches; the page has all)"
        files = f"the page report.html, the picture run.png{more}, ticks.csv, events.csv, summary.json"
        print_text(console, f"Written to {shown_path(out)}: {files}")
        console.print()
    print_text(console, CAUTIONS)


def _head(console: Console, facts: dict[str, Any]) -> None:
    trace, calibration, ticks = facts["trace"], facts["calibration"], facts["ticks"]
    engine = ENGINES[facts["engine"]]
    lines = [
        ("trace", f"{shown_path(trace['file'])}: {trace['duration_s']:.3f} s, {trace['rate_hz']:.4g} rows/s"),
        ("calibration", f"{shown_path(calibration['file'])}: image CRC-32 {calibration['image_crc32']}"),
        ("stepped", f"{ticks['count']} ticks of {ticks['tick_us'] / 1000:g} ms by {engine}"),
    ]
    print_head(console, lines)


def _launches(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("launch", True), ("trace s", True), ("run s", True), ("rest mm", True), ("greatest lift", True),
        ("reduction", True), ("torque-time taken", True),
    )  # fmt: skip
    for launch in facts["launches"][:_ROWS]:
        table.add_row(
            str(launch["number"]),
            f"{launch['time_s']:.3f}",
            f"{launch['run_s']:.3f}",
            f"{launch['rest_mm']:.1f}",
            f"{launch['greatest_lift_mm']:.0f} mm",
            f"{launch['greatest_reduction_permille'] / 10:.1f} %",
            f"{launch['full_cut_s']:.3f} s = {100 * launch['share_taken']:.1f} %",
        )
    count = len(facts["launches"])
    title = plural(count, "launch").replace("launchs", "launches") if count else "No launch found"
    print_table(console, title, table, count - _ROWS)
    if count:
        print_text(
            console,
            "Torque-time taken: the reduction added up over the run, in seconds of no torque at all, and as a"
            " share of the run (launch to disarm or end of the trace).",
            style="dim",
        )


def _run(item: dict[str, Any]) -> str:
    return "-" if item["launch"] is None else str(item["launch"])


def _lifts(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("run", True), ("start s", True), ("in air s", True), ("peak lift", True), ("peak height", True),
        ("at s", True),
    )  # fmt: skip
    for lift in facts["lifts"][:_ROWS]:
        over = "over " if lift["beyond"] else ""
        table.add_row(
            _run(lift),
            f"{lift['since_launch_s']:.3f}",
            f"{lift['in_air_s']:.3f}{'?' if lift['unknown_s'] else ''}{'+' if lift['open_end'] else ''}",
            f"{over}{lift['peak_lift_mm']:.0f} mm",
            f"{over}{lift['peak_height_mm']:.0f} mm",
            f"{lift['peak_since_launch_s']:.3f}",
        )
    count = len(facts["lifts"])
    what = plural(count, "lift") if count else "No lift"
    title = f"{what} above {facts['lift_threshold_mm']:g} mm (seconds since launch)"
    print_table(console, title, table, count - _ROWS)
    text = f"A lift ends below {facts['lift_ends_below_mm']:g} mm. Threshold: {facts['lift_threshold_from']}."
    if any(lift["unknown_s"] for lift in facts["lifts"]):
        text += "\n? The height was not believed for part of the time, so the nose may have landed earlier."
    print_text(console, text, style="dim")


def _interventions(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("run", True), ("start s", True), ("lasted", True), ("reduction", True), ("retard", True),
        ("at peak", True), ("hold", True), ("release", True), ("reason", False),
    )  # fmt: skip
    for item in facts["interventions"][:_ROWS]:
        hold = f"{item['hold_s']:.3f}" if item["hold_s"] else "-"
        table.add_row(
            _run(item),
            f"{item['since_launch_s']:.3f}",
            f"{item['duration_s']:.3f}{'+' if item['open_end'] else ''}",
            f"{item['peak_reduction_permille'] / 10:.1f} %",
            f"{item['peak_retard_ddeg'] / 10:.1f}°",
            f"{item['at_peak_s']:.3f}",
            hold,
            f"{item['release_s']:.3f}",
            item["reason"],
        )
    count = len(facts["interventions"])
    what = plural(count, "intervention") if count else "No intervention"
    print_table(console, f"{what} (seconds since launch)", table, count - _ROWS)
    if any(item["open_end"] for item in facts["interventions"] + facts["lifts"]):
        print_text(console, "+ still on when the trace ends", style="dim")


def _why(console: Console, facts: dict[str, Any]) -> None:
    torque = facts["torque"]
    if not facts["reasons"] and not facts["askers"]:
        return
    lines = []
    if facts["reasons"]:
        first, *others = facts["reasons"]
        text = f"{100 * first['share']:.0f} % of the reduction time was {first['name']}"
        lines.append(text + "".join(f", {100 * r['share']:.0f} % {r['name']}" for r in others) + ".")
    asked = ", ".join(f"{asker['name']} {asker['asked_s']:.3f} s" for asker in facts["askers"])
    lines.append(f"Asked for a reduction or a retard: {asked}.")
    lines.append(
        f"The command changed {plural(facts['command_changes'], 'time')} and changed direction"
        f" {plural(facts['command_reversals'], 'time')}."
    )
    if torque["estimated_share_left"] is not None:
        source = "skipped events and retard" if torque["estimate_from"] == "events" else "command, no events"
        left = 100 * torque["estimated_share_left"]
        lines.append(f"Torque left over the runs, an estimate: {left:.1f} % ({source}).")
    console.print()
    console.print("Why it cut", style="bold")
    for line in lines:
        print_text(console, line)


def _events(console: Console, facts: dict[str, Any]) -> None:
    events = facts["events"]
    if not events["count"]:
        return
    share = 100 * events["skipped"] / events["count"]
    console.print()
    title = f"Cylinder events of the runs: {events['count']}, skipped {events['skipped']} ({share:.1f} %)"
    print_text(console, title, style="bold")
    table = make_table(("cylinder", False), *((str(c["cylinder"]), True) for c in events["cylinders"]))
    table.add_row("skipped %", *(f"{100 * (c['share'] or 0):.1f}" for c in events["cylinders"]))
    console.print(table)


def _faults(console: Console, facts: dict[str, Any]) -> None:
    by_speed = facts["calibration"]["progress_unit"] == "km/h"
    faults = [f for f in facts["faults"] if f["in_runs_s"] and (by_speed or f["name"] != "speed")]
    if not faults:
        console.print()
        console.print("No fault in the runs", style="bold")
        return
    table = make_table(
        ("fault", False), ("times", True), ("in runs s", True), ("first at s since launch", False)
    )  # fmt: skip
    for fault in faults:
        spans = [span for span in fault["first"] if span["launch"] is not None]
        first = ", ".join(f"{span['since_launch_s']:.3f}" for span in spans[:_SPANS])
        more = " ..." if len(spans) > _SPANS else ""
        table.add_row(fault["text"], str(fault["times"]), f"{fault['in_runs_s']:.3f}", first + more)
    print_table(console, "Faults in the runs", table)
