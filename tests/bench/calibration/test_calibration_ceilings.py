"""Ceilings and the maps made from them: how far apart they are, and when they are refused (M2)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from bench.calibration import CalibrationFile, CalibrationMistakes, compile_text, load
from bench.calibration.ceilings import Ceilings, Fit, fit
from controller.image import Calibration, read
from controller.maps import Maps
from tests import ROOT
from tests.bench.calibration.test_calibration_mistakes import DEMO, swap


def ceilings(progress: list[int], retard: list[int], reduction: list[int], full: list[int]) -> Ceilings:
    return Ceilings(*(np.array(row, float) for row in (progress, retard, reduction, full)))


def brute_force(given: Ceilings, made: Fit, reduction: int, retard: int) -> tuple[float, float]:
    """The largest differences on a dense grid: scipy's bilinear interpolation, the ceilings by hand."""
    lifts = np.linspace(made.lift[0] - 50.0, made.lift[-1] + 50.0, 801)
    ends = given.progress
    places = ends
    if len(ends) > 1:
        places = np.unique(np.concatenate([np.linspace(ends[0], ends[-1], 301), made.progress]))
    # One row and column more outside, so that end values are held there.
    axes = [np.concatenate([[a[0] - 1000.0], a, [a[-1] + 1000.0]]) for a in (made.lift, made.progress)]
    found = []
    for cells, starts, most in (
        (made.reduction, given.reduction_from, reduction),
        (made.retard, given.retard_from, retard),
    ):
        table = RegularGridInterpolator(axes, np.pad(cells.astype(float), 1, mode="edge"), method="linear")
        at = np.stack(np.meshgrid(lifts, places, indexing="ij"), axis=-1)
        start, full = np.interp(places, ends, starts), np.interp(places, ends, given.full)
        wanted = np.minimum(np.maximum((lifts[:, None] - start) / (full - start), 0), 1) * most
        found.append(float(np.abs(table(at) - wanted).max()))
    return found[0], found[1]


SLANTED = ceilings(
    [0, 800, 1500, 2500], [2400, 2240, 2000, 1840], [3280, 2960, 2480, 2160], [5360, 4720, 3760, 2960]
)


@pytest.mark.rule("M2")
@pytest.mark.parametrize("limit", [0.2, 0.1, 0.07, 0.0])
def test_the_printed_difference_is_that_of_a_dense_grid(limit: float) -> None:
    # Outside check: scipy.interpolate.RegularGridInterpolator.
    made = fit(SLANTED, 650, 150, limit)
    reduction, retard = brute_force(SLANTED, made, 650, 150)
    # A dense grid may miss the peak between its points, but never finds more.
    assert made.reduction_off * 0.97 <= reduction <= made.reduction_off + 0.01
    assert made.retard_off * 0.97 <= retard <= made.retard_off + 0.01
    assert made.off == pytest.approx(max(made.reduction_off / 650, made.retard_off / 150))
    if limit >= 0.07:
        assert made.off <= limit
    assert len(made.lift) <= 16
    assert len(made.progress) <= 16


@pytest.mark.rule("M2")
def test_a_tighter_limit_takes_more_points_and_comes_closer() -> None:
    wide, close = fit(SLANTED, 650, 150, 0.2), fit(SLANTED, 650, 150, 0.07)
    assert close.off < wide.off
    assert len(close.progress) > len(wide.progress) >= 4
    assert set(SLANTED.progress) <= set(close.progress)


def test_ceilings_that_do_not_slant_are_followed_exactly() -> None:
    level = ceilings([0, 2500], [2400, 2400], [3280, 3280], [5360, 5360])
    made = fit(level, 650, 150, 0.005)
    assert made.lift.tolist() == [2400, 3280, 5360]
    assert made.progress.tolist() == [0, 2500]
    assert made.reduction.tolist() == [[0, 0], [0, 0], [650, 650]]
    # Nothing is left but the rounding of a cell, half a tenth of a degree.
    assert made.reduction_off < 1e-9
    assert made.retard_off <= 0.5


def test_one_progress_point() -> None:
    made = fit(ceilings([0], [1600], [2400], [4000]), 600, 120, 0.01)
    assert made.progress.tolist() == [0]
    assert made.off <= 0.01


def test_nothing_to_retard() -> None:
    made = fit(ceilings([0, 1000], [1600, 1600], [2400, 2400], [4000, 4000]), 600, 0, 0.001)
    assert made.retard_off == 0
    assert made.off < 0.001


@st.composite
def any_ceilings(draw: st.DrawFn) -> Ceilings:
    count = draw(st.integers(1, 6))
    progress = sorted(draw(st.sets(st.integers(0, 4000), min_size=count, max_size=count)))
    full = draw(st.lists(st.integers(1600, 8000), min_size=count, max_size=count))
    starts = [[most - 100 - int(draw(st.floats(0, 1)) * (most - 200)) for most in full] for _ in range(2)]
    return ceilings(progress, starts[0], starts[1], full)


@pytest.mark.rule("M2")
@settings(max_examples=25, deadline=None)
@given(any_ceilings(), st.integers(0, 1000), st.integers(0, 400), st.sampled_from([0.0, 0.1, 0.3]))
def test_any_ceilings(given: Ceilings, reduction: int, retard: int, limit: float) -> None:
    assume(len(given.progress) < 2 or min(np.diff(given.progress)) >= 20)
    made = fit(given, reduction, retard, limit)
    assert (np.diff(made.lift) > 0).all()
    assert (np.diff(made.progress) > 0).all()
    assert max(len(made.lift), len(made.progress)) <= 16
    found = brute_force(given, made, reduction, retard)
    assert found[0] <= made.reduction_off + 0.001 * reduction + 1e-9
    assert found[1] <= made.retard_off + 0.001 * retard + 1e-9


@pytest.mark.rule("M2")
@settings(max_examples=15, deadline=None)
@given(any_ceilings(), st.integers(-1500, 4000))
def test_ceilings_as_a_whole_higher_have_the_same_maps_so_much_higher(given: Ceilings, shift: int) -> None:
    assume(len(given.progress) < 2 or min(np.diff(given.progress)) >= 20)
    higher = replace(
        given,
        retard_from=given.retard_from + shift,
        reduction_from=given.reduction_from + shift,
        full=given.full + shift,
    )
    made, moved = fit(given, 650, 150, 0.1), fit(higher, 650, 150, 0.1)
    assert (moved.lift - shift).tolist() == made.lift.tolist()
    assert moved.progress.tolist() == made.progress.tolist()
    assert np.array_equal(moved.reduction, made.reduction)
    assert np.array_equal(moved.retard, made.retard)


# -- through a file


def demo(*pairs: tuple[str, str]) -> CalibrationFile:
    text = DEMO
    for there, put in pairs:
        text = swap(text, there, put)
    return compile_text(text, "car.toml")


@pytest.mark.rule("M2")
def test_the_controller_itself_stays_within_the_printed_difference() -> None:
    cal = load(ROOT / "traces" / "plain.toml")
    made = cal.built.map_off
    assert made is not None
    image = Calibration()
    assert read(cal.image, image) == 0
    maps = Maps(image)
    worst = [0.0, 0.0]
    for progress in range(0, 2600, 37):
        lifts = np.arange(1500, 5400, 61)
        speed = np.full(lifts.shape, progress / 10)
        shares = cal.ceilings.shares(lifts / 16, speed)
        for i, lift in enumerate(lifts.tolist()):
            maps.look(lift, progress)
            worst[0] = max(worst[0], abs(maps.reduction - shares[0][i] * 600))
            worst[1] = max(worst[1], abs(maps.retard - shares[1][i] * 120))
    # The controller's own interpolation is within one unit of the exact one (M1).
    assert worst[0] <= made.reduction_off + 1
    assert worst[1] <= made.retard_off + 1
    assert worst[0] > 0.5 * made.reduction_off


@pytest.mark.rule("M2")
def test_the_limit_that_would_be_reached_is_named_and_holds() -> None:
    with pytest.raises(CalibrationMistakes) as caught:
        demo(("largest_difference_percent = 7", "largest_difference_percent = 0.5"))
    (mistake,) = caught.value.errors
    named = mistake.right.removeprefix("at least ").partition(" %")[0]
    cal = demo(("largest_difference_percent = 7", f"largest_difference_percent = {named}"))
    assert cal.built.map_off is not None
    assert cal.built.map_off.off * 100 <= float(named)


def test_the_given_ceilings_are_kept_beside_the_maps() -> None:
    kept = load(ROOT / "traces" / "plain.toml").ceilings
    assert kept.progress.tolist() == [0, 80, 160, 250]
    assert kept.retard_from.tolist() == [150, 140, 125, 110]
    assert kept.reduction_from.tolist() == [200, 185, 160, 140]
    assert kept.full.tolist() == [320, 290, 240, 205]
