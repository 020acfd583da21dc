"""Reduction and retard over lift and progress (M1)."""

from .constants import AXIS_POINTS
from .fixed import crc32_word
from .image import Calibration


class Maps:
    """Bilinear look-up in both maps at one place, end values held outside.

    Assumptions: axes rise strictly (the image check says so); cells are 0..FULL.

    Invariants: `reduction` and `retard` lie between the least and the greatest of the four cells
    around the place, and within one unit of exact bilinear interpolation: the value along the lift
    axis carries four more bits, so that 16 * FULL * axis span stays below 2**30.
    """

    __slots__ = ("_across", "_calibration", "_column", "_right", "_width", "reduction", "retard")

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self._column = 0
        self._across = 0
        self._width = 1
        self._right = 0
        self.reset()

    def reset(self) -> None:
        self.reduction = 0
        self.retard = 0

    def look(self, lift: int, progress: int) -> None:
        """Set `reduction` and `retard` to the maps' values."""
        c = self._calibration
        self._find_column(progress)
        axis = c.lift_axis
        row = _segment(axis, c.lift_points, lift)
        part = lift - axis[row]
        if part > 0 and row + 1 < c.lift_points:
            self._blend(row, AXIS_POINTS, part, axis[row + 1] - axis[row])
        else:
            self._blend(row, 0, 0, 1)

    def look_out_of_sight(self, end_lift: int, progress: int) -> None:
        """Set `reduction` and `retard`, each to its greatest value at or above a lift (H5)."""
        c = self._calibration
        self.look(end_lift, progress)
        row = 0
        for i in range(c.lift_points):
            if c.lift_axis[i] <= end_lift:
                row = i + 1
        self.reduction = max(self.reduction, self._greatest(c.reduction_map, row))
        self.retard = max(self.retard, self._greatest(c.retard_map, row))

    def _greatest(self, table: list[int], row: int) -> int:
        """The greatest value that blending a table's rows from one on would give.

        One division serves them all, as a quotient never falls when its numerator rises.
        """
        rest = self._width - self._across
        most = 0
        for i in range(row, self._calibration.lift_points):
            cell = i * AXIS_POINTS + self._column
            most = max(most, table[cell] * rest + table[cell + self._right] * self._across)
        # Both weights together are the width: most <= FULL * 65535; 16008 * 65535 is below 2**30.
        return (most * 16 + 8 * self._width) // (16 * self._width)

    def _find_column(self, progress: int) -> None:
        c = self._calibration
        axis = c.progress_axis
        column = _segment(axis, c.progress_points, progress)
        across = progress - axis[column]
        self._column = column
        if across > 0 and column + 1 < c.progress_points:
            self._across = across
            self._width = axis[column + 1] - axis[column]
            self._right = 1
        else:
            self._across = 0
            self._width = 1
            self._right = 0

    def _blend(self, row: int, down: int, part: int, span: int) -> None:
        c = self._calibration
        cell = row * AXIS_POINTS + self._column
        self.reduction = _bilinear(
            c.reduction_map, cell, down, self._right, part, span, self._across, self._width
        )
        self.retard = _bilinear(c.retard_map, cell, down, self._right, part, span, self._across, self._width)

    def digest(self, crc: int) -> int:
        """The CRC register carried on over the whole state."""
        return crc32_word(crc32_word(crc, self.reduction), self.retard)


def _segment(axis: list[int], points: int, at: int) -> int:
    """The last point not above the place, or the first point."""
    for i in range(1, points):
        if at < axis[i]:
            return i - 1
    return points - 1


def _bilinear(
    table: list[int], cell: int, down: int, right: int, part: int, span: int, across: int, width: int
) -> int:
    """Four cells blended by part/span along the lift axis and across/width along progress."""
    first = table[cell]
    second = table[cell + right]
    third = table[cell + down]
    fourth = table[cell + down + right]
    if first == second == third == fourth:
        return first
    # rest + part is the span, 65534 at most: 16 * FULL * 65534 + half is below 2**30. So left and beside are
    # 16 * FULL at most, and the weights of the last line together are the width: 16008 * 65535 < 2**30.
    rest = span - part
    half = span >> 1
    left = ((first * rest + third * part) * 16 + half) // span
    beside = ((second * rest + fourth * part) * 16 + half) // span
    return (left * (width - across) + beside * across + 8 * width) // (16 * width)
