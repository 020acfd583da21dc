"""What is no trace is named in one line, quickly; a library that crashes takes no command with it."""

import io
import signal
import sqlite3
import tarfile
import time
import zipfile

import pytest

from bench.errors import UserError
from bench.trace import mdf
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace


def archive(kind):
    out = io.BytesIO()
    if kind == "zip":
        with zipfile.ZipFile(out, "w") as z:
            z.writestr("run.csv", "time_s,height_mm\n0,1\n")
    else:
        with tarfile.open(fileobj=out, mode="w") as tar:
            tar.addfile(tarfile.TarInfo("run.csv"))
    return out.getvalue()


def database(folder):
    path = folder / "x.db"
    with sqlite3.connect(path) as base:
        base.execute("create table t (a)")
    return path.read_bytes()


FILES = {
    "an object": (b'{"time": [0, 1],\n "height": [1, 2]}\n', "JSON"),
    "lists": (b"[\n [0, 1],\n [1, 2]\n]\n", "JSON"),
    "a page": (b"<!doctype html>\n<table><tr><td>1,2</td></tr>\n</table>\n", "XML or HTML"),
    "XML": (b'<?xml version="1.0"?>\n<a>1,2</a>\n<a>3,4</a>\n', "XML or HTML"),
    "a PDF": (b"%PDF-1.4\n1 0 obj\n1 2 3\n", "PDF"),
    "zip": (archive("zip"), "zip or workbook"),
    "tar": (archive("tar"), "tar"),
}


@pytest.mark.parametrize("name", FILES)
def test_each_is_named_in_one_line(name, tmp_path):
    content, part = FILES[name]
    path = tmp_path / "run.csv"
    path.write_bytes(content)
    began = time.monotonic()
    with pytest.raises(UserError, match=part) as caught:
        read_trace(path)
    assert time.monotonic() - began < 5
    assert "\n" not in str(caught.value)


def test_a_database(tmp_path):
    path = tmp_path / "run.csv"
    path.write_bytes(database(tmp_path))
    with pytest.raises(UserError, match="database"):
        read_trace(path)


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_a_mark_is_read(encoding, tmp_path):
    path = tmp_path / "run.csv"
    path.write_bytes("time_s,height_mm\n0,1\n0.1,2\n".encode(encoding))
    assert read_trace(path).channels["height"].values.tolist() == [1, 2]


def mdf_file(folder):
    path = folder / "run.mf4"
    path.write_bytes(b"MDF     4.10    " + b"x" * 200)
    return path


@pytest.mark.parametrize(
    ("program", "part"),
    [
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", f"signal {int(signal.SIGSEGV)}"),
        ("import sys; sys.exit(3)", "exit code 3"),
    ],
)
def test_a_library_that_crashes_gives_one_line(program, part, tmp_path, monkeypatch):
    path = mdf_file(tmp_path)
    monkeypatch.setattr(mdf, "_PROGRAM", ("-c", program))
    with pytest.raises(UserError, match=part) as caught:
        read_trace(path, ColumnChoice())
    assert str(caught.value).startswith(f"{path}: damaged: the library that reads MDF 4 crashed on it")


def test_a_library_that_needs_too_much_memory_is_said_as_such(tmp_path, monkeypatch):
    kill = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    monkeypatch.setattr(mdf, "_PROGRAM", ("-c", kill))
    with pytest.raises(MemoryError):
        read_trace(mdf_file(tmp_path))
