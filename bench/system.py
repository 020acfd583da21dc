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
    """Give the system what was freed but is kept for later; where that cannot be asked for nothing is done."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)
