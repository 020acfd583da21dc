"""Layouts: what they may say, what is refused, and what they do to a trace."""

import re

import numpy as np
import pytest

from bench.calibration import load
from bench.errors import UserError
from bench.replay.inputs import from_trace
from bench.trace.choice import ColumnChoice
from bench.trace.grid import on_grid
from bench.trace.layout import load_layout
from bench.trace.read import read_trace
from tests import ROOT

PLAIN = "time_s,height_mm\n0,100\n0.1,101.5\n0.2,103\n"


@pytest.fixture
def read(tmp_path):
    """Read a text with a layout, which may lie in the same folder."""

    def reader(text, layout, given=True, **columns):
        (tmp_path / "layout.toml").write_text(layout)
        path = tmp_path / "run.csv"
        path.write_text(text)
        layouts = (str(tmp_path / "layout.toml"),) if given else ()
        return read_trace(path, ColumnChoice(columns, layouts=layouts))

    return reader


def test_the_example_of_the_page_is_a_layout(tmp_path):
    page = (ROOT / "bench" / "trace" / "README.md").read_text()
    (block,) = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    path = tmp_path / "page.toml"
    path.write_text(block)
    layout = load_layout(path)
    assert layout.rules["speed"].ratio == 4.1
    # 1 in = 25.4 mm (international yard and pound agreement, 1959)
    assert layout.rules["speed"].tyre_mm == pytest.approx(33.5 * 25.4)
    assert layout.rules["launch"].sense == "released"
    assert dict(layout.rules["logged_reason"].words) == {"nose": 1, "rev": 5, "ok": 0}


MISTAKES = {
    "no section": ("name = 1\n", "no section 'name'"),
    "no layout": ("[height]\ncolumn = 1\n", r"no section \[layout\]"),
    "unknown section": ("[layout]\n[hight]\ncolumn = 1\n", "did you mean 'height'"),
    "unknown key": ("[layout]\n[height]\ncolum = 1\n", "did you mean 'column'"),
    "no column": ("[layout]\n[height]\nunit = 'mm'\n", "names no column"),
    "wrong unit": ("[layout]\n[height]\ncolumn = 1\nunit = 'rpm'\n", "is not a unit of height"),
    "no such sense": ("[layout]\n[launch]\ncolumn = 1\nwhen = 'up'\n", "on, off, pressed, released"),
    "sense of a height": ("[layout]\n[height]\ncolumn = 1\nwhen = 'on'\n", "has no 'when'"),
    "turns without a tyre": ("[layout]\n[speed]\ncolumn = 1\nunit = 'rpm'\n", "needs to know the wheel"),
    "one point": ("[layout]\n[height]\ncolumn = 1\ncurve_v = [1]\ncurve_height_mm = [1]\n", "no curve"),
    "cylinders": ("[layout]\n[logged_reduction]\ncolumn = 1\nunit = 'cylinders'\n", "of how many"),
    "words": ("[layout]\n[logged_reason]\ncolumn = 1\nwords = { A = 'loft' }\n", "none of ours"),
    "factor": ("[layout]\n[height]\ncolumn = 1\nfactor = 0\n", "factor = 0"),
    "late time": ("[layout]\n[time]\ncolumn = 1\ndelay_ms = 5\n", "none for the time"),
    "rate": ("[layout]\n[file]\nrate_hz = -1\n", "is no rate"),
    "not TOML": ("[layout\n", "is not TOML"),
    "text for a number": ("[layout]\n[height]\ncolumn = 1\noffset = '1'\n", "is no number"),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_a_mistake_is_one_line_with_the_file(case, read):
    text, part = MISTAKES[case]
    with pytest.raises(UserError, match=part) as caught:
        read(PLAIN, text)
    assert str(caught.value).count("\n") == 0
    assert "layout.toml" in str(caught.value)


def test_a_layout_that_is_not_there(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text(PLAIN)
    with pytest.raises(UserError, match="no such layout"):
        read_trace(path, ColumnChoice(layouts=(str(tmp_path / "none.toml"),)))


def test_column_options_win(read):
    layout = "[layout]\n[time]\ncolumn = 1\nunit = 'ms'\n[height]\ncolumn = 2\nunit = 'in'\n"
    assert read(PLAIN, layout).channels["height"].values.tolist() == pytest.approx([2540, 2578.1, 2616.2])
    assert read(PLAIN, layout, height="2:cm").channels["height"].values.tolist() == [1000, 1015, 1030]


def test_a_layout_is_found_by_its_header_and_said(read):
    layout = "[layout]\nheader = ['time_s', 'height_mm']\n[height]\ncolumn = 'height_mm'\noffset = 10\n"
    found = read(PLAIN, layout, given=False)
    assert found.channels["height"].values.tolist() == [110, 111.5, 113]
    assert any("found next to the trace by its header" in note for note in found.notes)
    other = read(PLAIN.replace("time_s", "t_s"), layout, given=False)
    assert other.channels["height"].values.tolist() == [100, 101.5, 103]


def test_two_layouts_for_one_header_are_asked_about(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text(PLAIN)
    for name in "ab":
        (tmp_path / f"{name}.toml").write_text("[layout]\nheader = ['time_s']\n")
    with pytest.raises(UserError, match=r"a\.toml and b\.toml both know this header"):
        read_trace(path)


def test_a_column_that_is_not_there_names_the_layout(read):
    with pytest.raises(UserError, match="'Laser', is not in the file"):
        read(PLAIN, "[layout]\n[height]\ncolumn = 'Laser'\n")


SENSES = {
    "on": [0, 0, 1, 1, 0, 1, 0],
    "off": [1, 1, 0, 0, 1, 0, 1],
    "released": [0, 0, 0, 0, 1, 0, 1],
    "pressed": [0, 0, 1, 1, 0, 1, 1],
}


@pytest.mark.parametrize("sense", SENSES)
def test_polarity_and_edge_of_a_switch(sense, read):
    words = ["FREE", "FREE", "SET", "SET", "FREE", "SET", "FREE"]
    rows = "".join(f"{i / 10},100,{word}\n" for i, word in enumerate(words))
    layout = f"[layout]\n[launch]\ncolumn = 'brake'\nwhen = '{sense}'\non = ['SET']\noff = ['FREE']\n"
    for text in (rows, "# by rows\n" + rows):
        trace = read("time_s,height_mm,brake\n" + text, layout)
        assert trace.channels["launch"].values.tolist() == SENSES[sense]


@pytest.mark.parametrize("delay", [20, -20, 7.5])
def test_a_delay_moves_a_channel_alone(delay, read):
    n = 200
    rows = "".join(f"{i / 1000:.3f},{i},{i},{int(i >= 100)}\n" for i in range(n))
    layout = f"[layout]\n[height]\ncolumn = 2\ndelay_ms = {delay}\n[launch]\ncolumn = 4\ndelay_ms = {delay}\n"
    grid = on_grid(read("time_s,height_mm,speed_kmh,launch\n" + rows, layout), 1000, 0.1)
    known = grid.valid["height"]
    expected = np.arange(n) + delay
    assert np.allclose(grid.values["height"][known], expected[known])
    inside = (expected >= 0) & (expected <= n - 1)
    assert np.array_equal(known, inside)
    assert np.array_equal(grid.values["speed"], np.arange(n))
    assert int(np.argmax(grid.values["launch"] == 1)) == int(np.ceil(100 - delay))
    # nothing from the end is seen at the beginning
    assert not (grid.values["launch"][:50] == 1).any()


def test_a_shaft_gives_the_speed_of_its_wheel(read):
    layout = "[layout]\n[speed]\ncolumn='ds'\nunit='rpm'\nis='drive shaft'\nratio=4\ntyre_mm=1000\n"
    trace = read("time_s,height_mm,ds\n0,1,4000\n0.1,1,0\n", layout)
    # 1000 turns a minute of a wheel of 1 m: pi km a minute
    assert trace.channels["speed"].values.tolist() == pytest.approx([np.pi * 60, 0])
    assert trace.channels["speed"].source == "drive shaft"


def test_a_word_without_a_number_is_said(read):
    layout = "[layout]\n[logged_reason]\ncolumn = 'why'\nwords = { 'nose' = 'lift' }\n"
    trace = read("time_s,height_mm,why\n0,1,NOSE\n0.1,1,none\n0.2,1,5\n0.3,1,moon\n", layout)
    assert trace.channels["logged_reason"].values[:3].tolist() == [1, 0, 5]
    assert np.isnan(trace.channels["logged_reason"].values[3])
    assert any("no number for 'moon'" in note for note in trace.notes)


DOUBTS = {
    "launch on in the first row": ("launch", [1] * 400, "on in the first row"),
    "rpm taken as mph": ("speed_mph", [2000 + 10 * i for i in range(400)], "which no car does"),
    "a car that stands": ("speed_kmh", [0] * 20 + [90] * 80 + [0] * 200 + [120] * 100, "stands still"),
}


@pytest.mark.parametrize("case", DOUBTS)
def test_what_is_most_likely_wrong_is_said_first(case, tmp_path):
    name, values, part = DOUBTS[case]
    path = tmp_path / "run.csv"
    extra = ",launch" if name == "speed_kmh" else ""
    rows = [
        f"{i / 100},{130 + i % 40},{value}" + (f",{int(i > 10)}" if extra else "")
        for i, value in enumerate(values)
    ]
    path.write_text(f"time_s,height_mm,{name}{extra}\n" + "\n".join(rows) + "\n")
    notes = from_trace(read_trace(path), load(ROOT / "traces" / "demo.toml")).notes
    assert notes[0].startswith("check this first")
    assert any(part in note for note in notes[:2])


def test_a_height_that_never_moves_is_said(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("time_s,height_mm\n" + "".join(f"{i / 100},130\n" for i in range(400)))
    notes = from_trace(read_trace(path), load(ROOT / "traces" / "demo.toml")).notes
    assert any("the height never moves" in note for note in notes)
