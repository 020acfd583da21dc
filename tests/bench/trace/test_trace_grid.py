"""A trace laid on the tick."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.interpolate import interp1d

from bench.trace.grid import on_grid
from bench.trace.model import Channel, Trace


def trace_of(time, **channels):
    time = np.asarray(time, dtype=float)
    made = {}
    for role, samples in channels.items():
        values = np.array([np.nan if x is None else x for x in samples], dtype=float)
        made[role] = Channel(role, role, "", values, ~np.isnan(values))
    return Trace(Path("run.csv"), "CSV", 0, "", time, made, (), [], [], 1.0, False, len(time))


def laid(trace, role, tick_us=1000, max_gap_s=1.0):
    grid = on_grid(trace, tick_us, max_gap_s)
    assert len(grid.values[role]) == len(grid.valid[role]) == grid.n
    assert np.array_equal(np.isnan(grid.values[role]), ~grid.valid[role])
    return [None if np.isnan(x) else float(x) for x in grid.values[role]]


def test_height_goes_in_straight_lines_and_hits_its_samples():
    trace = trace_of([5.0, 5.004, 5.006], height=[100, 104, 100])
    grid = on_grid(trace, 1000, 1.0)
    assert (grid.n, grid.start_s, grid.tick_us) == (7, 5.0, 1000)
    assert laid(trace, "height") == [100, 101, 102, 103, 104, 102, 100]


def test_a_tick_longer_than_the_rate_takes_the_samples_it_meets():
    trace = trace_of(np.arange(11) / 1000, height=np.arange(11))
    assert laid(trace, "height", tick_us=5000) == [0, 5, 10]


def test_a_gap_is_not_crossed():
    trace = trace_of([0, 0.002, 0.006, 0.008], height=[0, 2, 6, 8], armed=[1, 1, 0, 0])
    assert laid(trace, "height", max_gap_s=0.003) == [0, 1, 2, None, None, None, 6, 7, 8]
    assert laid(trace, "armed", max_gap_s=0.003) == [1, 1, 1, None, None, None, 0, 0, 0]
    # a gap as long as the limit is still bridged
    assert None not in laid(trace, "height", max_gap_s=0.004)


def test_nothing_is_continued_beyond_the_samples():
    trace = trace_of(
        [0, 0.001, 0.002, 0.003, 0.004], height=[None, 1, None, 3, None], armed=[None, 1, None, None, None]
    )
    assert laid(trace, "height") == [None, 1, 2, 3, None]
    # a switch that is written only when it changes holds to the end of the recording
    assert laid(trace, "armed") == [None, 1, 1, 1, 1]


def test_a_value_from_before_a_gap_is_not_held_after_it():
    trace = trace_of([0, 0.001, 0.005, 0.006, 0.007], height=[0, 1, 2, 3, 4], armed=[1, None, None, 0, None])
    assert laid(trace, "armed", max_gap_s=0.002) == [1, 1, None, None, None, None, 0, 0]


def test_switches_change_on_their_own_instant():
    trace = trace_of([0, 0.02, 0.14], height=[0, 0, 0], launch=[0, 1, 0], request_reason=[0, 20, 21])
    launch = laid(trace, "launch")
    assert launch == [0] * 20 + [1] * 120 + [0]
    assert laid(trace, "request_reason")[139:] == [20, 21]


def test_a_column_that_never_has_a_value():
    trace = trace_of([0, 0.001], height=[0, 1], speed=[None, None])
    assert laid(trace, "speed") == [None, None]


@pytest.mark.parametrize("arguments", [(0, 1.0), (-1, 1.0), (1000, 0.0), (1000, float("nan"))])
def test_nonsense_is_refused(arguments):
    with pytest.raises(ValueError, match="positive"):
        on_grid(trace_of([0, 1], height=[0, 1]), *arguments)


samples = st.lists(st.tuples(st.integers(1, 40), st.floats(-1e4, 1e4)), min_size=2, max_size=12)


@settings(max_examples=100)
@given(samples, st.sampled_from([500, 1000, 2000, 10000]), st.floats(0, 1e5))
@example([(17, 0.0), (1, 0.0)], 500, 70369.67068871149)
@example([(1, 0.0), (16, 1.0)], 500, 70369.67068871149)
def test_interpolation_equals_numpy_and_scipy(steps, tick_us, start):
    """Outside check: numpy.interp and scipy.interpolate.interp1d on the same points."""
    ms = np.cumsum([step for step, _ in steps])
    heights = np.array([value for _, value in steps])
    trace = trace_of(start + ms / 1000, height=heights, armed=heights > 0)
    grid = on_grid(trace, tick_us, 1.0)
    ticks_ms = np.arange(grid.n) * (tick_us / 1000)
    assert grid.n == int((ms[-1] - ms[0]) * 1000 // tick_us) + 1
    points = ticks_ms + ms[0]
    # the stamps are rounded to float64 and to whole nanoseconds, and a height moves by that much of the
    # steepest slope (steps of 1 ms)
    slack = 1e-9 + 2 * (1e-9 + np.spacing(trace.time_s[-1])) * np.abs(np.diff(heights)).max() / 0.001
    assert np.allclose(grid.values["height"], np.interp(points, ms, heights), rtol=0, atol=slack)
    assert np.allclose(grid.values["height"], interp1d(ms, heights)(points), rtol=0, atol=slack)
    previous = interp1d(ms, (heights > 0).astype(float), kind="previous")
    assert np.array_equal(grid.values["armed"], previous(points))
    assert grid.valid["height"].all()
    on_sample = np.isin(points, ms)
    assert np.array_equal(grid.values["height"][on_sample], heights[np.isin(ms, points)])


@settings(max_examples=60)
@given(samples, st.integers(1, 40))
def test_a_tick_is_valid_just_where_its_samples_are_near(steps, limit_ms):
    ms = np.cumsum([step for step, _ in steps]) - steps[0][0]
    trace = trace_of(ms / 1000, height=[value for _, value in steps])
    valid = on_grid(trace, 1000, limit_ms / 1000).valid["height"]
    expected = [
        tick in ms or min(x for x in ms if x > tick) - max(x for x in ms if x < tick) <= limit_ms
        for tick in range(int(ms[-1]) + 1)
    ]
    assert valid.tolist() == expected


@pytest.mark.slow
def test_an_hour_at_one_millisecond_stays_small(tmp_path):
    """The whole way from the file to the grid, 3.6 million ticks of four columns, below 600 MB."""
    import subprocess
    import sys

    path = tmp_path / "hour.csv"
    n = 3_600_000
    with path.open("w") as out:
        out.write("time_s,height_mm,speed_kmh,rpm\n")
        for start in range(0, n, 100_000):
            out.writelines(
                f"{i / 1000:.3f},{i % 977}.25,{i % 200},{i % 9000}\n" for i in range(start, start + 100_000)
            )
    program = (
        "import re, sys\n"
        "from bench.trace.read import read_trace\n"
        "from bench.trace.grid import on_grid\n"
        "grid = on_grid(read_trace(sys.argv[1]), 1000, 0.1)\n"
        # what getrusage says begins with what the process that started this one had
        "print(grid.n, int(re.search(r'VmHWM:\\s*(\\d+)', open('/proc/self/status').read())[1]) // 1024)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True
    )
    ticks, megabytes = map(int, run.stdout.split())
    assert ticks == n
    assert megabytes < 550


@given(
    st.lists(st.floats(-1000, 1000), min_size=2, max_size=30),
    st.lists(st.sampled_from([0.0, 1.0]), min_size=30, max_size=30),
    st.sampled_from([0.0004, 0.001, 1.0]),
)
def test_a_row_at_each_tick_is_taken_as_it_is(height, armed, max_gap_s):
    n = len(height)
    time = np.arange(n) / 1000
    trace = trace_of(time, height=height, armed=armed[:n])
    assert laid(trace, "height", max_gap_s=max_gap_s) == height
    assert laid(trace, "armed", max_gap_s=max_gap_s) == armed[:n]
    # one more row after the last tick keeps the short way from being taken; it must change nothing
    longer = trace_of([*time, time[-1] + 0.0003], height=[*height, 0.0], armed=[*armed[:n], 0.0])
    for role in ("height", "armed"):
        assert laid(longer, role, max_gap_s=max_gap_s) == laid(trace, role, max_gap_s=max_gap_s)
