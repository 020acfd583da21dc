"""The book on the disk: a folder for each run, and a cache of what its table shows.

A run's folder holds run.toml (what a person says of it), the log or where it lies, calibration.toml and,
where they were known, car.toml and the layout, summary.json and report.html (the replay) and figures.json.
It is put there whole under a number of its own; run.toml is replaced whole when something is corrected. The
cache may be removed at any time: it is made anew from the folders.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.book import entry as entries
from bench.book import measure
from bench.errors import UserError
from bench.files import digest_of, numbered_folder, write_whole
from bench.system import try_lock

INDEX = ".index.json"
REMOVED = "removed"
CALIBRATION, CAR, LAYOUT, REPORT = "calibration.toml", "car.toml", "layout.toml", "report.html"
PREDICTIONS = "predictions.json"
_INDEX_VERSION = 1
_IGNORED = f"{INDEX}\n.lock\n"
_LOCKED_S = 20.0


@dataclass(frozen=True)
class Row:
    """One run as tables have it. `entry` is run.toml, `air` density and density altitude, `figures` what the
    log shows, `predictions` what was said after it of the next one (bench.book.predictions); `damage` says
    what could not be read."""

    number: int
    folder: Path
    entry: dict[str, Any] = field(default_factory=dict)
    air: dict[str, float | None] = field(default_factory=dict)
    figures: dict[str, Any] = field(default_factory=dict)
    predictions: dict[str, Any] = field(default_factory=dict)
    damage: str = ""

    def said(self, name: str) -> str:
        """A text of [run]."""
        return str(self.entry.get("run", {}).get(name, ""))

    def time_s(self, feet: int) -> tuple[float | None, bool]:
        """The time to a mark in s, and whether a slip says so; else it is the log's."""
        told = self.entry.get("slip", {}).get(f"{feet}_ft_s")
        if told is not None:
            return float(told), True
        return self.figures.get("by_log_s", {}).get(str(feet)), False

    @property
    def crc(self) -> str:
        """The image CRC of its calibration, eight hex digits."""
        return str(self.entry.get("calibration", {}).get("image_crc32", ""))

    def log(self) -> Path:
        """Its log. Raises UserError where that is gone or another file now."""
        kept = self.entry.get("log", {})
        path = self.folder / str(kept.get("file", ""))
        if not path.is_file():
            raise UserError("the log of this run is gone", path, "put it back, or add the run again")
        if digest_of(path) != kept.get("sha256"):
            raise UserError("is another file than was added", path, "put the right one back")
        return path


class Book:
    """The book in a folder. Nothing is made until something is added."""

    def __init__(self, folder: Path) -> None:
        if folder.exists() and not folder.is_dir():
            raise UserError("is no folder", folder, "name the book's folder")
        self.folder = folder

    def add(self, entry: dict[str, Any], files: dict[str, bytes]) -> int:
        """Keep a run whole, and give it a number. `files` are its other files by name."""
        self.folder.mkdir(parents=True, exist_ok=True)
        if not (self.folder / ".gitignore").exists():
            write_whole(self.folder / ".gitignore", _IGNORED)

        def fill(part: Path) -> None:
            for name, content in files.items():
                (part / name).write_bytes(content)
            (part / entries.FILE).write_text(entries.text(entry), encoding="utf-8")

        return numbered_folder(self.folder, max(self._all_numbers(), default=0) + 1, fill)

    def correct(self, number: int, told: dict[str, Any]) -> None:
        """Change what is said of a run."""
        path = self._folder_of(number) / entries.FILE
        with self._locked():
            before = entries.read(path)
            after = entries.changed(before, told)
            if after != before:
                write_whole(path, entries.text(after))

    def keep(self, number: int, name: str, content: str) -> None:
        """Put another file into a run's folder, or replace it there, whole."""
        write_whole(self._folder_of(number) / name, content)

    def remove(self, number: int) -> Path:
        """Put a run away, into the folder `removed` beside the others; gives where. Its number stays used."""
        folder = self._folder_of(number)
        away = self.folder / REMOVED
        away.mkdir(exist_ok=True)
        return folder.rename(away / folder.name)

    def numbers(self) -> list[int]:
        """The numbers of all runs, rising."""
        return sorted(_numbers_in(self.folder))

    def row(self, number: int) -> Row:
        """One run. Raises UserError where there is none, or it cannot be read."""
        found = _read_row(number, self._folder_of(number))
        if found.damage:
            raise UserError(found.damage, found.folder, "mend it, or take it from a copy")
        return found

    def rows(self) -> list[Row]:
        """All runs in the order of their numbers; one that cannot be read says so in `damage`."""
        known, found, fresh = self._cached(), [], {}
        for name in sorted(_names_in(self.folder), key=int):
            folder, number = self.folder / name, int(name)
            stamp = _stamp(folder)
            cached = known.get(name)
            if cached and stamp and cached[0] == stamp:
                row = Row(number, folder, *cached[1])
            else:
                row = _read_row(number, folder)
            found.append(row)
            if not row.damage:
                fresh[name] = [stamp, [row.entry, row.air, row.figures, row.predictions]]
        if fresh != known:
            with suppress(UserError, OSError):  # a book on a read-only disk is read all the same
                write_whole(
                    self.folder / INDEX, json.dumps({"index_version": _INDEX_VERSION, "rows": fresh}) + "\n"
                )
        return found

    def _cached(self) -> dict[str, Any]:
        with suppress(OSError, ValueError, KeyError, TypeError):
            content = json.loads((self.folder / INDEX).read_text("utf-8"))
            if content["index_version"] == _INDEX_VERSION:
                return dict(content["rows"])
        return {}

    def _all_numbers(self) -> set[int]:
        return _numbers_in(self.folder) | _numbers_in(self.folder / REMOVED)

    def _folder_of(self, number: int) -> Path:
        folder = self.folder / f"{number:04d}"
        if not folder.is_dir():
            numbers = self.numbers()
            right = f"1 to {numbers[-1]}" if numbers else "add one with `liftlatch book add LOG`"
            raise UserError(f"there is no run {number}", self.folder, right)
        return folder

    @contextmanager
    def _locked(self) -> Iterator[None]:
        """One at a time corrects; the system frees the lock however the process ends."""
        descriptor = os.open(self.folder / ".lock", os.O_RDWR | os.O_CREAT, 0o666)
        try:
            until = time.monotonic() + _LOCKED_S
            while not try_lock(descriptor):
                if time.monotonic() > until:
                    raise UserError("another process corrects this book", self.folder, "wait for it")
                time.sleep(0.02)
            yield
        finally:
            os.close(descriptor)


def _names_in(folder: Path) -> set[str]:
    try:
        return {name for name in os.listdir(folder) if name.isascii() and name.isdigit() and len(name) >= 4}
    except FileNotFoundError:
        return set()


def _numbers_in(folder: Path) -> set[int]:
    return {int(name) for name in _names_in(folder)}


def _stamp(folder: Path) -> list[int]:
    """What changes when a run does: files are replaced whole, so their numbers and times change."""
    found = []
    for name in (entries.FILE, measure.FILE, PREDICTIONS):
        try:
            stat = os.stat(folder / name)
            found += [stat.st_mtime_ns, stat.st_size, stat.st_ino]
        except OSError:
            found += [0, 0, 0]
    return found


def _read_row(number: int, folder: Path) -> Row:
    try:
        entry = entries.read(folder / entries.FILE)
        # As the cache has it, so that the table is the same with and without.
        entry = json.loads(json.dumps(entry, default=str))
        kept: list[dict[str, Any]] = []
        for name in (measure.FILE, PREDICTIONS):
            there = (folder / name).exists()
            kept.append(json.loads((folder / name).read_text("utf-8")) if there else {})
        return Row(number, folder, entry, entries.air_of(entry), kept[0], kept[1])
    except (UserError, OSError, ValueError, TypeError) as error:
        return Row(number, folder, damage=" ".join(str(error).split()))
