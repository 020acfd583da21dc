"""Strips as messages: what a page draws while a setting moves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.document.blocks import Bands, Events, Line, Panel, Row, Series, Shade, Strip
from bench.document.columns import NONE, Column
from bench.document.message import message, thinned


@settings(max_examples=30)
@given(st.lists(st.integers(0, 5), min_size=1, max_size=400), st.integers(1, 40))
def test_thinning_keeps_ends_and_extremes(values: list[int], columns: int) -> None:
    given_ = np.array(values)
    kept = thinned(given_, columns)
    assert kept[0] == 0
    assert kept[-1] == len(values) - 1
    assert (np.diff(kept) > 0).all()
    assert {given_[kept].min(), given_[kept].max()} == {min(values), max(values)}
    if len(values) <= 4 * columns:
        assert np.array_equal(np.interp(np.arange(len(values)), kept, given_[kept]), given_)


def strip_of(values: np.ndarray, *more: Bands | Events) -> Strip:
    series = Series({"lift": Column(values, 16, "mm", 1), "bits": Column(values & 3)}, first=-0.3, step=0.001)
    shade = Shade("odd", "bits", 1)
    panel = Panel("Lift", "mm", [Line("lift", "lift", series="run")], shades=[shade])
    return Strip("run", "", {"run": series}, [panel, *more], (-0.3, 2.0))


@settings(max_examples=30)
@given(st.lists(st.integers(0, 3), min_size=1, max_size=3000))
def test_bars_and_shades_keep_every_change(values: list[int]) -> None:
    rows = Bands("who", [Row("who", "bits", {1: "solid"}, {1: "one"})])
    found = message(strip_of(np.array(values), rows))
    its = found["series"]["bits"]["columns"]
    at = its["at"]["values"]
    held = np.array(its["bits"]["values"])[np.searchsorted(at, np.arange(len(values)), side="right") - 1]
    assert held.tolist() == values
    odd = np.zeros(len(values), bool)
    for span in found["panels"][0]["shades"]:
        first, stop = (round((span[end] + 0.3) * 1000) for end in ("from", "to"))
        odd[first:stop] = True
    assert odd.tolist() == [bool(v & 1) for v in values]


def test_a_place_is_that_of_the_series_and_a_gap_is_said() -> None:
    found = message(strip_of(np.array([16, 32, NONE, 48])))
    one = found["series"]["lift"]
    places = [one["first"] + at / one["columns"]["at"]["per"] for at in one["columns"]["at"]["values"]]
    assert places == pytest.approx([-0.3, -0.299, -0.298, -0.297])
    assert one["columns"]["lift"]["gaps"]
    assert not one["columns"]["at"]["gaps"]
    assert found["panels"][0]["lines"][0]["series"] == "lift"


def test_cylinder_events_are_refused() -> None:
    none = Column(np.zeros(0, np.int32))
    with pytest.raises(ValueError, match="cylinder events"):
        message(strip_of(np.array([1]), Events("events", none, none, none, [])))
