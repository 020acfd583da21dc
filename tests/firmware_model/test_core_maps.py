"""The greatest value at or above a lift: the C core takes a shorter way to it than the reference."""

from __future__ import annotations

import ctypes
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.image import pack
from controller import Calibration, read
from controller.constants import AXIS_POINTS, MAP_CELLS
from controller.maps import Maps
from firmware_model.core_sources import CORE
from tests.core_support import STRICT
from tests.support import values
from tests.tools import need, run


class _Maps(ctypes.Structure):
    _fields_ = (
        ("calibration", ctypes.c_void_p),
        *((name, ctypes.c_int32) for name in ("column", "across", "width", "right", "reduction", "retard")),
    )


@pytest.fixture(scope="session")
def core(tmp_path_factory: pytest.TempPathFactory) -> Any:
    made = tmp_path_factory.mktemp("maps") / "maps.so"
    run(*need("gcc"), *STRICT, "-O1", "-fPIC", "-shared", CORE / "maps.c", CORE / "fixed.c", "-o", made)
    return ctypes.CDLL(str(made))


@st.composite
def axis(draw: st.DrawFn, least: int, greatest: int) -> list[int]:
    points = draw(st.integers(1, AXIS_POINTS))
    inside = st.integers(least, greatest)
    near = st.integers(0, 40).map(lambda step: least + step)
    chosen = draw(st.lists(st.one_of(inside, near), min_size=points, max_size=points, unique=True))
    return sorted(chosen)


CELLS = st.one_of(
    st.lists(st.integers(0, 1000), min_size=MAP_CELLS, max_size=MAP_CELLS),
    st.lists(st.sampled_from([0, 999, 1000]), min_size=MAP_CELLS, max_size=MAP_CELLS),
)


@pytest.mark.rule("H5", "M1")
@settings(max_examples=150)
@given(
    lifts=axis(-32767, 32767),
    columns=axis(0, 65535),
    cells=st.tuples(CELLS, CELLS),
    place=st.tuples(
        st.integers(-33000, 33000), st.integers(0, 65535), st.integers(-1, 15), st.integers(-1, 15)
    ),
)
def test_out_of_sight_is_the_references(
    core: Any,
    lifts: list[int],
    columns: list[int],
    cells: tuple[list[int], list[int]],
    place: tuple[int, ...],
) -> None:
    image = pack(
        values(
            lift_points=len(lifts),
            lift_axis=lifts,
            progress_points=len(columns),
            progress_axis=columns,
            reduction_map=cells[0],
            retard_map=cells[1],
        )
    )
    calibration = Calibration()
    assert read(image, calibration) == 0
    reference = Maps(calibration)
    kept = ctypes.create_string_buffer(image, len(image))
    made = _Maps()
    core.lift_maps_reset(ctypes.byref(made), kept)
    lift, progress, row, column = place
    # anywhere, and just at the points
    for at_lift in {lift, lifts[row % len(lifts)] + (row < 0)}:
        for at_progress in {progress, min(columns[column % len(columns)] + (column < 0), 65535)}:
            reference.look_out_of_sight(at_lift, at_progress)
            core.lift_maps_look_out_of_sight(ctypes.byref(made), at_lift, at_progress)
            assert (made.reduction, made.retard) == (reference.reduction, reference.retard)
