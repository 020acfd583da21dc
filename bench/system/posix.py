"""Linux and macOS; what only Linux has is asked for where it is used."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import pty
import resource
import select
import signal
import sys
import termios
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

assert sys.platform != "win32"

ENDING = (signal.SIGTERM, signal.SIGHUP)  # a request to end, and a terminal that went away
KILLED: int | None = -signal.SIGKILL  # exit code of a process that the system killed, for its memory mostly
LOCKS_HINDER_OTHERS = False  # only who asks for the lock meets it
PORT_ERRORS: tuple[type[Exception], ...] = (termios.error,)
HAS_EMULATORS = sys.platform == "linux"  # with setpriv and taskset, which tie them to us

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_CANNOT_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.EXDEV, errno.EOPNOTSUPP}


def try_lock(descriptor: int) -> bool:
    """Lock an open file for this process, without waiting; False where another one has it.

    The system frees the lock when the descriptor is closed, however the process ends.
    """
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True


@contextmanager
def hold(part: Path, left: bool = False) -> Iterator[bool]:
    """Lock a file or a folder for the block; False where another process has it, or took it away.

    `left`: it is asked whether somebody left it behind.
    """
    descriptor = None
    try:
        with suppress(FileNotFoundError):
            descriptor = os.open(part, os.O_RDONLY | os.O_NONBLOCK)
        yield descriptor is not None and try_lock(descriptor) and _is(part, descriptor)
    finally:
        if descriptor is not None:
            os.close(descriptor)


def _is(path: Path, descriptor: int) -> bool:
    """Whether a path still leads to what was opened."""
    try:
        return os.path.samestat(os.stat(path, follow_symlinks=False), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def unlink_held(path: Path, descriptor: int) -> None:
    """Take away a file that we hold open and locked; nobody else gets its lock before it is gone."""
    with suppress(OSError):
        path.unlink()
    os.close(descriptor)


def open_now(path: Path, flags: int) -> int:
    """A descriptor, without waiting for a pipe's other end. Raises OSError."""
    return os.open(path, flags | os.O_NONBLOCK)


def unblocked(descriptor: int, free: bool = True) -> bool:
    """Let reads and writes of a descriptor give up at once (or wait again, with `free` False), so that select
    tells when to come back; whether it can. Raises OSError where it is none."""
    os.set_blocking(descriptor, not free)
    return True


def sync_file(path: Path) -> None:
    """Write a file through to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Write the names in a folder through to the disk, so that a rename outlives a power cut; where a file
    system refuses it nothing is done."""
    with suppress(OSError):
        sync_file(folder)


def exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step; False where that is not possible."""
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "renameat2"):
        return False
    done = libc.renameat2(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE)
    if done == 0:
        return True
    code = ctypes.get_errno()
    if code not in _CANNOT_EXCHANGE:
        raise OSError(code, os.strerror(code), str(other))
    return False


@contextmanager
def no_ctrl_c() -> Iterator[None]:
    """Hold back Ctrl-C. What is started meanwhile never gets one: it is told to stop another way."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def open_terminal() -> tuple[int, int, str]:
    """A pseudo-terminal that changes no byte: our end, the other end, and its name."""
    ours, other = pty.openpty()
    tty.setraw(other)
    unblocked(ours)
    return ours, other, os.ttyname(other)


def line_typed() -> bool:
    """Whether a line waits at standard input, or its end."""
    ready, _, _ = select.select([sys.stdin], [], [], 0.0)
    return bool(ready)


def some_processor(choose: Any) -> str:
    """The number of one that we may use, chosen by `choose` of a list."""
    if sys.platform == "linux":
        return str(choose(sorted(os.sched_getaffinity(0))))
    raise NotImplementedError


def cpu_seconds(pid: int) -> float:
    """Seconds of processor time that a process has used so far, on Linux."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def give_memory_back() -> None:
    """Give the system what was freed but is kept for later, where it can be asked to take it."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def memory_left() -> int | None:
    """Bytes that this process may still take without harm, or None where that cannot be told: the least of
    what the machine has, what its control group may have and its own limit."""
    found = []
    with suppress(OSError, ValueError, IndexError):
        lines = Path("/proc/meminfo").read_text().splitlines()
        found += [int(line.split()[1]) << 10 for line in lines if line.startswith("MemAvailable:")]
    with suppress(OSError, ValueError):
        group = Path("/sys/fs/cgroup")
        most = int((group / "memory.max").read_text())
        found.append(most - int((group / "memory.current").read_text()))
    most, _ = resource.getrlimit(resource.RLIMIT_AS)
    if most != resource.RLIM_INFINITY:
        with suppress(OSError, ValueError, IndexError):
            pages = int(Path("/proc/self/statm").read_text().split()[0])
            found.append(most - pages * resource.getpagesize())
    return max(0, min(found)) if found else None
