"""Ceilings as maps and maps as the nearest ceilings: what is said of the change is what changes."""

from __future__ import annotations

import numpy as np
import pytest

from bench.calibration import compile_text, load
from bench.desk.convert import convert
from bench.errors import UserError
from tests.desk_support import TRACES

FILES = ("plain", "demo", "demo_front_wheel")


@pytest.mark.parametrize("name", FILES)
def test_maps_are_those_that_the_controller_had(name: str) -> None:
    cal = load(TRACES / f"{name}.toml")
    made = convert(cal)
    assert compile_text(made.text, "x.toml").image == cal.image
    assert any("bit for bit" in said for said in made.says)
    lines, before = made.text.splitlines(), cal.text.splitlines()
    ours = before.index("[ceilings]")
    assert lines[:ours] == before[:ours]  # comments and all
    after = before.index("[latch]")
    assert lines[-(len(before) - after) :] == before[after:]
    assert "[ceilings]" not in lines


@pytest.mark.parametrize("name", FILES)
def test_ceilings_come_back_from_their_maps(name: str) -> None:
    given = load(TRACES / f"{name}.toml")
    maps = compile_text(convert(given).text, "x.toml")
    made = convert(maps)
    back = compile_text(made.text, "x.toml")
    lines, were = back.ceilings, given.ceilings
    for line, was in ((lines.reduction_from, were.reduction_from), (lines.full, were.full)):
        assert np.abs(line - np.interp(lines.progress, were.progress, was)).max() < 3
    assert back.built.ceilings_mm is not None
    # what it says of the difference, anywhere between the points too, by the controller's own arithmetic
    told = float(made.says[1].split("up to ")[1].split(" %")[0])
    cells = np.abs(_at_points(back, maps) - maps.map_cells("reduction_map")).max() / 10
    assert 0 < cells <= told + 0.1
    assert told < 12


def _at_points(cal, other):  # type: ignore[no-untyped-def]
    """One calibration's reduction map at the points of another, by scipy's own interpolation."""
    from scipy.interpolate import RegularGridInterpolator

    axes = [np.asarray(cal.row(axis), float) for axis in ("lift_axis", "progress_axis")]
    look_up = RegularGridInterpolator(axes, cal.map_cells("reduction_map").astype(float))
    lifts, points = (np.asarray(other.row(axis), float) for axis in ("lift_axis", "progress_axis"))
    inside = np.clip(lifts, axes[0][0], axes[0][-1]), np.clip(points, axes[1][0], axes[1][-1])
    return look_up(np.stack(np.meshgrid(*inside, indexing="ij"), axis=-1))


def test_inches_miles_and_line_ends_stay() -> None:
    text = (TRACES / "plain.toml").read_text()
    inches = text.replace("retard_from_mm = [150, 140, 125, 110]", "retard_from_in = [6, 5.5, 5, 4.5]")
    inches = inches.replace(
        "reduction_from_mm = [200, 185, 160, 140]", "reduction_from_in = [8, 7.5, 6.5, 5.5]"
    )
    inches = inches.replace(
        "reduction_full_mm = [320, 290, 240, 205]", "reduction_full_in = [12.5, 11.5, 9.5, 8]"
    )
    assert inches.count("_in = [") == 3
    crlf = inches.replace("\n", "\r\n")
    made = convert(compile_text(crlf, "x.toml")).text
    assert "lift_in = [" in made
    assert made.count("\n") == made.count("\r\n")
    assert "reduction_full_in = [" in convert(compile_text(made, "x.toml")).text


def test_maps_that_never_cut_have_no_ceilings() -> None:
    text = convert(load(TRACES / "plain.toml")).text
    start, stop = text.index("reduction_percent = ["), text.index("retard_deg = [")
    rows = text[start:stop].count("    [")
    columns = text[start:stop].splitlines()[1].count(",")
    none = "reduction_percent = [" + ", ".join(["[" + ", ".join(["0"] * columns) + "]"] * rows) + "]\n"
    with pytest.raises(UserError, match="never cut"):
        convert(compile_text(text[:start] + none + text[stop:], "x.toml"))
