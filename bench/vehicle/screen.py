"""A prediction as a person reads it in a terminal, 80 columns wide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS, MODEL
from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.trace.text import shown, shown_path

if TYPE_CHECKING:
    from rich.console import Console

# (what it is called, its figure, how it is written); no figure: a heading
ROWS = (
    ("Nose", "", ""),
    ("greatest lift at the front axle", "peak_lift_mm", "{:.0f} mm"),
    ("at, since launch", "peak_s", "{:.2f} s"),
    ("above the first ceiling", "above_first_ceiling_s", "{:.2f} s"),
    ("above the ceiling of the full cut", "above_full_ceiling_s", "{:.2f} s"),
    ("beyond the sensor", "beyond_sensor_s", "{:.2f} s"),
    ("flights (more than 25 mm of air)", "flights", "{}"),
    ("front tyres off the ground", "air_s", "{:.2f} s"),
    ("carried", "carried_m", "{:.1f} m"),
    ("Landing", "", ""),
    ("speed of the nose", "landing_speed_mps", "{:.2f} m/s"),
    ("greatest load on the front tyres", "front_tyre_load_n", "{:.0f} N"),
    ("greatest strut travel", "strut_travel_mm", "{:.0f} mm"),
    ("least clearance at the sensor", "least_clearance_mm", "{:.0f} mm"),
    ("Bar and rear tyres", "", ""),
    ("greatest force on the bar", "bar_force_n", "{:.0f} N"),
    ("leaning on the bar", "bar_s", "{:.2f} s"),
    ("rear load lost to it, added up", "bar_impulse_ns", "{:.0f} N s"),
    ("rear tyres without load", "rear_unloaded_s", "{:.2f} s"),
    ("Torque", "", ""),
    ("greatest reduction", "greatest_reduction_percent", "{:.1f} %"),
    ("greatest retard", "greatest_retard_deg", "{:.1f}°"),
    ("taken, as seconds of no torque", "full_cut_s", "{:.2f} s"),
    ("torque-time not given", "torque_time_nms", "{:.0f} N m s"),
    ("interventions", "latches", "{}"),
    ("changes of the command", "command_changes", "{}"),
    ("reversals of the command", "command_reversals", "{}"),
)

SHARES = (
    ("turns over", "turned_over"),
    ("no flight", "no_flight"),
    ("one flight", "one_flight"),
    ("more flights", "more_flights"),
    ("nose beyond the sensor", "beyond_sensor"),
    ("above the ceiling of the full cut", "above_full_ceiling"),
    ("touches the bar", "bar_touched"),
    ("rear tyres without load", "rear_unloaded"),
    ("strut against its stop", "strut_bottomed"),
    ("nose on the ground", "nose_on_ground"),
    ("not slower than without", "not_slower"),
)


def show(facts: dict[str, Any], out: Path | None) -> None:
    """Print the facts of bench.vehicle.predict.facts."""
    console = make_console()
    _head(console, facts)
    _figures(console, facts)
    _marks(console, facts)
    _spread(console, facts)
    print_list(console, "Worth knowing", facts["notes"])
    print_list(console, "Warnings about the vehicle", facts["vehicle"]["warnings"])
    print_list(console, "Warnings about the calibration", facts["calibration"]["warnings"])
    console.print()
    if out is not None:
        names = (
            "report.html, predict.png, summary.json, trace.csv (for replay), motion.csv, motion_without.csv"
        )
        print_text(console, f"Written to {shown_path(out)}: {names}")
        console.print()
    print_text(console, MODEL)
    print_text(console, CAUTIONS)


def _head(console: Console, facts: dict[str, Any]) -> None:
    vehicle, calibration, track = facts["vehicle"], facts["calibration"], facts["track"]
    named = f" ({shown(vehicle['name'], 40)})" if vehicle["name"] else ""
    road = f"road class {track['road']}" if track["road"] else "level road"
    lines = [
        ("vehicle", f"{shown_path(vehicle['file'])}{named}"),
        ("calibration", f"{shown_path(calibration['file'])}: image CRC-32 {calibration['image_crc32']}"),
        (
            "track",
            f"{track['distance_ft']} ft, {road}, sensor noise {track['noise_mm']:g} mm, seed {track['seed']}",
        ),
        ("driven by", facts["driven_by"]),
    ]
    print_head(console, lines)


def _figures(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(("", False), ("without", True), ("with controller", True))
    if facts["with"]["end"] != "finished" or facts["without"]["end"] != "finished":
        table.add_row("end of the run", facts["without"]["end"], facts["with"]["end"], style="bold red")
    for text, key, form in ROWS:
        if not key:
            table.add_row(text, style="bold")
            continue
        table.add_row(f"  {text}", *(figure(facts[side][key], form) for side in ("without", "with")))
    print_table(console, "The same car without and with the controller", table)


def figure(value: float | None, form: str) -> str:
    """A figure as it is shown; a dash where there is none."""
    return "-" if value is None else form.format(value)


def _marks(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("ft", True), ("without", True), ("beam", True), ("km/h", True),
        ("with", True), ("beam", True), ("km/h", True), ("gap mm", True), ("lost s", True),
    )  # fmt: skip
    for without, controlled in zip(facts["without"]["marks"], facts["with"]["marks"], strict=True):
        if without["nose_s"] is None and controlled["nose_s"] is None:
            continue
        lost = "-"
        if without["nose_s"] is not None and controlled["nose_s"] is not None:
            lost = f"{controlled['nose_s'] - without['nose_s']:+.3f}"
        table.add_row(
            str(without["feet"]),
            *(_number(without[key], 3) for key in ("nose_s", "beam_s")),
            _number(without["speed_kmh"], 1),
            *(_number(controlled[key], 3) for key in ("nose_s", "beam_s")),
            _number(controlled["speed_kmh"], 1),
            _number(controlled["gap_mm"], 0) if (controlled["gap_mm"] or 0) > 0 else "-",
            lost,
        )
    print_table(console, "Times by the strip, s", table)
    print_text(
        console,
        "Beam: what the strip's own beams show; a front tyre over a beam leaves the clock to the rear one."
        " The column before it: as if the front were on the ground.",
        style="dim",
    )


def _number(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _spread(console: Console, facts: dict[str, Any]) -> None:
    spread = facts["spread"]
    if spread is None:
        return
    table = make_table(("share of the cars", False), ("without", True), ("with controller", True))
    for text, key in SHARES:
        cells = [spread[side]["shares"].get(key) for side in ("without", "with")]
        table.add_row(f"  {text}", *("" if cell is None else f"{100 * cell:.1f} %" for cell in cells))
    print_table(console, f"Over {spread['cars']} cars of this kind", table)
    table = make_table(("5 / 50 / 95 % of the cars", False), ("without", True), ("with controller", True))
    for key in spread["with"]["percentiles_5_50_95"]:
        cells = [spread[side]["percentiles_5_50_95"].get(key) for side in ("without", "with")]
        text, decimals = percentile_name(key)
        table.add_row(f"  {text}", *(_three(cell, decimals) for cell in cells))
    console.print()
    console.print(table)


def percentile_name(key: str) -> tuple[str, int]:
    """What a row of percentiles is called, and its decimals."""
    known = {
        "peak_lift_mm": ("greatest lift, mm", 0),
        "landing_speed_mps": ("landing speed, m/s", 2),
        "bar_force_n": ("force on the bar, N", 0),
        "least_clearance_mm": ("least clearance, mm", 0),
    }
    if key in known:
        return known[key]
    what, feet, *_ = key.split("_")
    return f"{feet} ft, s" if what == "nose" else f"lost at {feet} ft, s", 3


def _three(values: list[float] | None, decimals: int) -> str:
    return "" if values is None else " / ".join(f"{value:.{decimals}f}" for value in values)
