"""MDF 4 through its extra."""

import subprocess
import sys

import numpy as np
import pytest

from bench.errors import UserError
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace

asammdf = pytest.importorskip("asammdf")


@pytest.fixture
def write(tmp_path):
    """Write groups of (name, unit, times, samples) as an MDF 4 file."""

    def writer(*groups, name="run.mf4", version="4.10"):
        path = tmp_path / name
        with asammdf.MDF(version=version) as mdf:
            for group in groups:
                mdf.append([
                    asammdf.Signal(np.asarray(samples), np.asarray(times, dtype=float), name=title, unit=unit)
                    for title, unit, times, samples in group
                ])  # fmt: skip
            return mdf.save(path, overwrite=True)

    return writer


TIMES = [1.0, 1.1, 1.2, 1.3]


@pytest.mark.slow
def test_channels_become_roles_in_their_units(write):
    path = write([
        ("Height", "in", TIMES, [1.0, 2.0, 3.0, 4.0]),
        ("Speed", "m/s", TIMES, [0.0, 10.0, 20.0, 30.0]),
        ("Oil", "bar", TIMES, [5.0, 5.0, 5.0, 5.0]),
        ("Armed", "", TIMES, np.array([0, 1, 1, 0], dtype=np.uint8)),
    ])  # fmt: skip
    trace = read_trace(path)
    assert trace.form == "MDF 4.10 (4 channels)"
    assert trace.time_s.tolist() == TIMES
    # 1 in = 25.4 mm (international yard and pound agreement, 1959)
    assert trace.channels["height"].values.tolist() == pytest.approx([25.4, 50.8, 76.2, 101.6])
    assert trace.channels["speed"].values.tolist() == [0, 36, 72, 108]
    assert trace.channels["armed"].values.tolist() == [0, 1, 1, 0]
    assert [column.name for column in trace.columns if not column.role] == ["Oil"]
    assert "height: column 1 'Height', unit in (from channel)" in trace.notes


@pytest.mark.slow
def test_channels_are_chosen_by_name_number_and_unit(write):
    path = write([("a", "", TIMES, [1.0, 2, 3, 4]), ("b", "mm", TIMES, [5.0, 6, 7, 8])])
    trace = read_trace(path, ColumnChoice({"height": "2", "speed": "a:mph"}, height_offset_mm=10))
    assert trace.channels["height"].values.tolist() == [15, 16, 17, 18]
    assert trace.channels["speed"].unit == "km/h"


@pytest.mark.slow
def test_rates_are_merged(write):
    path = write(
        [("Height", "mm", TIMES, [1.0, 2, 3, 4])],
        [("Armed", "", [1.0, 1.25], np.array([0, 1], dtype=np.uint8))],
    )
    trace = read_trace(path)
    assert trace.time_s.tolist() == [1.0, 1.1, 1.2, 1.25, 1.3]
    assert trace.channels["height"].values[[0, 1, 2, 4]].tolist() == [1, 2, 3, 4]
    assert trace.channels["height"].valid.tolist() == [True, True, True, False, True]
    assert trace.channels["armed"].valid.tolist() == [True, False, False, True, False]


@pytest.mark.slow
def test_values_that_are_not_numbers_are_not_valid(write):
    trace = read_trace(write([("Height", "mm", TIMES, [1.0, np.nan, np.inf, 4.0])]))
    assert trace.channels["height"].valid.tolist() == [True, False, False, True]


@pytest.mark.slow
def test_content_decides_and_not_the_name(write):
    path = write([("Height", "mm", TIMES, [1.0, 2, 3, 4])])
    lying = path.with_suffix(".csv")
    path.rename(lying)
    assert read_trace(lying).form.startswith("MDF 4")


@pytest.mark.parametrize(
    "choice",
    [
        ColumnChoice(rate_hz=10),
        ColumnChoice(delimiter=","),
        ColumnChoice(decimal=","),
        ColumnChoice({"time": "1:s"}),
    ],
)
def test_options_of_text_files_are_refused(write, choice):
    with pytest.raises(UserError, match="does not apply to MDF 4"):
        read_trace(write([("Height", "mm", TIMES, [1.0, 2, 3, 4])]), choice)


@pytest.mark.slow
def test_a_missing_unit_or_height_is_asked_for(write):
    with pytest.raises(UserError, match="--height-column 1:UNIT"):
        read_trace(write([("Height", "", TIMES, [1.0, 2, 3, 4])]))
    with pytest.raises(UserError, match="no height column"):
        read_trace(write([("Oil", "bar", TIMES, [1.0, 2, 3, 4])]))


@pytest.mark.slow
@pytest.mark.parametrize("keep", [8, 20, 63, 64, 100, 300, 700])
def test_a_damaged_file_gives_one_line_and_nothing_else(write, tmp_path, keep):
    path = write([("Height", "mm", TIMES, [1.0, 2, 3, 4])])
    path.write_bytes(path.read_bytes()[:keep])
    program = (
        "import sys\nfrom bench.errors import UserError\nfrom bench.trace.read import read_trace\n"
        "try:\n    read_trace(sys.argv[1])\nexcept UserError as error:\n    sys.stdout.write(str(error))\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=False
    )
    assert "damaged or not an MDF 4 file" in run.stdout
    assert "\n" not in run.stdout
    assert run.stderr == ""


def test_an_unfinished_file_is_named(write):
    path = write([("Height", "mm", TIMES, [1.0, 2, 3, 4])])
    path.write_bytes(b"UnFinMF " + path.read_bytes()[8:])
    with pytest.raises(UserError, match="never finished"):
        read_trace(path)


def test_an_older_version_is_named(write):
    path = write([("Height", "mm", TIMES, [1.0, 2, 3, 4])], name="run.mdf", version="3.30")
    with pytest.raises(UserError, match=r"MDF 3\.30"):
        read_trace(path)


def test_without_the_extra_the_line_says_how_to_get_it(write, monkeypatch):
    path = write([("Height", "mm", TIMES, [1.0, 2, 3, 4])])
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(UserError, match=r"pip install 'liftlatch\[mdf\]'"):
        read_trace(path)
