"""What a trace takes in memory, told from its first rows before all of it is read."""

from __future__ import annotations

from pathlib import Path

from bench.errors import UserError
from bench.system import memory_left

_BASE = 100 << 20
_A_CELL = 16  # bytes at the peak of reading, measured
_A_TICK = 10  # bytes at the peak of a replay whose columns are Packed, measured


def demand_room(path: Path, rows: int, columns: int, ticks: int) -> None:
    """Raises UserError where so many rows of so many columns, and their replay in so many ticks (0 for none),
    need more memory than there is."""
    need = _BASE + rows * columns * _A_CELL + ticks * _A_TICK
    left = memory_left()
    if left is None or need <= left:
        return
    what = f"needs about {need / 1e9:.1f} GB of memory ({rows:,} rows"
    what += f", {ticks:,} ticks)" if ticks else ")"
    raise UserError(f"{what}, and {left / 1e9:.1f} GB are free", path, "cut the file, or use a longer tick")
