"""What differs between operating systems: locks, folders that are written through to the disk, and memory."""

from __future__ import annotations

import ctypes
import os
import sys
from contextlib import suppress
from pathlib import Path

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl


def try_lock(descriptor: int) -> bool:
    """Lock an open file for this process, without waiting; False where another one has it.

    The system frees the lock when the descriptor is closed, however the process ends.
    """
    try:
        if sys.platform == "win32":
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except PermissionError:  # Windows' word for a lock that another process has
        return False
    except OSError:  # a file system without locks
        return True
    return True


def sync_folder(folder: Path) -> None:
    """Write the names in a folder through to the disk, so that a rename outlives a power cut.

    Windows has no such call for folders, and some file systems refuse it: there nothing is done.
    """
    if sys.platform == "win32":
        return
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def give_memory_back() -> None:
    """Give the system what was freed but is kept for later, where it can be asked to take it."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def memory_left() -> int | None:
    """Bytes that this process may still take without harm, or None where that cannot be told: the least of
    what the machine has, what its control group may have and its own limit."""
    if sys.platform != "linux":
        return None
    import resource

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
