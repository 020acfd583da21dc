"""A calibration as tables on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

    from bench.calibration.model import CalibrationFile
    from bench.calibration.reader import Shown

_WIDTH = 80
# Map columns side by side: a lift and eight values of up to 5 characters fit in 80.
_COLUMNS = 8


def print_tables(cal: CalibrationFile) -> None:
    """Print what the file says and leaves to the defaults, section by section, then both maps."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from bench.console import make_console

    console = make_console()
    console.width = min(console.width, _WIDTH)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    table.add_column("key", no_wrap=True)
    table.add_column("value", overflow="fold")
    table.add_column("", no_wrap=True)
    sections: dict[str, list[Shown]] = {}
    for entry in cal.shown:
        sections.setdefault(entry.section, []).append(entry)
    for section, entries in sections.items():
        table.add_section()
        table.add_row(Text(f"[{section}]", style="bold"), "", "")
        for entry in entries:
            # Text, so that brackets in a value are not taken for markup.
            table.add_row(
                Text(entry.key), Text(entry.text), Text("" if entry.given else "default", style="dim")
            )
    console.print(table)
    fit = cal.built.map_off
    if fit is not None:
        console.print(
            f"\nMaps made from the ceilings: {len(fit.lift)} lifts by {len(fit.progress)} points. "
            f"Largest difference: {fit.off * 100:.1f} % of the greatest values "
            f"({fit.reduction_off / 10:.1f} % of the cylinder events, {fit.retard_off / 10:.1f} degrees)."
        )
    _print_map(console, cal, "reduction_map", "Reduction, % of the cylinder events")
    _print_map(console, cal, "retard_map", "Retard, degrees of crank")


def _print_map(console: Console, cal: CalibrationFile, name: str, title: str) -> None:
    """One map in blocks of columns, the greatest lift on top as the nose sees it."""
    from rich import box
    from rich.table import Table

    built = cal.built
    scale = 1 if cal.progress_unit == "ms" else 10
    lifts = [f"{lift / 16 / built.lift_size:.4g}" for lift in cal.row("lift_axis")]
    points = [f"{at / scale / built.progress_size:.4g}" for at in cal.row("progress_axis")]
    cells = cal.map_cells(name).tolist()
    for first in range(0, len(points), _COLUMNS):
        shown = slice(first, first + _COLUMNS)
        table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
        table.add_column(f"lift {built.lift_sign} \\ {built.progress_sign}", justify="right", no_wrap=True)
        for point in points[shown]:
            table.add_column(point, justify="right", no_wrap=True)
        for lift, row in zip(reversed(lifts), reversed(cells), strict=True):
            table.add_row(lift, *(f"{value / 10:g}" for value in row[shown]))
        console.print()
        console.print(table)
