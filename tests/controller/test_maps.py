"""The maps: bilinear look-up (M1) and the greatest value at or above a lift (H5)."""

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from bench.calibration.image import Values
from controller.constants import AXIS_POINTS, LIFT_LIMIT
from controller.maps import Maps
from tests.hostile import any_calibration, bounded_controller
from tests.support import table, values

# Half a unit of the last rounding and half a sixteenth of the first one; scipy's own error beside it.
ROUNDING = 0.5 + 0.5 / 16 + 1e-6


def maps(calibration: Values) -> Maps:
    """The map stage with calibration values that notice when a product grows too large."""
    return bounded_controller(calibration).maps


def axes_and_cells(calibration: Values) -> tuple[list[int], list[int], np.ndarray, np.ndarray]:
    def row(name: str) -> list[int]:
        value = calibration[name]
        assert isinstance(value, list)
        return value

    lift = row("lift_axis")[: calibration["lift_points"]]
    progress = row("progress_axis")[: calibration["progress_points"]]
    shape = (slice(len(lift)), slice(len(progress)))
    cells = [
        np.reshape(row(f"{kind}_map"), (AXIS_POINTS, AXIS_POINTS))[shape] for kind in ("reduction", "retard")
    ]
    return lift, progress, cells[0], cells[1]


@pytest.mark.rule("M1")
def test_first_printed_example() -> None:
    # Wikipedia's example ("Bilinear interpolation") of the method: rows 20 and 21, columns 14 and 15,
    # values 91, 210, 162, 95; 150.5 and 128.5 at column 14.5, and 146.1 at row 20.2. Axes times 10, values
    # times 4.
    looked = maps(
        values(
            lift_points=2,
            lift_axis=[200, 210],
            progress_axis=[140, 150],
            reduction_map=table([4 * 91, 4 * 210], [4 * 162, 4 * 95]),
        )
    )
    for lift, expected in ((200, 150.5), (210, 128.5)):
        looked.look(lift, 145)
        assert looked.reduction == 4 * expected
    looked.look(202, 145)
    assert looked.reduction == round(4 * 146.1)


@pytest.mark.rule("M1")
def test_second_printed_example() -> None:
    # Table example on stellingconsulting.nl: (400, 60) = 149, (500, 60) = 163, (400, 80) = 169,
    # (500, 80) = 187; at (451, 75): 156.14 and 178.18, then 172.67. Values times 5.
    looked = maps(
        values(
            lift_points=2,
            lift_axis=[400, 500],
            progress_axis=[60, 80],
            reduction_map=table([5 * 149, 5 * 169], [5 * 163, 5 * 187]),
        )
    )
    for progress, expected in ((60, 156.14), (80, 178.18), (75, 172.67)):
        looked.look(451, progress)
        assert looked.reduction == round(5 * expected)


@pytest.mark.rule("M1")
@given(st.integers(0, 2**32), st.integers(0, 2**32))
def test_every_map_is_within_one_unit_of_exact_interpolation(number: int, places: int) -> None:
    calibration = any_calibration(random.Random(number))
    lift, progress, reduction, retard = axes_and_cells(calibration)
    looked = maps(calibration)
    rng = random.Random(places)
    at = []
    for _ in range(12):
        row = rng.choice((rng.choice(lift), rng.randint(-LIFT_LIMIT, LIFT_LIMIT)))
        column = rng.choice((rng.choice(progress), rng.randint(0, 65535)))
        at.append((max(-LIFT_LIMIT, min(LIFT_LIMIT, row + rng.randint(-1, 1))), column))
    # Outside source: scipy.interpolate.RegularGridInterpolator, end values held by clipping the place.
    # It wants two points at least on an axis: a single one is doubled.
    grid = [axis if len(axis) > 1 else [axis[0], axis[0] + 1] for axis in (lift, progress)]
    inside = np.column_stack(
        [np.clip([p[i] for p in at], axis[0], axis[-1]) for i, axis in enumerate((lift, progress))]
    )
    exact = []
    for cells in (reduction, retard):
        doubled = np.repeat(cells, 2, axis=0) if len(lift) == 1 else cells
        doubled = np.repeat(doubled, 2, axis=1) if len(progress) == 1 else doubled
        exact.append(RegularGridInterpolator(grid, doubled)(inside))
    for i, place in enumerate(at):
        looked.look(*place)
        assert abs(int(looked.reduction) - exact[0][i]) <= ROUNDING
        assert abs(int(looked.retard) - exact[1][i]) <= ROUNDING


@pytest.mark.rule("M1")
@given(st.integers(0, 2**32), st.integers(-LIFT_LIMIT, LIFT_LIMIT), st.integers(0, 65535))
def test_a_value_lies_between_the_four_cells_around_it(number: int, lift: int, progress: int) -> None:
    calibration = any_calibration(random.Random(number))
    rows, columns, reduction, _ = axes_and_cells(calibration)
    looked = maps(calibration)
    looked.look(lift, progress)
    row = max(int(np.searchsorted(rows, lift, side="right")) - 1, 0)
    column = max(int(np.searchsorted(columns, progress, side="right")) - 1, 0)
    around = reduction[row : row + 2, column : column + 2]
    assert around.min() <= looked.reduction <= around.max()


@pytest.mark.rule("M1")
def test_ends_are_held_and_points_are_met() -> None:
    looked = maps(values())
    for lift, progress, reduction, retard in (
        (-LIFT_LIMIT, 0, 0, 0),
        (960, 0, 0, 0),
        (1600, 0, 0, 50),
        (1600, 2000, 0, 80),
        (3200, 0, 400, 200),
        (3200, 2000, 600, 200),
        (3200, 65535, 600, 200),
        (LIFT_LIMIT, 65535, 600, 200),
        (2400, 1000, 250, 133),
    ):
        looked.look(lift, progress)
        assert (looked.reduction, looked.retard) == (reduction, retard)


@pytest.mark.rule("M1")
def test_the_widest_cell_keeps_its_products_below_2_to_the_30() -> None:
    widest = values(
        lift_points=2,
        lift_axis=[-LIFT_LIMIT, LIFT_LIMIT],
        progress_axis=[0, 65535],
        reduction_map=table([999, 1000], [1000, 1000]),
        retard_map=table([1000, 1000], [1000, 999]),
    )
    looked = maps(widest)
    for lift in (-LIFT_LIMIT + 1, 0, LIFT_LIMIT - 1):
        for progress in (1, 32768, 65534):
            looked.look(lift, progress)
            assert looked.reduction in (999, 1000)
            assert looked.retard in (999, 1000)


@pytest.mark.rule("H5")
@given(st.integers(0, 2**32), st.integers(-LIFT_LIMIT, LIFT_LIMIT), st.integers(0, 65535), st.data())
def test_out_of_sight_takes_the_greatest_value_at_or_above_the_end(
    number: int, end: int, progress: int, data: st.DataObject
) -> None:
    calibration = any_calibration(random.Random(number))
    near = data.draw(st.sampled_from(axes_and_cells(calibration)[0])) + data.draw(st.integers(-1, 1))
    end = data.draw(st.sampled_from((end, max(-LIFT_LIMIT, min(LIFT_LIMIT, near)))))
    looked = maps(calibration)
    looked.look_out_of_sight(end, progress)
    greatest = (looked.reduction, looked.retard)
    # A broken line is greatest at its end or at a point: look there one by one.
    rows, _, _, _ = axes_and_cells(calibration)
    one_by_one = []
    for lift in [end, *(row for row in rows if row > end)]:
        looked.look(lift, progress)
        one_by_one.append((looked.reduction, looked.retard))
    assert greatest == (max(r for r, _ in one_by_one), max(r for _, r in one_by_one))


@pytest.mark.rule("H5")
def test_out_of_sight_sees_a_map_that_falls_again() -> None:
    looked = maps(values(reduction_map=table([0, 0], [900, 900], [200, 200], [100, 100])))
    looked.look_out_of_sight(3200, 0)
    assert looked.reduction == 200
    looked.look_out_of_sight(1600, 0)
    assert looked.reduction == 900
    looked.look_out_of_sight(LIFT_LIMIT, 0)
    assert looked.reduction == 100
    # One unit below the point the point still counts.
    looked.look_out_of_sight(1599, 0)
    assert looked.reduction == 900
