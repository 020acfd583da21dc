"""A fit as a person reads it in a terminal, 80 columns wide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS, MODEL
from bench.console import make_console, make_table, print_head, print_list, print_table, print_text
from bench.trace.text import shown, shown_path

if TYPE_CHECKING:
    from rich.console import Console


def show(facts: dict[str, Any], out: Path | None) -> None:
    """Print the facts of bench.fit.report.facts."""
    console = make_console()
    vehicle = facts["vehicle"]
    named = f" ({shown(vehicle['name'], 40)})" if vehicle["name"] else ""
    about = [("vehicle", f"{shown_path(vehicle['file'])}{named}")]
    for run in facts["runs"]:
        driven = run["calibration"] or "no calibration"
        text = f"{shown_path(run['file'])}: {run['seconds']:g} s, driven with {shown_path(driven)}"
        about.append(("run", text))
    print_head(console, about)
    _runs(console, facts)
    _parameters(console, facts)
    left = [p["name"] for p in facts["parameters"] if p["verdict"] == "left"]
    checked = [p["name"] for p in facts["parameters"] if p["verdict"] == "measured"]
    lines = [f"as measured: {', '.join(checked)}"] if checked else []
    if left:
        lines.append(f"these runs say nothing about them: {', '.join(left)}")
    lines += [f"{name}: {reason}" for name, reason in facts["never"].items()]
    print_list(console, "Left as given, because it cannot be identified", lines)
    pairs = [
        f"{' and '.join(pair['parameters'])} ({pair['correlation']:+.2f})" for pair in facts["together"][:5]
    ]
    print_list(console, "Go together: each is known less well than its interval if the other is wrong", pairs)
    asks = [f"{name}: {how}" for name, how in facts["asks"].items()]
    print_list(console, "Weigh or measure, put into the vehicle file, and say so with --measured NAME", asks)
    print_list(console, "What was taken from the traces", [n for run in facts["runs"] for n in run["notes"]])
    print_list(console, "Worth knowing", [f"taken for granted: {facts['assumed']}", *facts["notes"]])
    print_list(console, "Warnings about the vehicle", vehicle["warnings"])
    console.print()
    if out is not None:
        print_text(console, f"Written to {shown_path(out)}: car.toml, report.html, fit.png, summary.json")
        console.print()
    print_text(console, MODEL)
    print_text(console, CAUTIONS)


def _runs(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("run", False), ("lift seen", True), ("fitted", True), ("height mm", True), ("speed m/s", True),
        ("engine rpm", True),
    )  # fmt: skip
    for run in facts["runs"]:
        rms = run["rms"]
        decimals = {"height": 1, "speed": 2, "engine": 0}
        table.add_row(
            shown_path(Path(run["file"]).name, 24),
            f"{'> ' if run['beyond_sensor'] else ''}{run['peak_lift_seen_mm']:.0f} mm",
            f"{run['peak_lift_fitted_mm']:.0f} mm",
            *(f"{rms[c]['given']:.{n}f} > {rms[c]['fitted']:.{n}f}" for c, n in decimals.items()),
        )
    print_table(console, "Modelled less measured, root mean square: given car > fitted car", table)


def _parameters(console: Console, facts: dict[str, Any]) -> None:
    table = make_table(
        ("", False), ("given", True), ("fitted", True), ("80 of 100 within", True), ("known to", True)
    )
    for verdict, title in (("known", "Known"), ("weak", "Weakly known")):
        rows = [p for p in facts["parameters"] if p["verdict"] == verdict]
        if rows:
            table.add_row(title, style="bold")
        for p in rows:
            low, high = p["within_80"]
            table.add_row(
                f"  {p['name']}" + (f", {p['unit']}" if p["unit"] else ""),
                f"{p['given']:.4g}", f"{p['fitted']:.4g}", f"{low:.4g} .. {high:.4g}",
                f"{p['within_80_percent']:.2g} %",
            )  # fmt: skip
    title = "What the runs tell"
    if not facts["model_holds"]:
        title += " - of little worth here: the model does not follow them, see below"
    print_table(console, title, table)
