"""The book on the disk: whole runs only, whatever happens, and quick with many of them."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.book.store import INDEX, Book
from bench.errors import UserError

ENTRY = {"book_version": 1, "run": {"when": "2026-05-02T14:30:00", "note": "n"}, "log": {"file": "a.csv"}}
FILES = {
    "a.csv": b"1,2\n" * 500,
    "figures.json": b'{"peak_lift_mm": 100.0}\n',
    "calibration.toml": b"x" * 3000,
}


def whole(folder: Path) -> bool:
    names = {path.name for path in folder.iterdir()}
    same = all((folder / name).read_bytes() == data for name, data in FILES.items())
    return names == {*FILES, "run.toml"} and same


def test_a_run_is_kept_and_corrected(tmp_path: Path) -> None:
    book = Book(tmp_path / "book")
    assert book.rows() == []
    assert [book.add(ENTRY, FILES) for _ in range(3)] == [1, 2, 3]
    assert whole(tmp_path / "book" / "0002")
    book.correct(2, {"note": "another", "temperature_c": 20.0, "altitude_m": 0.0})
    rows = book.rows()
    assert [row.said("note") for row in rows] == ["n", "another", "n"]
    assert rows[1].air["density_altitude_m"] == pytest.approx(170, abs=15)  # 5 degrees above standard
    assert Book(tmp_path / "book").rows() == rows
    with pytest.raises(UserError, match="there is no run 9"):
        book.correct(9, {"note": "x"})


def test_removing_is_deliberate_and_frees_no_number(tmp_path: Path) -> None:
    book = Book(tmp_path)
    book.add(ENTRY, FILES)
    book.add(ENTRY, FILES)
    assert whole(book.remove(2))
    assert book.numbers() == [1]
    assert book.add(ENTRY, FILES) == 3


def test_the_cache_is_only_a_cache(tmp_path: Path) -> None:
    book = Book(tmp_path)
    for _ in range(3):
        book.add(ENTRY, FILES)
    rows = book.rows()
    index = tmp_path / INDEX
    good = index.read_text()
    for content in (
        "",
        "nonsense",
        "[]",
        '{"index_version": 99}',
        good.replace('"index_version": 1', '"index_version": 1, "rows": 3, "x": 1'),
    ):
        index.write_text(content)
        assert book.rows() == rows
    index.unlink()
    assert book.rows() == rows
    # by hand, as an editor does it
    path = tmp_path / "0002" / "run.toml"
    path.write_text(path.read_text().replace('note = "n"', 'note = "by hand"'))
    assert book.rows()[1].said("note") == "by hand"
    path.write_text("[run")
    damaged = book.rows()[1]
    assert "run.toml" in damaged.damage
    assert [row.number for row in book.rows()] == [1, 2, 3]


def test_a_moved_book_is_the_same(tmp_path: Path) -> None:
    book = Book(tmp_path / "a")
    book.add(ENTRY, FILES)
    before = book.rows()
    (tmp_path / "a").rename(tmp_path / "b")
    after = Book(tmp_path / "b").rows()
    assert [(row.number, row.entry, row.figures) for row in after] == [
        (row.number, row.entry, row.figures) for row in before
    ]


def _at_once(folder: str, count: int) -> None:
    book = Book(Path(folder))
    for _ in range(count):
        book.add(ENTRY, FILES)
        book.correct(1, {"slips": [f"60=1.{os.getpid() % 1000:03d}"]})


def test_two_at_once_lose_nothing(tmp_path: Path) -> None:
    Book(tmp_path).add(ENTRY, FILES)
    both = [
        multiprocessing.get_context("fork").Process(target=_at_once, args=(str(tmp_path), 8))
        for _ in range(2)
    ]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
        assert one.exitcode == 0
    book = Book(tmp_path)
    assert book.numbers() == list(range(1, 18))
    assert all(whole(tmp_path / f"{number:04d}") for number in book.numbers())
    assert not [row for row in book.rows() if row.damage]
    assert not list(tmp_path.glob(".new.*"))
    assert not list(tmp_path.glob("0001/.*"))


def killed(at: int, act: Callable[[], Any]) -> bool:
    """Do something in a process that dies, as by a power cut, at its so-manieth write, sync or rename."""
    child = os.fork()
    if child == 0:
        count = 0

        def counted(real: Callable[..., Any]) -> Callable[..., Any]:
            def call(*words: Any, **more: Any) -> Any:
                nonlocal count
                count += 1
                if count == at:
                    os._exit(9)
                return real(*words, **more)

            return call

        for owner, name in (
            (Path, "write_bytes"),
            (Path, "write_text"),
            (Path, "rename"),
            (Path, "replace"),
            (Path, "mkdir"),
            (os, "fsync"),
        ):
            setattr(owner, name, counted(getattr(owner, name)))
        try:
            act()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


def test_a_kill_at_any_point_leaves_whole_runs(tmp_path: Path) -> None:
    book = Book(tmp_path)
    book.add(ENTRY, FILES)
    at = 1
    while killed(at, lambda: book.add(ENTRY, FILES)):
        assert all(whole(tmp_path / f"{number:04d}") for number in book.numbers()), at
        at += 1
    assert at > 8
    assert len(book.numbers()) >= 2
    old = book.row(1).entry
    at = 1
    while killed(at, lambda: book.correct(1, {"note": f"changed {time.monotonic_ns()}"})):
        now = book.row(1).entry
        assert now == old or now["run"]["note"].startswith("changed"), at
        at += 1
    assert at > 2
    book.add(ENTRY, FILES)
    assert not list(tmp_path.glob(".new.*"))  # the next one cleans up


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for 64 KiB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    if subprocess.run(words, capture_output=True, check=False).returncode != 0:
        pytest.skip("cannot mount a small file system")
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_loses_nothing(tiny_disk: Path) -> None:
    book = Book(tiny_disk / "book")
    book.add(ENTRY, FILES)
    with pytest.raises(UserError, match="no space left"):
        for _ in range(20):
            book.add(ENTRY, FILES)
    assert all(whole(tiny_disk / "book" / f"{number:04d}") for number in book.numbers())
    count = len(book.rows())
    fill = tiny_disk / "fill"
    with pytest.raises(OSError, match="No space"):
        fill.write_bytes(bytes(1 << 17))
    with pytest.raises(UserError, match="no space left"):
        book.correct(1, {"note": "long " * 2000})
    assert [row.said("note") for row in book.rows()] == ["n"] * count


@pytest.mark.slow
def test_ten_thousand_runs_stay_quick(tmp_path: Path) -> None:
    from bench.book.document import make_document
    from bench.book.entry import text
    from bench.book.facts import make_facts

    for number in range(1, 10_001):
        folder = tmp_path / f"{number:04d}"
        folder.mkdir()
        (folder / "run.toml").write_text(text(ENTRY))
        (folder / "figures.json").write_bytes(FILES["figures.json"])
    book = Book(tmp_path)
    assert len(book.rows()) == 10_000
    start = time.process_time()
    rows = book.rows()
    make_document(make_facts(rows, ["liftlatch"], "book"))
    assert time.process_time() - start < 4.0
    assert json.loads((tmp_path / INDEX).read_text())["rows"]["10000"]
    assert book.add(ENTRY, FILES) == 10_001
