"""What a page keeps of a very long run, against a plain loop."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.replay.decimate import Decimated


@given(st.data())
@settings(max_examples=80)
def test_no_peak_is_lost_and_no_tick_around_a_launch(data: st.DataObject) -> None:
    n = data.draw(st.integers(41, 400))
    values = np.array(data.draw(st.lists(st.integers(-9, 9), min_size=n, max_size=n)))
    edges = sorted(data.draw(st.lists(st.integers(0, n), max_size=4)))
    windows = list(zip(edges[::2], edges[1::2], strict=False))
    some = Decimated(n, windows, most=40)
    at, seen, codes = some.ticks(), some.of(values), some.codes(values)
    assert some.thinned
    assert len(at) == len(seen) == len(codes)
    assert (np.diff(at) > 0).all()
    assert at[0] >= 0
    assert at[-1] < n
    # every tick around a launch that there is room for, as it is
    for start, stop in some.windows:
        place = np.searchsorted(at, np.arange(start, stop))
        assert at[place].tolist() == list(range(start, stop))
        assert seen[place].tolist() == codes[place].tolist() == values[start:stop].tolist()
    room = 20
    for start, stop in windows:
        room -= stop - start
        if room < 0:
            break
        assert all(any(a <= tick < b for a, b in some.windows) for tick in range(start, stop))
    # elsewhere the least and the greatest of each stretch, none longer than the stride
    inside = {tick for start, stop in some.windows for tick in range(start, stop)}
    starts = [0]
    while starts[-1] < n:
        tick = starts[-1]
        until = tick + 1
        while tick not in inside and until < n and until < tick + some.stride and until not in inside:
            until += 1
        starts.append(until)
    expected: list[int] = []
    for a, b in pairwise(starts):
        part = values[a:b].tolist()
        expected += part if len(part) == 1 else [min(part), max(part)]
    assert seen.tolist() == expected
    assert len(seen) <= 40 + 2 * (len(some.windows) + 1) + 2


def test_what_is_computed_stands_in_the_windows_only() -> None:
    some = Decimated(1000, [(100, 110), (500, 505)], most=100)
    found = some.computed(lambda start, stop: np.arange(start, stop, dtype=np.float64))
    at = some.ticks()
    known = np.isfinite(found)
    assert at[known].tolist() == found[known].tolist() == [*range(100, 110), *range(500, 505)]
    events = np.array([3, 99, 100, 109, 110, 504, 900])
    assert events[some.events(events)].tolist() == [100, 109, 504]
    assert "every tick around the launches" in some.note


@pytest.mark.parametrize("n", [0, 1, 100])
def test_of_a_short_run_everything_is_kept(n: int) -> None:
    some = Decimated(n, [(0, n)], most=100)
    values = np.arange(n)
    assert not some.thinned
    assert some.of(values) is values
    assert some.ticks().tolist() == values.tolist()
    assert values[some.events(values)].tolist() == values.tolist()
