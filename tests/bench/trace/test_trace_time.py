"""Times are exact: a log that counts from 1970, in any unit, gives tick for tick what it gives from 0."""

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration import load
from bench.replay.inputs import from_trace
from bench.trace.cells import Stamps
from bench.trace.choice import ColumnChoice
from bench.trace.csv import open_csv
from bench.trace.read import read_trace
from tests import ROOT

TRACES = sorted((ROOT / "traces").glob("*.csv"))
DIGITS = {"s": 9, "ms": 6, "us": 3, "ns": 0}
# 2026-11-27 16:00:00 UTC, with a fraction that no float holds beside it
EPOCH_NS = 1_795_795_200 * 10**9 + 123_456_789


def moved(path, out, unit, first_ns):
    """The trace with its time counted on from `first_ns`, written in `unit` with all its digits."""
    dialect = open_csv(path, ColumnChoice()).dialect
    time_s = read_trace(path).time_s
    raw = path.read_bytes()
    lines = raw.decode("utf-8-sig").splitlines()
    ns = iter(np.rint(time_s * 1e9).astype(np.int64).tolist())
    last = 0
    seen = None
    for at in range(dialect.first_line - 1, len(lines)):
        cells = lines[at].split(dialect.delimiter)
        if not lines[at].strip() or lines[at].startswith("#"):
            continue
        if cells[0] != seen:
            last, seen = next(ns), cells[0]
        number = Decimal(first_ns + last) / 10 ** DIGITS[unit]
        cells[0] = f"{number:f}".replace(".", dialect.decimal)
        lines[at] = dialect.delimiter.join(cells)
    out.write_text("\n".join(lines) + "\n")
    return out


@pytest.mark.slow
@pytest.mark.parametrize("path", TRACES, ids=lambda path: path.stem)
def test_every_demo_trace_gives_the_same_from_four_epochs(path, tmp_path):
    calibration = load(ROOT / "traces" / "demo.toml")
    plain = from_trace(read_trace(path), calibration)
    for unit in DIGITS:
        late = moved(path, tmp_path / f"{unit}.csv", unit, EPOCH_NS)
        trace = read_trace(late, ColumnChoice({"time": f"1:{unit}"}))
        assert trace.time_s[0] == 0
        # in seconds nine digits, and in each unit all the digits that a nanosecond needs
        assert trace.epoch_ns == EPOCH_NS
        assert len(trace.gaps) == len(read_trace(path).gaps)
        made = from_trace(trace, calibration)
        for name, column in plain.arrays.items():
            assert np.array_equal(made.arrays[name], column), (unit, name)
        assert np.array_equal(made.lost, plain.lost)
        assert [n for n in made.notes if "gap" in n] == [n for n in plain.notes if "gap" in n]


def test_a_log_from_1970_at_10_hz_has_no_gaps(tmp_path):
    path = tmp_path / "slow.csv"
    rows = "".join(f"{1_700_000_000 + i // 10}.{i % 10},{100 + i % 7}\n" for i in range(400))
    path.write_text("time_s,height_mm\n" + rows)
    trace = read_trace(path)
    assert trace.gaps == []
    assert not trace.uneven
    made = from_trace(trace, load(ROOT / "traces" / "demo.toml"))
    assert not made.lost.any()
    assert not any("gap" in note for note in made.notes)


def test_a_10_hz_logger_that_is_a_little_late_has_lost_nothing(tmp_path):
    path = tmp_path / "late.csv"
    times = [i * 100 + (i * 37) % 23 for i in range(100)]
    path.write_text("time_ms,height_mm\n" + "".join(f"{t},130\n" for t in times))
    assert not from_trace(read_trace(path), load(ROOT / "traces" / "demo.toml")).lost.any()
    # a row that is missing is a gap still
    path.write_text("time_ms,height_mm\n" + "".join(f"{t},130\n" for t in times if not 4000 <= t < 4100))
    assert from_trace(read_trace(path), load(ROOT / "traces" / "demo.toml")).lost.any()


def test_a_gap_is_told_by_its_row_and_from_the_start(tmp_path):
    path = tmp_path / "gap.csv"
    times = [1_700_000_000_000 + i * 10 + 5000 * (i >= 40) for i in range(80)]
    path.write_text("timestamp (ms);height_mm\n" + "".join(f"{t};130\n" for t in times))
    trace = read_trace(path)
    assert trace.gaps == [(0.39, 5.4)]
    assert trace.gap_rows == (40,)
    assert any("2023-11-14 22:13:20 UTC" in note for note in trace.notes)


def test_the_row_of_a_gap_counts_rows_that_were_dropped(tmp_path):
    path = tmp_path / "gap.csv"
    path.write_text("time_s,height_mm\n0,1\n,1\n0.1,1\n0.1,1\n0.2,1\n0.3,1\n5,1\n5.1,1\n")
    assert read_trace(path).gap_rows == (6,)


digits = st.integers(0, 10**12)


@settings(max_examples=200)
@given(st.lists(digits, min_size=2, max_size=6), st.sampled_from(sorted(DIGITS)), st.integers(0, 15))
def test_a_stamp_is_its_decimal_rounded_to_the_nanosecond(numbers, unit, places):
    """Outside check: exact fractions and Python's round, which goes half to even (IEEE 754-2019, 4.3.1)."""
    texts = [f"{Decimal(number).scaleb(-places):f}" for number in numbers]
    stamps = Stamps(".", unit, 1.0, places)
    got = [stamps.cell(text) for text in texts]
    exact = [round(Fraction(text) * Fraction(10) ** DIGITS[unit]) for text in texts]
    assert stamps.first_ns == exact[0]
    assert got == [float(one - exact[0]) for one in exact]


WRITTEN = {
    "many digits": "%.18e",
    "shortest": "%r",
    "nanoseconds": "%.9f",
    "with exponents": "%.6E",
}


@pytest.mark.parametrize("form", WRITTEN)
def test_the_quick_and_the_row_reader_see_the_same_times(form, tmp_path):
    times = [1_700_000_000 + i * 0.1 if form != "with exponents" else i * 0.1 for i in range(50)]
    rows = [f"{WRITTEN[form] % t},{i}\n" for i, t in enumerate(times)]
    quick, slow = tmp_path / "quick.csv", tmp_path / "slow.csv"
    quick.write_text("time_s,height_mm\n" + "".join(rows))
    slow.write_text("time_s,height_mm\n" + rows[0] + "# only the row reader takes this\n" + "".join(rows[1:]))
    one, other = read_trace(quick), read_trace(slow)
    assert np.array_equal(one.time_s, other.time_s)
    assert one.epoch_ns == other.epoch_ns
