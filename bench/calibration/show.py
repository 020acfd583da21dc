"""A calibration as tables on the terminal, and as plain values for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.calibration.guesses import guesses
from bench.facts import head
from controller.constants import IMAGE_VERSION

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration.calibration_file import CalibrationFile
    from bench.calibration.quantity import Shown

SUMMARY_VERSION = 1


def facts(cal: CalibrationFile) -> dict[str, Any]:
    """What is known of a calibration file without looking into it."""
    return {
        **head(SUMMARY_VERSION),
        "file": str(cal.path),
        "sha256": cal.digest,
        "image_version": IMAGE_VERSION,
        "image_bytes": len(cal.image),
        "image_crc32": f"{cal.crc:08x}",
        "tick_us": cal.tick_us,
        "warnings": list(cal.warnings),
        "notes": list(cal.notes),
        "guessed": guesses(cal.text, cal.path),
    }


def facts_with_keys(cal: CalibrationFile) -> dict[str, Any]:
    """The same with all keys, defaults too, in the units that their names say, and the maps as compiled."""
    scale = 1 if cal.progress_unit == "ms" else 10
    fit = cal.built.map_off
    reduction, retard = (cal.map_cells(name) / 10 for name in ("reduction_map", "retard_map"))
    return {
        **facts(cal),
        "keys": [
            {"key": f"{one.section}.{one.key}", "value": one.value, "given": one.given} for one in cal.shown
        ],
        "maps": {
            "lift_mm": [lift / 16 for lift in cal.row("lift_axis")],
            "progress": [at / scale for at in cal.row("progress_axis")],
            "progress_unit": cal.progress_unit,
            "reduction_percent": reduction.tolist(),
            "retard_deg": retard.tolist(),
            "off_ceilings_percent": None if fit is None else round(fit.off * 100, 3),
        },
    }


def print_tables(cal: CalibrationFile) -> None:
    """Print what the file says and leaves to the defaults, section by section, then both maps."""
    from bench.console import make_console, make_table, print_text

    console = make_console()
    table = make_table(("key", False), ("value", False), ("", False))
    sections: dict[str, list[Shown]] = {}
    for entry in cal.shown:
        sections.setdefault(entry.section, []).append(entry)
    for section, entries in sections.items():
        if table.row_count:
            table.add_row()
        table.add_row(f"[{section}]", style="bold")
        for entry in entries:
            table.add_row(entry.key, entry.text, "" if entry.given else "default")
    console.print(table)
    fit = cal.built.map_off
    if fit is not None:
        console.print()
        print_text(
            console,
            f"Maps made from the ceilings: {len(fit.lift)} lifts by {len(fit.progress)} points. "
            f"Largest difference: {fit.off * 100:.1f} % of the greatest values "
            f"({fit.reduction_off / 10:.1f} % of the cylinder events, {fit.retard_off / 10:.1f} degrees).",
        )
    _print_map(console, cal, "reduction_map", "Reduction, % of the cylinder events")
    _print_map(console, cal, "retard_map", "Retard, degrees of crank")
    console.print()


def _print_map(console: Console, cal: CalibrationFile, name: str, title: str) -> None:
    """One map, the greatest lift on top as the nose sees it."""
    from bench.console import make_table, print_table

    built = cal.built
    scale = 1 if cal.progress_unit == "ms" else 10
    lifts = [f"{lift / 16 / built.lift_size:.4g}" for lift in cal.row("lift_axis")]
    points = [f"{at / scale / built.progress_size:.4g}" for at in cal.row("progress_axis")]
    cells = cal.map_cells(name).tolist()
    corner = f"lift {built.lift_sign} \\ {built.progress_sign}"
    table = make_table((corner, True), *((point, True) for point in points))
    for lift, row in zip(reversed(lifts), reversed(cells), strict=True):
        table.add_row(lift, *(f"{value / 10:g}" for value in row))
    print_table(console, title, table)
