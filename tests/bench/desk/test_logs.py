"""Logs that are brought to the desk: understood, corrected, kept as layouts, and never lost by a bad one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from bench.desk.logs import Log, Logs
from bench.errors import UserError
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from tests.desk_support import TRACES, without_names


@pytest.fixture
def logs() -> Iterator[Logs]:
    made = Logs()
    yield made
    made.close()


def brought(logs: Logs, content: bytes, folder: Path, name: str = "mine.csv") -> Log:
    number, name, path = logs.new_place(name)
    path.write_bytes(content)
    return logs.add(number, name, path, folder)


def test_a_log_that_says_what_it_is_needs_no_word(logs: Logs, tmp_path: Path) -> None:
    log = brought(logs, (TRACES / "clean_launch.csv").read_bytes(), tmp_path)
    assert log.trace is not None
    (said,) = logs.facts()
    assert said["missing"] == []
    assert [one["role"] for one in said["columns"]][:3] == ["time", "height", "speed"]
    assert said["columns"][1]["unit"] == "V"
    assert len(said["passes"]) == 1
    assert logs.trace(log.number, 1).run == 1
    assert str(logs.trace(log.number).path) == "mine.csv"
    heights = read_trace(TRACES / "clean_launch.csv").channels["height"].values
    assert max(said["strip"]["v"]) == pytest.approx(float(heights.max()), abs=1e-3)


def test_columns_are_said_and_kept_as_a_layout_that_reads_the_next_log(logs: Logs, tmp_path: Path) -> None:
    content = without_names().encode()
    log = brought(logs, content, tmp_path)
    assert log.trace is None
    with pytest.raises(UserError, match="no height column"):
        logs.trace(log.number)
    logs.correct(log.number, 1, "time", "s")
    logs.correct(log.number, 2, "height", "")
    assert "no unit" in "; ".join(logs.facts()[0]["missing"])
    assert logs.facts()[0]["columns"][1]["role"] == "height"  # as it was said, though it cannot be read so
    logs.correct(log.number, 2, "height", "V")
    logs.correct(log.number, 3, "engine_speed", "rpm")
    logs.correct(log.number, 3, "speed", "km/h")  # a column is one thing at a time
    assert log.trace is not None
    assert "engine_speed" not in log.trace.channels
    logs.correct(log.number, 4, "engine_speed", "rpm")
    plain = read_trace(TRACES / "clean_launch.csv")
    for role in ("height", "speed", "engine_speed"):
        assert np.array_equal(log.trace.channels[role].values, plain.channels[role].values)

    kept = logs.keep_layout(log.number, "logger.toml", tmp_path)
    with pytest.raises(UserError, match="is there already"):
        logs.keep_layout(log.number, "logger.toml", tmp_path)
    again = brought(logs, content, tmp_path, "next.csv")
    assert again.trace is not None
    assert again.choice.layouts == (str(kept),)
    (tmp_path / "next.csv").write_bytes(content)
    outside = read_trace(tmp_path / "next.csv", ColumnChoice())  # as every command reads it
    assert np.array_equal(outside.channels["speed"].values, again.trace.channels["speed"].values)


def test_a_wrong_word_is_said_in_one_line_and_changes_nothing(logs: Logs, tmp_path: Path) -> None:
    log = brought(logs, (TRACES / "clean_launch.csv").read_bytes(), tmp_path)
    before = logs.facts()
    for column, role, unit in ((99, "speed", ""), (True, "speed", ""), (3, "speeds", ""), (3, "speed", 7)):
        with pytest.raises(UserError):
            logs.correct(log.number, column, role, unit)
    for rate in (0, -1, True, "5", 1e9):
        with pytest.raises(UserError):
            logs.rate(log.number, rate)
    for run in (0, 2, True, "1"):
        with pytest.raises(UserError, match="no such pass"):
            logs.trace(log.number, run)
    for name in ("", "../x.toml", "x.csv", ".toml", "a/b.toml", None):
        with pytest.raises(UserError):
            logs.keep_layout(log.number, name, tmp_path)
    for number in (77, None, "1"):
        with pytest.raises(UserError, match="no such log"):
            logs.get(number)
    assert logs.facts() == before
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\n" + bytes(4000), b"just a few words\n"])
def test_a_bad_file_leaves_the_others_and_nothing_of_itself(
    logs: Logs, tmp_path: Path, content: bytes
) -> None:
    good = brought(logs, (TRACES / "clean_launch.csv").read_bytes(), tmp_path)
    number, name, path = logs.new_place("bad.csv")
    path.write_bytes(content)
    with pytest.raises(UserError) as refused:
        logs.add(number, name, path, tmp_path)
    assert str(refused.value).startswith("bad.csv")
    assert str(path.parent) not in str(refused.value)
    assert not path.parent.exists()
    assert [one["name"] for one in logs.facts()] == [good.name]


@pytest.mark.parametrize(
    "name", ["../../etc/x.csv", "", "..", "a\nb\x00.csv", "ä" * 300 + ".csv", "c:\\x.csv"]
)
def test_no_name_leads_out_of_the_folder(logs: Logs, name: str) -> None:
    _, plain, path = logs.new_place(name)
    path.write_bytes(b"1")
    assert path.name == plain
    assert path.resolve().parent.parent.name.startswith("liftlatch-desk-")
    assert plain.isprintable()


def test_nothing_is_left_when_it_ends(tmp_path: Path) -> None:
    logs = Logs()
    log = brought(logs, (TRACES / "clean_launch.csv").read_bytes(), tmp_path)
    place = log.path.parent.parent
    logs.put_away(log.number)
    assert logs.facts() == []
    assert list(place.iterdir()) == []
    logs.close()
    assert not place.exists()
