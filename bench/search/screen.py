"""A search as a person reads it in a terminal, 80 columns wide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.trace.text import shown, shown_path

if TYPE_CHECKING:
    from rich.console import Console

SHARES = (
    ("within all limits", "within_limits"),
    ("  peak lift", "lift_kept"),
    ("  landing speed", "landing_kept"),
    ("  bar force", "bar_kept"),
    ("not slower than without", "not_slower_than_without"),
    ("better than start in lift, landing, time", "better_than_start_in_lift_landing_and_time"),
    ("turns over", "turned_over"),
    ("one flight", "one_flight"),
    ("more flights", "more_flights"),
    ("touches the bar", "bar_touched"),
    ("nose on the ground", "nose_on_ground"),
)
FIGURES = (
    ("time, s", "time_s", 3),
    ("peak lift, mm", "peak_lift_mm", 0),
    ("landing speed, m/s", "landing_speed_mps", 2),
    ("bar force, kN", "bar_force_kn", 1),
    ("reduction, %", "greatest_reduction_percent", 0),
    ("command reversals", "command_reversals", 0),
)
SIDES = ("without", "with_start", "with_found")


def show(facts: dict[str, Any], out: Path | None) -> None:
    """Print the facts of bench.search.report.facts."""
    console = make_console()
    _head(console, facts)
    _settings(console, facts)
    _check(console, facts)
    _trade_off(console, facts)
    print_list(console, "What bounds it", facts["bounded_by"])
    print_list(console, "Warnings about the vehicle", facts["vehicle"]["warnings"])
    print_list(console, "Warnings about the calibration", facts["warnings"])
    console.print()
    if out is not None:
        names = "report.html, search.png, summary.json, state.json"
        if facts["limits_kept"]:
            names = f"calibration.toml (for replay, predict and verify), {names}"
        print_text(console, f"Written to {shown_path(out)}: {names}")
        console.print()
    print_text(console, facts["model"])
    print_text(console, facts["cautions"])


def _head(console: Console, facts: dict[str, Any]) -> None:
    vehicle, spread = facts["vehicle"], facts["spread"]
    named = f" ({shown(vehicle['name'], 40)})" if vehicle["name"] else ""
    limits = ", ".join(f"{one['of']} {one['most']:g} {one['unit']}" for one in facts["limits"])
    road = f"roads of class {spread['road']}" if spread["road"] else "level roads"
    lines = [
        ("vehicle", f"{shown_path(vehicle['file'])}{named}"),
        ("start", f"{shown_path(facts['start']['file'])}: image CRC-32 {facts['start']['image_crc32']}"),
        ("sought", f"least time to {facts['distance_ft']} ft"),
        ("limits", f"{limits}; in {facts['share_percent']:g} %"),
        ("spread", f"{spread['cars']} cars on {road}, seed {spread['seed']}; {facts['runs']} runs"),
    ]
    if spread["default_scatter"]:
        lines.append(("", f"not in the file, so assumed: {', '.join(spread['default_scatter'])}"))
    print_head(console, lines)


def _settings(console: Console, facts: dict[str, Any]) -> None:
    found = "found" if facts["limits_kept"] else "nearest"
    table = make_table(("", False), ("start", True), (found, True), ("sought from", True), ("to", True))
    for one in facts["settings"]:
        ends = (f"{one['least']} {one['unit']}", f"{one['greatest']} {one['unit']}")
        table.add_row(one["words"], one["start"], one["found"], *ends)
    title = "The settings" if facts["limits_kept"] else "The nearest settings; they do NOT keep the limits"
    print_table(console, title, table)


def _check(console: Console, facts: dict[str, Any]) -> None:
    found = "found" if facts["limits_kept"] else "nearest"
    table = make_table(("share of the cars", False), ("without", True), ("start", True), (found, True))
    for text, key in SHARES:
        cells = [facts[side]["shares"].get(key) for side in SIDES]
        if cells[0] is not None:
            table.add_row(text, *(f"{100 * cell:.1f} %" for cell in cells))
    print_table(console, f"On {facts['spread']['check_cars']} cars that it was not sought with", table)
    table = make_table(("5/50/95 % of the cars", False), ("without", True), ("start", True), (found, True))
    for text, key, decimals in FIGURES:
        cells = [facts[side]["percentiles_5_50_95"][key] for side in SIDES]
        table.add_row(text, *("/".join(f"{value:.{decimals}f}" for value in cell) for cell in cells))
    console.print()
    console.print(table)


def _trade_off(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("", False), ("time\ns", True), ("lift\nmm", True), ("land\nm/s", True), ("bar\nkN", True),
        ("within\n%", True), ("at\nrest", True), ("fall\nmm", True), ("wide\nmm", True), ("most\n%", True),
        ("hold\nms", True), ("rel.\n%/s", True), ("up\nms", True), ("down\nms", True),
        gap=1,
    )  # fmt: skip
    for row in facts["trade_off"]:
        table.add_row(
            "*" if row["chosen"] else "" if row["keeps_limits"] else "!",
            f"{row['mean_time_s']:.3f}",
            f"{row['peak_lift_mm']:.0f}",
            f"{row['landing_speed_mps']:.2f}",
            f"{row['bar_force_kn']:.1f}",
            f"{100 * row['within_limits']:.1f}",
            *(str(value) for value in row["values"].values()),
        )
    print_table(console, "The trade-off, on the same cars", table)
    lines = [
        "* chosen; ! does not keep the limits. Time: the mean; lift, land, bar: what",
        f"{facts['share_percent']:g} % of the cars stay at or below. At rest: the lift in mm where the cut",
        "starts; fall: how much lower at the end; wide: from there to the full cut;",
        "most: the greatest reduction; up, down: look-ahead, rising and falling.",
    ]
    for line in lines:
        print_text(console, line, style="dim")
