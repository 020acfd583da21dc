"""What the desk says names no option of the command line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench.calibration import load
from bench.desk.logs import Logs
from bench.desk.words import on_page
from bench.errors import UserError
from bench.replay.inputs import Options, from_trace
from bench.trace.roles import ROLE_UNITS
from tests.desk_support import TRACES, without_names

OPTION = re.compile(r"(?<![\w-])--[a-z]|liftlatch trace")


def facts(folder: Path, text: str) -> str:
    """All that is said of a log, or why there is none."""
    logs = Logs()
    number, name, place = logs.new_place("my.csv")
    place.write_text(text)
    try:
        logs.add(number, name, place, folder)
        return str(logs.facts())
    except UserError as error:
        return on_page(str(error))
    finally:
        logs.close()


@pytest.mark.parametrize(
    "text",
    [
        without_names(),
        "1,2\n3,4\n5,6\n",
        "no numbers at all",
        "Time [s],Height [mm],Height front [mm]\n0,1,2\n0.01,2,3\n",
        "Time,Height [mm]\n0,1\n1000,2\n2000,3\n",
        "Time [s],Height [mm]\n3,1\n2,2\n1,3\n0,4\n",
        "Time [s],Height [mm]\n0,x\n1,y\n",
        "Time [s],Height [mm]\n0,\n1,\n",
        (TRACES / "clean_launch.csv").read_text(),
    ],
)
def test_logs_name_no_option(tmp_path: Path, text: str) -> None:
    said = facts(tmp_path, text)
    assert said
    assert not OPTION.search(said), said


def test_every_role_and_every_known_line() -> None:
    for role in ROLE_UNITS:
        option = f"--{role.replace('_', '-')}-column"
        for line in (
            f"my.csv: no x column; give {option} NAME or NUMBER, or --rate HZ, or a --layout; `liftlatch"
            ' trace show` shows every column: 1 "a"',
            f"x: could each be; give {option} 3 or another (or none)",
            f"a unit; give {option} 3:UNIT, UNIT such as ms or us",
            f"every cell is empty; choose another with {option}",
            f"two columns; give its number: {option} 4; `liftlatch trace show` shows every column",
        ):
            said = on_page(line)
            assert not OPTION.search(said), said
            assert "column" in said


def test_the_words_stay_sense() -> None:
    said = {
        "no height column; give --height-column NAME or NUMBER, or a --layout; `liftlatch trace show`"
        ' shows every column: 1 "a", 2 "b"':
            'no height column; say in the table of columns which one it is: 1 "a", 2 "b"',
        "No launch was found: give --launch-at, or a speed.":
            "No launch was found: say in the log's table which column is the launch, or the speed.",
        "--speed 3000 is no speed of a car; give km/h, 0 to 2000":
            "3000 km/h is no speed of a car; give km/h, 0 to 2000",
        "passed over (--run 2): at 3 s": "passed over (pass 2): at 3 s",
        "is there already; give --replace": "is there already",
        'my--file.csv: column "a --out b" is wrong': 'my--file.csv: column "a --out b" is wrong',
        "12 -- 13 mm": "12 -- 13 mm",
    }  # fmt: skip
    for line, words in said.items():
        assert on_page(line) == words


def test_a_run_that_cannot_be_replayed_is_told_so_too(tmp_path: Path) -> None:
    logs = Logs()
    number, name, place = logs.new_place("slow.csv")
    rows = [f"{i},130,{i},1,{int(i > 2)}" for i in range(9)]
    place.write_text("\n".join(["Time [s],Height [mm],Speed [km/h],Armed,Launch", *rows]))
    logs.add(number, name, place, tmp_path)
    with pytest.raises(UserError, match="further apart") as error:
        from_trace(logs.trace(number), load(TRACES / "plain.toml"), Options())
    assert on_page(str(error.value)).endswith("bring a log with more rows a second")
    logs.close()
