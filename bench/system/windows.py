"""Windows. An open file can be neither renamed nor removed there, a lock hinders everybody, and a folder
cannot be opened: so what is under way is held by its age alone. What has no counterpart says so in one line.

Written from the documentation of Python and of Windows. tests/without_posix.py acts like it; this has not run
on a Windows machine.
"""

from __future__ import annotations

import msvcrt
import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from bench.errors import UserError

assert sys.platform == "win32"

ENDING = (signal.SIGTERM, signal.SIGBREAK)
KILLED: int | None = None  # no exit code says it
LOCKS_HINDER_OTHERS = True
PORT_ERRORS: tuple[type[Exception], ...] = ()
HAS_EMULATORS = False

_LEFT_S = 86400.0  # nothing is written for as long as a day


def try_lock(descriptor: int) -> bool:
    """Lock an open file for this process, without waiting; False where another one has it."""
    try:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    except PermissionError:
        return False
    except OSError:  # a file system without locks
        return True
    return True


@contextmanager
def hold(part: Path, left: bool = False) -> Iterator[bool]:
    """Nothing is locked: with `left` only what is older than a day counts as left behind."""
    yield not left or time.time() - part.stat().st_mtime > _LEFT_S


def unlink_held(path: Path, descriptor: int) -> None:
    """Take away a file that we hold open and locked."""
    os.close(descriptor)
    with suppress(OSError):
        path.unlink()


def open_now(path: Path, flags: int) -> int:
    """A descriptor that changes no line ends. Raises OSError."""
    return os.open(path, flags | os.O_BINARY)


def unblocked(descriptor: int, free: bool = True) -> bool:
    """Reads and writes of a descriptor always wait there."""
    return False


def sync_file(path: Path) -> None:
    """Write a file through to the disk."""
    descriptor = os.open(path, os.O_RDWR | os.O_BINARY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """There is no such call for folders."""


def exchange(one: Path, other: Path) -> bool:
    """Two folders cannot be swapped in one step."""
    return False


@contextmanager
def no_ctrl_c() -> Iterator[None]:
    """A Ctrl-C goes to every process of the console; it cannot be held back."""
    yield


def open_terminal() -> tuple[int, int, str]:
    """Raises UserError: there are no pseudo-terminals."""
    raise UserError("no pseudo-terminals on this system", "--port pty", "give tcp:0, or a serial port")


def line_typed() -> bool:
    """Whether a key was pressed; where keys do not come from a console, a line is waited for."""
    return not sys.stdin.isatty() or msvcrt.kbhit()


def some_processor(choose: Any) -> str:
    """Programs are not tied to a processor."""
    raise NotImplementedError


def cpu_seconds(pid: int) -> float:
    """Of emulators only, which there are not."""
    raise NotImplementedError


def give_memory_back() -> None:
    """It is given back anyway."""


def memory_left() -> int | None:
    """It is not asked there, so nothing is refused for its size."""
    return None
