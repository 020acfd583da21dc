"""A comparison as a person reads it in a terminal, 80 columns wide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.replay.codes import ENGINES
from bench.trace.text import plural, shown_path

if TYPE_CHECKING:
    from rich.console import Console

_SPANS = 6
_NAME = 26


def show(facts: dict[str, Any], out: Path | None) -> None:
    """Print the facts of bench.compare.report.summary."""
    console = make_console()
    _head(console, facts)
    for other in facts["calibrations"][1:]:
        _changes(console, other)
    for trace in facts["traces"]:
        _trace(console, trace, facts)
    _runs(console, facts)
    _warnings(console, facts)
    _notes(console, facts)
    console.print()
    if out is not None:
        files = "the page report.html, differences.csv, summary.json"
        print_text(console, f"Written to {shown_path(out)}: {files}")
        console.print()
    print_text(console, facts["open_loop"])
    print_text(console, facts["cautions"])


def _head(console: Console, facts: dict[str, Any]) -> None:
    traces = facts["traces"]
    lines = [
        (one["letter"], f"{shown_path(one['file'])}: image CRC-32 {one['image_crc32']}")
        for one in facts["calibrations"]
    ]
    seconds = sum(trace["duration_s"] for trace in traces)
    runs = len(traces) * len(facts["calibrations"])
    lines += [
        ("traces", f"{len(traces)}, {seconds:.3f} s in all"),
        ("stepped", f"{plural(runs, 'run')} by {ENGINES[facts['engine']]}"),
    ]
    print_head(console, lines)


def change_rows(change: dict[str, Any]) -> list[tuple[str, str, str]]:
    """A change as rows of key, A and B: one for the whole key, or one for each value of a list."""
    defaults = [" (default)" if change[f"{side}_default"] else "" for side in "ab"]
    if not change["points"]:
        return [(change["key"], change["a_text"] + defaults[0], change["b_text"] + defaults[1])]
    sign = f" {change['unit']}" if change["unit"] else ""
    return [
        (f"{change['key']} at {point['at']}", f"{point['a']:.6g}{sign}", f"{point['b']:.6g}{sign}")
        for point in change["points"]
    ]


def maps_lines(calibration: dict[str, Any]) -> list[str]:
    """Where the compiled maps are furthest apart, in words."""
    apart, along = calibration["maps_furthest_apart"], calibration["progress_unit"]
    if apart is None:
        return ["The maps go by speed in one and by time in the other, so they are not compared."]
    found = []
    for name, unit in (("reduction", "%"), ("retard", "degrees")):
        one = apart[name]
        if one["a"] != one["b"]:
            found.append(
                f"The {name} maps are furthest apart at a lift of {one['lift_mm']:g} mm and"
                f" {one['progress']:g} {along}: {one['a']:.1f} and {one['b']:.1f} {unit}."
            )
    return found


def _changes(console: Console, other: dict[str, Any]) -> None:
    letter = other["letter"]
    table = make_table(("key", False), ("A", False), (letter, False))
    for change in other["changes"]:
        for row in change_rows(change):
            table.add_row(*row)
    same = other["same_image_as_a"]
    if not table.row_count:
        console.print()
        what = "no key" if same else "no key but those of maps"
        print_text(console, f"{letter} changes {what} of A", style="bold")
    else:
        print_table(console, f"What {letter} changes of A", table)
    for line in ["Both compile to the same image."] if same else maps_lines(other):
        print_text(console, line)


def _trace(console: Console, trace: dict[str, Any], facts: dict[str, Any]) -> None:
    several = len(facts["traces"]) > 1
    name = f", {shown_path(trace['label'], _NAME)}" if several else ""
    launched = [(side["letter"], one) for side in trace["sides"] for one in side["launches"]]
    many = any(one["launch"] > 1 for _, one in launched)
    table = make_table(
        ("", False), *([("launch", True)] if many else []), ("peak %", True), ("retard °", True),
        ("torque-\ntime s", True), ("taken %", True), ("cuts", True), ("first cut\nat s", True),
        ("given\nback at s", True), ("last\nat s", True), ("reasons", False),
    )  # fmt: skip
    for letter, one in launched:
        cells = [str(one["launch"])] if many else []
        table.add_row(letter, *cells, *figures(one))
    print_table(console, f"What each takes{name}", table)
    if not launched:
        print_text(console, "No launch found")
    for difference in trace["differences"]:
        _difference(console, difference, many)


def figures(one: dict[str, Any]) -> list[str]:
    """The figures of a launch as they are printed."""
    reasons = ", ".join(f"{reason['name']} {reason['time_s']:.3f} s" for reason in one["reasons"])
    return [
        f"{one['peak_reduction_permille'] / 10:.1f}", f"{one['peak_retard_ddeg'] / 10:.1f}",
        f"{one['full_cut_s']:.3f}", f"{100 * one['share_taken']:.1f}", str(one["interventions"]),
        *(_seconds(one[key]) for key in ("first_cut_s", "given_back_s", "last_given_back_s")),
        reasons or "-",
    ]  # fmt: skip


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _difference(console: Console, difference: dict[str, Any], many: bool) -> None:
    letter = difference["letter"]
    console.print()
    if difference["equal"]:
        print_text(console, f"{letter} and A command the same in every tick", style="bold")
        return
    share = f"{difference['differs_s']:.3f} s of {difference['compared_s']:.3f} s"
    count = plural(difference["spans_in_all"], "stretch").replace("stretchs", "stretches")
    print_text(console, f"{letter} commands otherwise than A in {share}, {count}", style="bold")
    table = make_table(("", False), ("at s", True), ("A", True), (letter, True), ("A because of", False),
                       (f"{letter} because of", False))  # fmt: skip
    for words, row in places(difference):
        table.add_row(words, *place(row, many))
    console.print(table)
    spans = make_table(
        ("from s", True), ("to s", True), ("reduction", True), ("retard", True), ("torque-time", True)
    )
    for span in difference["spans"][:_SPANS]:
        spans.add_row(*stretch(span, many))
    print_table(console, f"{letter} less A", spans, difference["spans_in_all"] - _SPANS)


def places(difference: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The rows of the first and the greatest difference, those that are there."""
    rows = [
        ("first", difference["first"]),
        ("greatest, reduction", difference["greatest_reduction"]),
        ("greatest, retard", difference["greatest_retard"]),
    ]
    return [(words, row) for words, row in rows if row is not None]


def place(row: dict[str, Any], many: bool) -> list[str]:
    """When, what A and the other command there, and for what reason."""
    commands = [
        f"{row[side]['reduction_permille'] / 10:.1f} %, {row[side]['retard_ddeg'] / 10:.1f}°" for side in "ab"
    ]
    return [when(row, many), *commands, *(_because(row[side]) for side in "ab")]


def when(row: dict[str, Any], many: bool) -> str:
    """Seconds since the launch, with its number where there are several; of the trace before all."""
    number = f"{row['launch'] or '-'}: " if many else ""
    return f"{number}{row['since_launch_s']:.3f}"


def _because(side: dict[str, Any]) -> str:
    state = side["state"].replace("_", " ")
    if side["reason"] == "none":
        return "retard only" if side["retard_ddeg"] else "-"
    return f"{side['reason']}, {state}"


def stretch(span: dict[str, Any], many: bool) -> list[str]:
    """A stretch of difference: from, to, and what the other commands more or less."""
    until = {**span, "since_launch_s": span["since_launch_s"] + span["duration_s"]}
    return [
        when(span, many), when(until, many),
        _more_less(span["most_more_reduction_permille"], span["most_less_reduction_permille"], " %"),
        _more_less(span["most_more_retard_ddeg"], span["most_less_retard_ddeg"], "°"),
        f"{span['full_cut_s']:+.3f} s",
    ]  # fmt: skip


def _more_less(more: int, less: int, unit: str) -> str:
    parts = [f"-{less / 10:.1f}"] if less else []
    parts += [f"+{more / 10:.1f}"] if more else []
    return f"{' .. '.join(parts)}{unit}" if parts else "-"


def _runs(console: Console, facts: dict[str, Any]) -> None:
    """Two runs by their launch."""
    if not facts["runs_by_launch"]:
        return
    table = make_table(
        ("run", False), ("lift\napart mm", True), ("at s", True), ("its lift\nmm", True),
        ("first's\nlift mm", True), ("commands\ndiffer s", True), ("from s", True),
    )  # fmt: skip
    for one in facts["runs_by_launch"]:
        lift, commands = one["greatest_lift_difference"], one["commands"]
        first = commands["first"]
        table.add_row(
            run_name(facts, one["b"], _NAME),
            f"{lift['b_mm'] - lift['a_mm']:+.0f}", f"{lift['since_launch_s']:.3f}",
            f"{lift['b_mm']:.0f}", f"{lift['a_mm']:.0f}", f"{commands['differs_s']:.3f}",
            "-" if first is None else f"{first['since_launch_s']:.3f}",
        )  # fmt: skip
    name = run_name(facts, facts["runs_by_launch"][0]["a"], 40)
    print_table(console, f"Runs by their launch, with A: against {name}", table)


def run_name(facts: dict[str, Any], run: dict[str, int], cells: int) -> str:
    """A run as its trace is called, with the launch where the trace has several."""
    trace = facts["traces"][run["trace"] - 1]
    launch = f", launch {run['launch']}" if len(trace["sides"][0]["launches"]) > 1 else ""
    return shown_path(trace["label"], cells) + launch


def _warnings(console: Console, facts: dict[str, Any]) -> None:
    by_text: dict[str, str] = {}
    for one in facts["calibrations"]:
        for warning in one["warnings"]:
            by_text[warning] = by_text.get(warning, "") + one["letter"]
    lines = [f"{', '.join(letters)}: {text}" for text, letters in by_text.items()]
    print_list(console, "Warnings about the calibrations", lines)


def _notes(console: Console, facts: dict[str, Any]) -> None:
    """What was understood of all traces, and of each what is its own."""
    traces = facts["traces"]
    common = [note for note in traces[0]["notes"] if all(note in trace["notes"] for trace in traces)]
    lines = list(common)
    for trace in traces:
        own = [note for note in trace["notes"] if note not in common]
        if own:
            lines.append(f"{shown_path(trace['label'])}: {'; '.join(own)}")
    print_list(console, "Understood and assumed", lines)
