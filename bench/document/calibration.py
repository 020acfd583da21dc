"""The calibration as used, for every document that was made with one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from bench.document.blocks import Block, Bullets, Section, Source, Table
from bench.document.maps import has_maps, maps

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile


def calibration_section(
    calibration: CalibrationFile,
    title: str = "The calibration as used",
    warned: str = "Warnings about the calibration",
    cells: Mapping[str, Any] | None = None,
    name: str = "maps",
) -> Section:
    """Its ceilings, and its maps where its file gives those, with what bench.replay.cells says of a run in
    them (`name` tells them from others on the page), what looks wrong with it (under the title `warned`; not
    where that is empty), every value with the defaults it took, and its text."""
    blocks: list[Block] = []
    if calibration.warnings and warned:
        blocks.append(Bullets(calibration.warnings, warned))
    if has_maps(calibration):
        blocks += maps(calibration, name, cells)
    blocks.append(_ceilings(calibration))
    rows = []
    for entry in calibration.shown:
        key = f"{entry.section}.{entry.key}" if entry.section else entry.key
        rows.append((key, entry.text, "file" if entry.given else "default"))
    columns = (("key", False), ("value", False), ("from", False))
    blocks.append(Table(columns, rows, "Every value, and the defaults it took", where="page"))
    blocks.append(Source(f"The file {calibration.path.name}", calibration.text))
    return Section(title, blocks)


def _ceilings(calibration: CalibrationFile) -> Table:
    c = calibration.ceilings
    unit = calibration.progress_unit

    def lift(value: float) -> str:
        return "never" if value != value else f"{value:.0f}"

    rows = [
        (f"{p:g}", lift(a), lift(b), lift(f))
        for p, a, b, f in zip(c.progress, c.retard_from, c.reduction_from, c.full, strict=True)
    ]
    return Table(
        ((f"progress, {unit}", True), ("retard from, mm", True), ("reduction from, mm", True),
         ("full reduction, mm", True)),
        rows,
        "Ceilings: the lift at the front axle at which each begins",
        where="page",
    )  # fmt: skip
