"""What a page keeps of a very long run, against a plain loop."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.replay.kept import Kept


@given(st.data())
@settings(max_examples=80)
def test_no_peak_is_lost_and_no_tick_around_a_launch(data: st.DataObject) -> None:
    n = data.draw(st.integers(41, 400))
    values = np.array(data.draw(st.lists(st.integers(-9, 9), min_size=n, max_size=n)))
    edges = sorted(data.draw(st.lists(st.integers(0, n), max_size=4)))
    windows = list(zip(edges[::2], edges[1::2], strict=False))
    kept = Kept(n, windows, most=40)
    at, seen, codes = kept.ticks(), kept.of(values), kept.codes(values)
    assert kept.thinned
    assert len(at) == len(seen) == len(codes)
    assert (np.diff(at) > 0).all()
    assert at[0] >= 0
    assert at[-1] < n
    # every tick around a launch that there is room for, as it is
    for start, stop in kept.windows:
        place = np.searchsorted(at, np.arange(start, stop))
        assert at[place].tolist() == list(range(start, stop))
        assert seen[place].tolist() == codes[place].tolist() == values[start:stop].tolist()
    room = 20
    for start, stop in windows:
        room -= stop - start
        if room < 0:
            break
        assert all(any(a <= tick < b for a, b in kept.windows) for tick in range(start, stop))
    # elsewhere the least and the greatest of each stretch, none longer than the stride
    inside = {tick for start, stop in kept.windows for tick in range(start, stop)}
    starts = [0]
    while starts[-1] < n:
        tick = starts[-1]
        until = tick + 1
        while tick not in inside and until < n and until < tick + kept.stride and until not in inside:
            until += 1
        starts.append(until)
    expected: list[int] = []
    for a, b in pairwise(starts):
        part = values[a:b].tolist()
        expected += part if len(part) == 1 else [min(part), max(part)]
    assert seen.tolist() == expected
    assert len(seen) <= 40 + 2 * (len(kept.windows) + 1) + 2


def test_what_is_computed_stands_in_the_windows_only() -> None:
    kept = Kept(1000, [(100, 110), (500, 505)], most=100)
    found = kept.computed(lambda start, stop: np.arange(start, stop, dtype=np.float64))
    at = kept.ticks()
    known = np.isfinite(found)
    assert at[known].tolist() == found[known].tolist() == [*range(100, 110), *range(500, 505)]
    events = np.array([3, 99, 100, 109, 110, 504, 900])
    assert events[kept.events(events)].tolist() == [100, 109, 504]
    assert "every tick around the launches" in kept.said


@pytest.mark.parametrize("n", [0, 1, 100])
def test_of_a_short_run_everything_is_kept(n: int) -> None:
    kept = Kept(n, [(0, n)], most=100)
    values = np.arange(n)
    assert not kept.thinned
    assert kept.of(values) is values
    assert kept.ticks().tolist() == values.tolist()
    assert values[kept.events(values)].tolist() == values.tolist()
