"""What every system must do alike: files and folders replaced whole, one desk on a file, a device on TCP.

Run here, and once more as on Windows by tests/project/test_portable.py.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bench import system
from bench.desk.draft import DraftFile
from bench.errors import UserError
from bench.files import numbered_folder, whole_folder, write_whole
from bench.link.ports import ListeningLine, SerialLine


def test_files_and_folders_are_replaced_whole(tmp_path: Path) -> None:
    for content in ("one\n", "two\r\n"):
        write_whole(tmp_path / "file", content)
        assert (tmp_path / "file").read_bytes() == content.encode()
        with whole_folder(tmp_path / "result") as folder:
            (folder / "a.csv").write_bytes(content.encode())
        assert (tmp_path / "result" / "a.csv").read_bytes() == content.encode()
    assert [numbered_folder(tmp_path, 1, lambda new: (new / "x").touch()) for _ in range(2)] == [1, 2]
    assert sorted(os.listdir(tmp_path)) == ["0001", "0002", "file", "result"]


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "result") as folder:
        (folder / "a.csv").write_text("old")
    with pytest.raises(ZeroDivisionError), whole_folder(tmp_path / "result") as folder:
        (folder / "a.csv").write_text("new")
        raise ZeroDivisionError
    assert (tmp_path / "result" / "a.csv").read_text() == "old"
    assert os.listdir(tmp_path) == ["result"]


def test_what_a_killed_process_left_goes(tmp_path: Path) -> None:
    left = tmp_path / ".x.0123456789ab.part"
    left.write_text("half")
    os.utime(left, (1e9, 1e9))
    write_whole(tmp_path / "x", "whole")
    assert os.listdir(tmp_path) == ["x"]


def test_a_second_desk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    (tmp_path / "car.toml").write_text("")
    first = DraftFile(tmp_path / "car.toml")
    with pytest.raises(UserError, match="another desk"):
        DraftFile(tmp_path / "car.toml")
    first.release()
    DraftFile(tmp_path / "car.toml").release()
    assert not list((tmp_path / "state").rglob("*.lock"))


def test_a_device_and_a_bench_on_tcp() -> None:
    device = ListeningLine(0)
    bench = SerialLine(f"socket://127.0.0.1:{device.port}")
    try:
        bench.send(b"ask")
        got = b""
        while got != b"ask":
            got += device.receive(5.0)
        device.send(b"answer")
        got = b""
        while got != b"answer":
            got += bench.receive(5.0)
    finally:
        bench.close()
        device.close()


def test_a_pseudo_terminal_is_there_or_the_system_says_so() -> None:
    if system.LOCKS_HINDER_OTHERS:  # Windows
        with pytest.raises(UserError, match="no pseudo-terminals on this system"):
            system.open_terminal()
    else:
        ours, other, name = system.open_terminal()
        assert os.ttyname(other) == name
        os.close(ours)
        os.close(other)
