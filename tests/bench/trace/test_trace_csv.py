"""CSV as it comes off loggers, and the mistakes people meet."""

import codecs
import csv
import io
import json
import math
import os
import string
import weakref

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.errors import UserError
from bench.trace.choice import ColumnChoice
from bench.trace.csv import _Lent
from bench.trace.read import read_trace
from tests import RECORDINGS


@pytest.fixture
def read(tmp_path):
    """Read a text or bytes as a trace; keywords are roles with the text of their column option."""

    def reader(content, name="run.csv", rate=None, offset=0.0, delimiter=None, decimal=None, **columns):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_trace(path, ColumnChoice(columns, rate, offset, delimiter, decimal))

    return reader


def values(trace, role="height"):
    channel = trace.channels[role]
    assert np.array_equal(np.isnan(channel.values), ~channel.valid)
    return [None if math.isnan(x) else x for x in channel.values.tolist()]


def said(trace):
    return "\n".join(trace.notes)


def failure(read, *args, **kwargs):
    with pytest.raises(UserError) as caught:
        read(*args, **kwargs)
    line = str(caught.value)
    assert "\n" not in line
    return line


PLAIN = "time_s,height_mm\n0,100\n0.1,101.5\n0.2,103\n"


# --- the forms of a table


FORMS = {
    "comma": PLAIN,
    "semicolon": PLAIN.replace(",", ";"),
    "tab": PLAIN.replace(",", "\t"),
    "pipe": PLAIN.replace(",", "|"),
    "one space": PLAIN.replace(",", " "),
    "runs of spaces": "  time_s   height_mm\n  0   100\n  0.1 101.5 \n0.2    103\n",
    "trailing spaces": "time_s height_mm   \n0 100   \n0.1 101.5  \n0.2 103 \n",
    "comma and space": PLAIN.replace(",", ", "),
    "decimal comma": PLAIN.replace(",", ";").replace(".", ","),
    "decimal comma, tab": PLAIN.replace(",", "\t").replace(".", ","),
    "decimal comma, quoted": 'time_s,height_mm\n"0","100"\n"0,1","101,5"\n"0,2","103"\n',
    "CRLF": PLAIN.replace("\n", "\r\n"),
    "CR": PLAIN.replace("\n", "\r"),
    "no last newline": PLAIN[:-1],
    "blank lines": PLAIN.replace("\n", "\n\n"),
    "trailing delimiters": PLAIN.replace("\n", ",\n"),
    "trailing delimiters in the rows only": "time_s,height_mm\n0,100,\n0.1,101.5,\n0.2,103,\n",
    "brackets": "Time [s],Height [mm]\n0,100\n0.1,101.5\n0.2,103\n",
    "parentheses": "Time (s),Height (mm)\n0,100\n0.1,101.5\n0.2,103\n",
    "unit after a blank": "Time s,Ride Height mm\n0,100\n0.1,101.5\n0.2,103\n",
    "unit after a slash": "t/s;height/mm\n0;100\n0,1;101,5\n0,2;103\n",
    "row of units": "time,height\ns,mm\n0,100\n0.1,101.5\n0.2,103\n",
    "row of units in brackets": "time,height\n[s],[mm]\n0,100\n0.1,101.5\n0.2,103\n",
    "comments above": "# car 7\n; noon\n% dry\n" + PLAIN,
    "free text above": "Date: 2024-05-01\nDriver, Joe\nSample rate,10\n\n" + PLAIN,
    "separator hint above": "sep=;\n" + PLAIN.replace(",", ";"),
    "names in a comment": "# time_s height_mm\n0 100\n0.1 101.5\n0.2 103\n",
    "names and units in comments": "# time height\n# s mm\n0 100\n0.1 101.5\n0.2 103\n",
    "comment between rows": PLAIN.replace("0.1,", "# shift\n0.1,"),
    "quoted": '"time_s","height_mm"\n"0","100"\n"0.1","101.5"\n"0.2","103"\n',
    "padded cells": "time_s,height_mm\n 0 ,  100\n0.1,101.5  \n 0.2, 103\n",
    "milliseconds": "time_ms,height_mm\n0,100\n100,101.5\n200,103\n",
    "microseconds": "time (µs),height_mm\n0,100\n100000,101.5\n200000,103\n",
    "clock": "time,height_mm\n00:00:00.000,100\n00:00:00.100,101.5\n00:00:00.200,103\n",
    "minutes and seconds": "time;height_mm\n0:00,000;100\n0:00,100;101,5\n0:00,200;103\n",
    "metres": "time_s,height_m\n0,0.1\n0.1,0.1015\n0.2,0.103\n",
    "other columns": "lap;name;time_s;note;height_mm\n1;a b;0;;100\n1;;0.1;x;101.5\n1;c;0.2;y;103\n",
    "signs and exponents": "time_s,height_mm\n+0,1e2\n1e-1,+1.015E2\n.2,103.\n",
    "short last columns": "time_s,height_mm,x,y\n0,100\n0.1,101.5,1\n0.2,103,1,2\n",
    "comment with the cells of a row": "note,time_s,height_mm\na,0,100\n#b,0.05,7\nc,0.1,101.5\nd,0.2,103\n",
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_trace(read, form):
    trace = read(FORMS[form])
    assert trace.time_s.tolist() == pytest.approx([0, 0.1, 0.2], rel=1e-15)
    assert values(trace) == pytest.approx([100, 101.5, 103], rel=1e-15)
    assert trace.channels["height"].unit == "mm"
    assert trace.rate_hz == pytest.approx(10)


UMLAUT = "time_s,height_mm,Öl\n0,100,1\n0.1,101.5,2\n"
ENCODINGS = {
    "utf-8 with mark": codecs.BOM_UTF8 + UMLAUT.encode(),
    "utf-16 with mark": UMLAUT.encode("utf-16"),
    "utf-16 big end first": codecs.BOM_UTF16_BE + UMLAUT.encode("utf-16-be"),
    "utf-16 without mark": UMLAUT.encode("utf-16-le"),
    "latin-1": UMLAUT.encode("latin-1"),
}


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_every_encoding_gives_the_same_trace(read, encoding):
    trace = read(ENCODINGS[encoding])
    assert values(trace) == [100, 101.5]
    assert [column.name for column in trace.columns] == ["time_s", "height_mm", "Öl"]


# RFC 4180, section 2, rules 5 to 7: quoted fields; line breaks, quotes and commas inside; "" for a quote.
RFC_4180 = [
    ('"aaa","b CRLF bb","ccc"', '"aaa","b \r\nbb","ccc"', ["aaa", "b \r\nbb", "ccc"]),
    ("doubled quote", '"aaa","b""bb","ccc"', ["aaa", 'b"bb', "ccc"]),
    ("comma inside", '"aaa","b,bb","ccc"', ["aaa", "b,bb", "ccc"]),
]


@pytest.mark.parametrize(("title", "line", "cells"), RFC_4180)
def test_quoted_text_as_in_rfc_4180(read, title, line, cells):
    header = f"{line},time_s,height_mm\r\n"
    row = f"{line},0,100\r\n{line},0.1,101\r\n"
    trace = read(header + row)
    assert [column.name for column in trace.columns[:3]] == cells
    assert values(trace) == [100, 101]


def test_lines_are_counted_through_quoted_line_ends(read):
    text = 'time_s,note,height_mm\n0,"a\nb\nc",100\n0.1,x,oops\n'
    assert "run.csv:5:" in failure(read, text)


# --- any table in any dialect

finite = st.floats(-1e6, 1e6).map(lambda x: float(f"{x:.9g}"))
NOTE_LETTERS = string.ascii_letters + ' "\n#'


@st.composite
def dialects(draw):
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    return {
        "delimiter": delimiter,
        "decimal": draw(st.sampled_from([".", ","])),
        "ending": draw(st.sampled_from(["\n", "\r\n"])),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"])),
        "header": draw(st.sampled_from(["suffix", "bracket", "units row", "none"])),
        "preamble": draw(st.sampled_from(["", "# made today\n", "Date: today\n\n"])),
        "trailing": draw(st.booleans()),
        "last newline": draw(st.booleans()),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
    }


def written(rows, d):
    def number(value):
        return "" if value is None else repr(value).replace(".", d["decimal"])

    names = {
        "suffix": [["time_s", "note", "height_mm"]],
        "bracket": [["time [s]", "note", "height [mm]"]],
        "units row": [["time", "note", "height"], ["s", "", "mm"]],
        "none": [],
    }[d["header"]]
    table = names + [[number(t), note, number(h)] for t, note, h in rows]
    if d["trailing"]:
        table = [[*row, ""] for row in table]
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=d["delimiter"], quoting=d["quoting"], lineterminator=d["ending"]).writerows(
        table
    )
    text = d["preamble"].replace("\n", d["ending"]) + out.getvalue()
    if not d["last newline"]:
        text = text[: -len(d["ending"])]
    return text.encode(d["encoding"])


@pytest.mark.slow
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), start=st.floats(0, 1000).map(lambda x: round(x, 3)), d=dialects(), told=st.booleans())
def test_what_is_written_in_any_dialect_reads_back_equal(read, data, start, d, told):
    # Text full of other delimiters can have two readings: then the person says which.
    words = st.text(NOTE_LETTERS + (",;|\t" if told else d["delimiter"]), max_size=8)
    rows = data.draw(st.lists(st.tuples(words, st.none() | finite), min_size=2, max_size=8))
    if all(height is None for _, height in rows):
        rows[0] = (rows[0][0], 1.5)
    # A fraction in every time shows the decimal mark.
    table = [(round(start + 0.25 + i, 3), note, height) for i, (note, height) in enumerate(rows)]
    options = {"time": "1:s", "height": "3:mm"} if d["header"] == "none" else {}
    if told:
        options |= {"delimiter": d["delimiter"], "decimal": d["decimal"]}
    trace = read(written(table, d), **options)
    assert trace.time_s.tolist() == [row[0] for row in table]
    assert values(trace) == [row[2] for row in table]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.tuples(finite, st.none() | finite), min_size=2, max_size=8))
def test_the_quick_and_the_row_reader_agree(read, rows):
    lines = [f"{i / 8},{a!r},{'' if b is None else repr(b)}\n" for i, (a, b) in enumerate(rows)]
    quick = read("time_s,height_mm,speed_kmh\n" + "".join(lines))
    # A comment between the rows is what only the row reader takes.
    slow = read("time_s,height_mm,speed_kmh\n" + lines[0] + "# pause\n" + "".join(lines[1:]))
    assert "1 comment line between the rows not read" in said(slow)
    assert values(quick) == values(slow) == [a for a, _ in rows]
    assert values(quick, "speed") == values(slow, "speed") == [b for _, b in rows]


# --- time


def test_repeated_and_backward_stamps_are_dropped_counted_and_said(read):
    trace = read("time_s,height_mm\n0,1\n0.1,2\n0.1,3\n0.05,4\n0.2,5\n0.2,6\n")
    assert trace.time_s.tolist() == [0, 0.1, 0.2]
    assert values(trace) == [1, 2, 5]
    assert (trace.repeated, trace.backward, trace.rows) == (2, 1, 6)
    assert "2 rows with a repeated time stamp dropped" in said(trace)
    assert "1 row with a backward time stamp dropped" in said(trace)


def test_a_logger_that_writes_each_signal_in_a_row_of_its_own(read):
    trace = read("time_s,height_mm,speed_kmh\n0,1,\n0,,10\n0.1,2,\n0.2,,30\n0.2,3,\n")
    assert trace.time_s.tolist() == [0, 0.1, 0.2]
    assert values(trace) == [1, 2, 3]
    assert values(trace, "speed") == [10, None, 30]
    assert "2 empty cells filled from them" in said(trace)


def test_a_file_that_mostly_goes_backwards_is_refused(read):
    text = "time_s,height_mm\n900,1\n" + "".join(f"{i},1\n" for i in range(9))
    assert "time goes backwards in 9 of 10 rows" in failure(read, text)


def test_rows_without_a_time_are_dropped_and_said(read):
    trace = read("time_s,height_mm\n0,1\n,2\n0.1,3\nnan,4\n")
    assert values(trace) == [1, 3]
    assert trace.untimed == 2
    assert "2 rows without a time dropped" in said(trace)


def test_gaps_and_uneven_rates_are_seen(read):
    times = [i / 100 for i in range(100)] + [2 + i / 100 for i in range(100)]
    trace = read("time_s,height_mm\n" + "".join(f"{t},5\n" for t in times))
    assert trace.gaps == [(0.99, 2.0)]
    assert not trace.uneven
    assert trace.rate_hz == pytest.approx(100)
    uneven = read("time_s,height_mm\n0,1\n0.1,1\n0.25,1\n0.3,1\n0.4,1\n")
    assert uneven.uneven
    assert uneven.gaps == []


def test_a_clock_with_a_date_passes_midnight(read):
    text = "time;height_mm\n2024-05-01 23:59:59.5;1\n2024-05-02 00:00:00.0;2\n2024-05-02 00:00:00.5;3\n"
    trace = read(text)
    assert trace.time_s.tolist() == [86399.5, 86400.0, 86400.5]
    assert "midnight" in said(trace)


def test_a_rate_stands_in_for_a_missing_time(read):
    trace = read("height_mm\n5\n6\n7\n", rate=200)
    assert trace.time_s.tolist() == [0, 0.005, 0.01]
    assert values(trace) == [5, 6, 7]
    bare = read("5\n6\n\n7\n", rate=200, height="1:count")
    assert values(bare) == [5, 6, None, 7]
    assert bare.channels["height"].unit == "count"
    assert "--rate" in failure(read, "height_mm\n5\n6\n")
    assert "exclude each other" in failure(read, PLAIN, rate=10, time="1")
    assert "is not a rate" in failure(read, PLAIN, rate=-1)


def test_seconds_are_assumed_aloud_and_not_against_the_data(read):
    trace = read("time,height_mm\n0,1\n0.1,2\n")
    assert "time: column 1 'time', unit s (assumed)" in said(trace)
    assert "--time-column 1:UNIT" in failure(read, "time,height_mm\n0,1\n20,2\n40,3\n")


# --- cells


def test_empty_cells_and_words_for_nothing_are_not_valid(read):
    cells = ["", " ", "NaN", "nan", "NA", "n/a", "-", "null", "inf", "-Infinity"]
    trace = read("time_s,height_mm\n" + "".join(f"{i / 10},{cell}\n" for i, cell in enumerate([*cells, "7"])))
    assert values(trace) == [None] * len(cells) + [7]
    assert "height: 2 infinite values taken as empty" in said(trace)


def test_switches_are_words_or_numbers(read):
    cells = ["ON", "off", "True", "false", "1", "0", "", "yes", "0.7", "0.2"]
    rows = "".join(f"{i / 10},5,{cell}\n" for i, cell in enumerate(cells))
    expected = [1, 0, 1, 0, 1, 0, None, 1, 1, 0]
    trace = read("time_s,height_mm,armed\n" + rows)
    assert values(trace, "armed") == expected
    assert values(read("time_s,height_mm,armed\n# slow\n" + rows), "armed") == expected
    assert "on, off" in failure(read, "time_s,height_mm,armed\n0,5,1\n0.1,5,perhaps\n")


BAD_CELLS = {
    "word": ("time_s,height_mm\n0,100\n0.1,oops\n", "run.csv:3:", "'oops'"),
    "first row": ("time_s,height_mm\n0,oops\n0.1,100\n", "run.csv:2:", "'oops'"),
    "first row after units": ("time,height\ns,mm\n0,oops\n0.1,100\n", "run.csv:3:", "'oops'"),
    "second number": ("time_s,height_mm\n0,1.2.3\n0.1,4\n", "run.csv:2:", "'1.2.3'"),
    "underscore": ("time_s,height_mm\n0,1\n0.1,1_0\n", "run.csv:3:", "'1_0'"),
    "hexadecimal": ("time_s,height_mm\n0,1\n0.1,0x1F\n", "run.csv:3:", "'0x1F'"),
    "wrong decimal": ("time_s;height_mm\n0,5;1,5\n0,6;1.5\n", "run.csv:3:", "decimal"),
    "escape sequence": ("time_s,height_mm\n0,1\n0.1,\x1b[2Jx\n", "run.csv:3:", "\\x1b[2Jx"),
    "header again": (PLAIN + PLAIN, "run.csv:5:", "'time_s'"),
    "clock": ("time;height_mm\n0:00:01;1\n0:00:xx;2\n", "run.csv:3:", "hh:mm:ss"),
    "too many cells": ("time_s,height_mm\n0,1\n0.1,2,3\n0.2,4\n", "run.csv:3:", "one cell for each column"),
}


@pytest.mark.parametrize("case", BAD_CELLS)
def test_text_where_a_number_belongs_names_file_line_and_text(read, case):
    text, place, part = BAD_CELLS[case]
    line = failure(read, text)
    assert place in line
    assert part in line


def test_a_long_bad_cell_is_shortened(read):
    line = failure(read, "time_s,height_mm\n0,1\n0.1," + "x" * 5000 + "\n")
    assert len(line) < 300


# --- columns and units


def test_columns_by_name_number_and_unit(read):
    text = "a,b,c\n0,0.1,3\n10,0.2,4\n"
    trace = read(text, time="a:ms", height="2:m", speed="c:mph")
    assert trace.time_s.tolist() == [0, 0.01]
    assert values(trace) == [100, 200]
    # 1 mile = 1609.344 m (international yard and pound agreement, 1959)
    assert values(trace, "speed") == pytest.approx([3 * 1.609344, 4 * 1.609344], rel=1e-15)


def test_units_keep_their_kind_and_are_said(read):
    # 1 in = 25.4 mm (international yard and pound agreement, 1959)
    inches = read('time_s,height ["]\n0,1\n0.1,2\n')
    assert values(inches) == [25.4, 50.8]
    assert "unit in (from its name)" in said(inches)
    volts = read("time_s,height_mV\n0,500\n0.1,2500\n")
    assert (values(volts), volts.channels["height"].unit) == ([0.5, 2.5], "V")
    counts = read("time_s,height_counts\n0,500\n0.1,2500\n")
    assert (values(counts), counts.channels["height"].unit) == ([500, 2500], "count")


def test_all_roles_are_found_by_name(read):
    header = (
        "Elapsed,Nose Height [mm],Vehicle Speed [km/h],Engine RPM,Driveshaft RPM,Armed,Launch,"
        "Request reduction [permille],Request retard,Request reason\n"
    )
    trace = read(header + "0,1,2,3000,400,1,0,250,4.5,20\n0.1,1,2,3000,400,1,1,250,4.5,20\n")
    got = {role: (values(trace, role)[0], channel.unit) for role, channel in trace.channels.items()}
    assert got == {
        "height": (1, "mm"),
        "speed": (2, "km/h"),
        "engine_speed": (3000, "rpm"),
        "shaft_speed": (400, "rpm"),
        "armed": (1, "bool"),
        "launch": (0, "bool"),
        "request_reduction": (25, "%"),
        "request_retard": (4.5, "deg"),
        "request_reason": (20, "number"),
    }
    assert "request retard: column 9 'Request retard', unit deg (assumed)" in said(trace)


def test_a_name_may_hold_a_colon_or_be_left_out(read):
    text = "t:s,h:x,speed\n0,5,1\n0.1,6,2\n"
    assert values(read(text, time="t:s", height="h:x:mm", speed="none")) == [5, 6]


ASKED = {
    "ambiguous": ("time_s,height_mm,nose height_mm\n0,1,2\n1,1,2\n", {}, "--height-column"),
    "no unit": ("time_s,height\n0,1\n1,2\n", {}, "--height-column 2:UNIT"),
    "no unit of speed": ("time_s,height_mm,speed\n0,1,1\n1,2,1\n", {}, "--speed-column 3:UNIT"),
    "unknown unit": ("time_s,height [furlong]\n0,1\n1,2\n", {}, "'furlong'"),
    "wrong kind": ("time_s,height [km/h]\n0,1\n1,2\n", {}, "'km/h' is not a unit of height"),
    "no height": ("time_s,pressure\n0,1\n1,2\n", {}, "--height-column"),
    "no time": ("x,height_mm\n0,1\n1,2\n", {}, "--time-column"),
    "name twice": ("time_s,h,h\n0,1,2\n1,1,2\n", {"height": "h:mm"}, "columns 2 and 3"),
    "no such name": (PLAIN, {"height": "heigth_mm"}, "did you mean 'height_mm'"),
    "no such number": (PLAIN, {"height": "3:mm"}, "number from 1 to 2"),
    "number zero": (PLAIN, {"height": "0"}, "number from 1 to 2"),
    "headerless": ("0,1\n1,2\n", {}, "--time-column 1:s --height-column 2:mm"),
    "headerless, no unit": ("0,1\n1,2\n", {"time": "1:s", "height": "2"}, "--height-column 2:UNIT"),
    "headerless, no unit of time": ("0,1\n1,2\n", {"time": "1", "height": "2:mm"}, "--time-column 1:UNIT"),
    "units disagree": ("time,height_mm\ns,in\n0,1\n1,2\n", {}, "make name and unit agree"),
    "comma twice": ("time_s,height_mm\n0,02,1,5\n0,04,1,6\n", {}, "another delimiter"),
}


@pytest.mark.parametrize("case", ASKED)
def test_what_is_not_clear_is_asked_for_in_one_line(read, case):
    text, columns, part = ASKED[case]
    assert part in failure(read, text, **columns)


def test_a_number_picks_one_of_two_columns_of_the_same_name(read):
    assert values(read("time_s,h,h\n0,1,2\n1,1,2\n", height="3:mm")) == [2, 2]


def test_delimiter_and_decimal_as_given_win(read):
    trace = read("time_s/height_mm\n0/1\n0.5/2\n", delimiter="/")
    assert values(trace) == [1, 2]
    assert "delimiter: / (as given)" in said(trace)
    assert values(read("1,5\n1,7\n", delimiter="semicolon", decimal=",", rate=10, height="1:mm")) == [
        1.5,
        1.7,
    ]
    assert "cannot separate cells" in failure(read, PLAIN, delimiter="ab")


def test_an_offset_goes_on_lengths_only(read):
    assert values(read("time_s,height_m\n0,0.1\n1,0.2\n", offset=250)) == [350, 450]
    assert "--height-offset" in failure(read, "time_s,height_V\n0,0.1\n1,0.2\n", offset=250)


def test_hostile_names_are_escaped(read):
    text = "time_s,\x1b[31mheight\u202e,h_mm\n0,1,2\n0.1,1,2\n"
    trace = read(text, height="3")
    assert trace.columns[1].name == "\x1b[31mheight\u202e"
    line = failure(read, text)
    assert "\x1b" not in line
    assert "\u202e" not in line
    assert "\\x1b[31mheight\\u202e" in line


# --- bad files


BAD_FILES = {
    "empty": (b"", "empty"),
    "blank": (b"\n\n  \n", "empty"),
    "only a header": (b"time_s,height_mm\n", "no row of numbers"),
    "header and units only": (b"time,height\ns,mm\n", "no rows of numbers"),
    "one row": (b"time_s,height_mm\n0,1\n", "two rows"),
    "prose": (b"Dear sir,\nthis is a letter.\nYours\n", "no rows of numbers"),
    "picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00" + bytes(range(256)) * 9, "binary"),
    "noise": (bytes(range(1, 256)) * 40, "binary"),
    "workbook": (b"PK\x03\x04" + b"x" * 99, "zip"),
    "NUL in the text": (b"time_s,height_mm\n0,1\n0.1,\x002\n", "run.csv:3: NUL"),
    "file cut off and padded": (b"time_s,height_mm\n0,1\n0.1,2\n" + b"\0" * 4096, "NUL"),
    "one endless line": (b"1," * (3 << 20), "no line end"),
    "all heights empty": (b"time_s,height_mm\n0,\n1,\n", "every cell of the height"),
    "all stamps equal": (b"time_s,height_mm\n1,1\n1,2\n1,3\n", "two rows"),
    "open quote": (b'time_s,height_mm\n0,1\n0.1,"2\n0.3,4\n', "run.csv:3:"),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_a_bad_file_gives_one_clear_line(read, case):
    content, part = BAD_FILES[case]
    line = failure(read, content)
    assert part in line
    assert "run.csv" in line


def test_missing_folder_pipe_and_forbidden(tmp_path):
    cases = {tmp_path / "none.csv": "no such file", tmp_path: "folder", tmp_path / ("x" * 300): "name"}
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    cases[pipe] = "is not a file"
    for path, part in cases.items():
        with pytest.raises(UserError, match=part):
            read_trace(path)


def test_no_permission(tmp_path, monkeypatch):
    path = tmp_path / "run.csv"
    path.write_text(PLAIN)
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read anything: let the system refuse as it would

        def refuse(*args, **kwargs):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(UserError, match="permission"):
        read_trace(path)


def test_a_lying_extension_is_seen_through(read):
    assert values(read(PLAIN, name="run.mf4")) == [100, 101.5, 103]
    assert "MDF" in failure(read, b"MDF     4.10    nothing else", name="run.csv")


@pytest.mark.slow
def test_ten_thousand_columns(read):
    names = ",".join(f"channel_{i}" for i in range(9998))
    row = ",".join("1.5" for _ in range(9998))
    trace = read(f"time_s,{names},height_mm\n" + "".join(f"{i / 10},{row},{i}\n" for i in range(20)))
    assert values(trace) == list(range(20))
    assert len(trace.columns) == 10000


def test_nothing_of_a_file_is_held_once_it_is_read(read, monkeypatch):
    # A thread of the library's that gives a block back after the interpreter's end aborts the process: one
    # command in sixty ended that way on a busy machine, its work done.
    class Watched(_Lent):
        def __init__(self, source):
            super().__init__(source)
            lent.append(weakref.ref(self))

        def read(self, size=-1):
            block = super().read(size)
            lent.append(weakref.ref(block))
            return block

    monkeypatch.setattr("bench.trace.csv._Lent", Watched)
    rows = "".join(f"{i / 100},{i % 90}\n" for i in range(2000))
    for _ in range(30):
        lent: list[weakref.ref] = []
        read("t (s),height (mm)\n" + rows)
        assert len(lent) > 2
        assert [ref() for ref in lent if ref() is not None] == []


@pytest.mark.slow
def test_more_than_one_block_reads_the_same_quickly_and_by_rows(read):
    n = 300_000
    lines = [f"{i / 1000:.3f},{i % 977}.5,{'' if i % 3 else i % 200}\n" for i in range(n)]
    text = "time_s,height_mm,speed_kmh\n" + "".join(lines)
    assert len(text) > 4 << 20
    quick = read(text)
    slow = read(text + f"{n / 1000:.3f},1.5,2\n# end\n")
    expected = np.arange(n) % 977 + 0.5
    assert np.array_equal(quick.channels["height"].values, expected)
    assert np.array_equal(slow.channels["height"].values[:-1], expected)
    speeds = np.where(np.arange(n) % 3 == 0, np.arange(n) % 200, np.nan)
    assert np.array_equal(quick.channels["speed"].values, speeds, equal_nan=True)
    assert np.array_equal(slow.channels["speed"].values[:-1], speeds, equal_nan=True)
    line = failure(read, text + "301,oops,1\n")
    assert f"run.csv:{n + 2}:" in line


def test_a_long_wide_text_reads_across_blocks(read):
    n = 120_000
    text = "time_s,height_mm\n" + "".join(f"{i / 1000:.3f},{i % 977}.5\n" for i in range(n))
    trace = read(text.encode("utf-16"))
    assert np.array_equal(trace.channels["height"].values, np.arange(n) % 977 + 0.5)


# --- real recordings


@pytest.mark.parametrize("number", ["08", "10", "12"])
def test_real_laser_recordings(number):
    path = RECORDINGS / f"laser_sin_{number}.csv"
    if not path.exists():
        pytest.skip("the recordings are not beside the project")
    trace = read_trace(path, ColumnChoice({"time": "1:s", "height": "2:m"}, height_offset_mm=250))
    table = np.loadtxt(path, delimiter=",")
    assert np.array_equal(trace.time_s, table[:, 0])
    assert np.allclose(trace.channels["height"].values, table[:, 1] * 1000 + 250, rtol=1e-14)
    # the recordings' own page: 50 Hz, about 31 s
    assert trace.rate_hz == pytest.approx(50)
    assert 30 < trace.duration_s < 35


def test_the_digest_is_the_files(read, tmp_path):
    import hashlib

    trace = read(PLAIN)
    assert trace.digest == hashlib.sha256(PLAIN.encode()).hexdigest()
    assert trace.size_bytes == len(PLAIN)
    assert json.dumps(trace.notes)
