"""A sweep as a person reads it in a terminal, 80 columns wide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.replay.codes import ENGINES
from bench.sweep.report import COLUMNS, evenly
from bench.sweep.vary import written
from bench.trace.text import plural, shown, shown_path

if TYPE_CHECKING:
    from rich.console import Console

_ROWS = 64
_TRACE = 26


def show(facts: dict[str, Any], out: Path | None) -> None:
    """Print the facts of bench.sweep.report.summary."""
    console = make_console()
    _head(console, facts)
    _settings(console, facts)
    if len(facts["traces"]) > 1:
        _traces(console, facts)
    _warnings(console, facts)
    _notes(console, facts)
    console.print()
    if out is not None:
        files = "the page report.html, the picture sweep.png, sweep.csv, summary.json"
        print_text(console, f"Written to {shown_path(out)}: {files}")
        console.print()
    print_text(console, facts["open_loop"])
    print_text(console, facts["cautions"])


def _head(console: Console, facts: dict[str, Any]) -> None:
    calibration, traces = facts["calibration"], facts["traces"]
    seconds = sum(trace["duration_s"] for trace in traces)
    runs = len(facts["settings"]) * len(traces)
    lines = [
        ("traces", f"{len(traces)}, {seconds:.3f} s in all"),
        ("calibration", f"{shown_path(calibration['file'])}: image CRC-32 {calibration['image_crc32']}"),
        *(("varied" if i == 0 else "", _varied(one)) for i, one in enumerate(facts["vary"])),
        ("stepped", f"{plural(runs, 'run')} by {ENGINES[facts['engine']]} on {facts['stepped_by']}"),
    ]
    print_head(console, lines)


def _varied(one: dict[str, Any]) -> str:
    values = [written(value) for value in one["values"]]
    span = f"{values[0]} to {values[-1]}" if len(values) > 5 else ", ".join(values)
    there = one["in_file"]
    file = "not in the file" if there is None else f"file: {shown(written(there), 20)}"
    return f"{one['key']}: {plural(len(values), 'value')}, {span} ({file})"


def _settings(console: Console, facts: dict[str, Any]) -> None:
    rows = _shown_settings(facts)
    keys = [(" ".join(one["key"].split(".")[-1].split("_")), True) for one in facts["vary"]]
    table = make_table(
        ("", False), *keys, ("peak %", True), ("torque-\ntime s", True), ("taken %", True), ("second", True),
        ("out of\nsight s", True), ("changes", True),
    )  # fmt: skip
    for setting in rows:
        row = setting["over_all"]
        peak, taken, second, out, changes = (column.text(row) for column in COLUMNS)
        share = row["share_taken"]
        table.add_row(
            "*" if setting["as_in_file"] else "",
            *(shown(written(value), 20) for value in setting["values"].values()),
            peak, taken, "-" if share is None else f"{100 * share:.1f}", second, out, changes,
        )  # fmt: skip
    count = len(facts["traces"])
    title = f"Over all {count} traces: the greatest peak, the rest added up" if count > 1 else "Each setting"
    print_table(console, title, table)
    left_out = len(facts["settings"]) - len(rows)
    if left_out:
        print_text(console, f"{left_out} settings between these are in sweep.csv (--out) and --json")
    lines = [
        "Torque-time: the reduction added up over the runs, in seconds of no torque;",
        "taken: its share of the runs. Second: interventions after the first of a run.",
    ]
    if any(setting["as_in_file"] for setting in rows):
        lines.insert(0, "* as in the file")
    for line in lines:
        print_text(console, line, style="dim")
    _least(console, facts)


def _shown_settings(facts: dict[str, Any]) -> list[dict[str, Any]]:
    """The settings that are printed: all, or of the longest list of values so many, evenly chosen."""
    settings: list[dict[str, Any]] = facts["settings"]
    longest = max(facts["vary"], key=lambda one: len(one["values"]))
    values = longest["values"]
    room = max(2, _ROWS * len(values) // len(settings))
    kept = [values[i] for i in evenly(len(values), room)]
    return [setting for setting in settings if setting["values"][longest["key"]] in kept]


def _least(console: Console, facts: dict[str, Any]) -> None:
    """Where the settings differ in second interventions: the cheapest of those with the fewest."""
    rows = [setting["over_all"] for setting in facts["settings"]]
    seconds = [row["second_interventions"] for row in rows]
    fewest = min(seconds)
    if fewest == max(seconds):
        return
    best = min(
        (setting for setting, second in zip(facts["settings"], seconds, strict=True) if second == fewest),
        key=lambda setting: setting["over_all"]["full_cut_s"],
    )
    taken = f"{best['over_all']['full_cut_s']:.3f} s"
    text = f"Fewest second interventions ({fewest}) with the least torque-time ({taken}): {_setting(best)}"
    console.print()
    print_text(console, text)


def _setting(setting: dict[str, Any]) -> str:
    return ", ".join(f"{key} = {shown(written(value), 20)}" for key, value in setting["values"].items())


def _traces(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("trace", False), ("launches", True), ("peak %", True), ("torque-\ntime s", True), ("second", True),
        ("out of\nsight s", True), ("changes", True),
    )  # fmt: skip
    for number, trace in enumerate(facts["traces"]):
        rows = [setting["traces"][number] for setting in facts["settings"]]
        cells = []
        for column in COLUMNS:
            texts = [column.text(row) for row in sorted(rows, key=lambda row: row[column.key])]
            cells.append(texts[0] if texts[0] == texts[-1] else f"{texts[0]}–{texts[-1]}")
        table.add_row(shown_path(Path(trace["file"]).name, _TRACE), str(rows[0]["launches"]), *cells)
    print_table(console, "Each trace, from the least to the greatest over the settings", table)


def _warnings(console: Console, facts: dict[str, Any]) -> None:
    count = len(facts["settings"])
    lines = []
    for warning in facts["warnings"]:
        which = warning["settings"]
        if len(which) < count:
            first = _setting(facts["settings"][which[0]])
            lines.append(f"{warning['text']} (in {len(which)} of the settings, first {first})")
        else:
            lines.append(warning["text"])
    print_list(console, "Warnings about the calibration", lines)


def _notes(console: Console, facts: dict[str, Any]) -> None:
    """What was understood of all traces, and of each what is its own."""
    traces = facts["traces"]
    common = [note for note in traces[0]["notes"] if all(note in trace["notes"] for trace in traces)]
    lines = list(common)
    for trace in traces:
        own = [note for note in trace["notes"] if note not in common]
        if own:
            lines.append(f"{shown_path(Path(trace['file']).name, 60)}: {'; '.join(own)}")
    print_list(console, "Understood and assumed", lines)
