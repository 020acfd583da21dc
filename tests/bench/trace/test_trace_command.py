"""`liftlatch trace show` as a person sees it."""

import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

from bench.cli import liftlatch
from bench.errors import UserError
from tests import RECORDINGS

RECORDING = RECORDINGS / "laser_sin_08.csv"

LOG = """Date: 2024-05-01
Time;Ride Height;Speed;Armed;\x1b[31mOil;Launch
s;in;mph;;bar;
0,00;10;0;on;1,5;0
0,01;11;1;on;1,5;0
0,01;11,2;1;on;1,5;0
0,02;;2;on;1,5;1
0,015;12;2;on;1,5;1
0,03;13;3;on;1,5;1
0,50;13;3;off;1,5;1
"""


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text(LOG)
    return path


def run(*arguments):
    result = CliRunner().invoke(liftlatch, ["trace", "show", *map(str, arguments)])
    if isinstance(result.exception, UserError):
        raise result.exception
    return result


def test_show_says_what_was_understood(log):
    result = run(log)
    assert result.exit_code == 0
    out = result.output
    for part in (
        "run.csv",
        "CSV (6 columns)",
        "7, 5 used (1 repeated, 1 backward)",
        "0 s to 0.5 s, 0.5 s in all",
        "100 rows a second",
        "uneven",
        "1 gap in the recording",
        "0.03 s to 0.5 s",
        "delimiter: semicolon (found from the rows)",
        "decimal mark: comma",
        "1 line above the data not read: 'Date: 2024-05-01'",
        "units taken from line 3",
        "height: column 2 'Ride Height', unit in (from units row)",
        "   5  \\x1b[31mOil",
        "its name speaks of no signal",
        "after row 6 of the data, 0.03 s from its start",
    ):
        assert part in out
    assert "\x1b" not in out
    row = next(line for line in out.splitlines() if line.startswith("height "))
    # least 10 in and greatest 13 in, 1 in = 25.4 mm (international yard and pound agreement, 1959)
    assert row.split()[-3:] == ["1", "254", "330.2"]


def test_the_tables_fit_80_columns(log):
    table = [line for line in run(log).output.splitlines() if line.startswith(("signal", "height", "speed"))]
    assert len(table) == 3
    assert all(len(line) <= 80 for line in table)


def test_json_holds_the_same_facts(log):
    facts = json.loads(run(log, "--json").stdout)
    assert facts["rows"] == 7
    assert facts["rows_used"] == 5
    assert facts["gaps_s"] == [[0.03, 0.5]]
    assert facts["unused"] == [{"column": 5, "name": "\x1b[31mOil"}]
    height = facts["channels"][0]
    assert (height["role"], height["unit"], height["unit_in_file"], height["empty"]) == (
        "height",
        "mm",
        "in",
        1,
    )
    assert height["max"] == 330.2


def test_options_reach_the_reader():
    if not RECORDING.exists():
        pytest.skip("the recordings are not beside the project")
    options = ["--time-column", "1:s", "--height-column", "2:m", "--height-offset", "250"]
    facts = json.loads(run(RECORDING, *options, "--json").stdout)
    assert facts["rate_hz"] == pytest.approx(50)
    assert 0 < facts["channels"][0]["min"] < 250 < facts["channels"][0]["max"] < 500
    facts = json.loads(run(RECORDING, "--json").stdout)
    assert not facts["read"]
    assert "--time-column 1:s --height-column 2:mm" in facts["missing"][0]


def test_every_option_is_used(tmp_path):
    path = tmp_path / "bare.txt"
    path.write_text("".join("1,5/20,5/3000/500/1/0/25,5/4,5/20\n" for _ in range(3)))
    options = {
        "--rate": "100",
        "--height-column": "1:in",
        "--speed-column": "2:mph",
        "--engine-speed-column": "3",
        "--shaft-speed-column": "4",
        "--armed-column": "5",
        "--launch-column": "6",
        "--request-reduction-column": "7:permille",
        "--request-retard-column": "8:deg",
        "--request-reason-column": "9",
        "--delimiter": "/",
        "--decimal": ",",
        "--height-offset": "1",
    }
    facts = json.loads(run(path, *[word for pair in options.items() for word in pair], "--json").stdout)
    got = {channel["role"]: channel["max"] for channel in facts["channels"]}
    # 1.5 in = 38.1 mm, 20.5 mph = 32.991552 km/h (definitions of 1959)
    assert got == {
        "height": pytest.approx(39.1),
        "speed": pytest.approx(32.991552),
        "engine_speed": 3000,
        "shaft_speed": 500,
        "armed": 1,
        "launch": 0,
        "request_reduction": pytest.approx(2.55),
        "request_retard": 4.5,
        "request_reason": 20,
    }


def test_a_bad_file_is_one_line_and_exit_code_2(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("time_s,height_mm\n0,1\n0.1,oops\n")
    command = [sys.executable, "-c", "from bench.cli import main; main()", "trace", "show", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert f"{path}:3:" in done.stderr
    assert "'oops'" in done.stderr
