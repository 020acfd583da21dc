"""What one calibration's maps change of another's, cell by cell."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from bench.compare.changes import map_on, points_of_both
from bench.compare.facts import LETTERS
from bench.document.blocks import Map
from bench.document.maps import TITLES, has_maps, plain

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile

_SEEN = 0.05  # of % or degrees: half of what a controller can tell


def maps_beside(calibrations: Sequence[CalibrationFile]) -> Iterator[Map]:
    """The maps of each calibration beside those of the first, over the points of both, where one of the two
    gives maps; none where one goes by speed and the other by time, or nothing differs."""
    first, *others = calibrations
    for letter, other in zip(LETTERS[1:], others, strict=False):
        if (has_maps(first) or has_maps(other)) and first.progress_unit == other.progress_unit:
            yield from _beside(letter, first, other)


def _beside(letter: str, a: CalibrationFile, b: CalibrationFile) -> Iterator[Map]:
    lifts, places = points_of_both(a, b)
    built = a.built
    for key, title in TITLES.items():
        mine, theirs = (map_on(one, key, lifts, places) / 10 for one in (a, b))
        differs = abs(mine - theirs) >= _SEEN
        if not differs.any():
            continue
        cells = [
            [
                f"{plain(x)} → {plain(y)}" if apart else plain(x)
                for x, y, apart in zip(*row, strict=True)
            ]
            for row in zip(mine.tolist(), theirs.tolist(), differs.tolist(), strict=True)
        ]  # fmt: skip
        yield Map(
            f"maps-A-{letter}-{key.removesuffix('_map')}", f"{title}: A → {letter}",
            f"lift, {built.lift_sign}", built.progress_sign,
            [plain(v / 16 / built.lift_size) for v in lifts.tolist()],
            [plain(v * a.progress_step) for v in places.tolist()],
            cells,
            note=f"At all points of A and of {letter}; → where they differ. Between points both are straight",
            changed={(i, j) for i, j in zip(*differs.nonzero(), strict=True)},
        )  # fmt: skip
