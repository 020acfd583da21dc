"""Takes away what Windows lacks, and acts as Windows does, for the project's own code alone: libraries and
tests keep all of it. `take_away()` does it, in a process of its own.

Gone are the modules and the names below (CPython's library reference marks them "Availability: Unix", edition
3.14). What Windows refuses is refused: to open a folder, to rename or remove an open file, to rename onto
something, to sync what cannot be written, to wait for anything but a socket (CreateFile, MoveFileEx,
DeleteFile, FlushFileBuffers and select in Microsoft's reference, from memory).
"""

from __future__ import annotations

import builtins
import errno
import fcntl
import importlib
import os
import select
import signal
import stat
import sys
import types
from typing import Any

OURS = ("bench", "controller", "firmware_model")
MODULES = ("curses", "fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty")
NAMES = {
    "os": (
        *("O_CLOEXEC", "O_DIRECTORY", "O_NOCTTY", "O_NOFOLLOW", "O_NONBLOCK", "O_SYNC", "chown", "chroot"),
        *("fchdir", "fchmod", "fchown", "fork", "forkpty", "get_blocking", "getegid", "geteuid", "getgid"),
        *("getloadavg", "getpgid", "getpriority", "getuid", "killpg", "lchown", "mkfifo", "nice"),
        *("openpty", "pipe2", "posix_fadvise", "posix_fallocate", "posix_spawn", "pread", "pwrite"),
        *("sched_getaffinity", "sched_setaffinity", "set_blocking", "setpgid", "setsid", "statvfs"),
        *("sync", "sysconf", "tcgetpgrp", "ttyname", "uname", "wait", "wait3", "wait4", "waitid", "writev"),
    ),
    "signal": (
        *("SIGALRM", "SIGCHLD", "SIGCONT", "SIGHUP", "SIGKILL", "SIGPIPE", "SIGQUIT", "SIGSTOP", "SIGTSTP"),
        *("SIGUSR1", "SIGUSR2", "SIGWINCH", "alarm", "pause", "pthread_kill", "pthread_sigmask", "setitimer"),
        *("siginterrupt", "sigpending", "sigwait"),
    ),
    "select": ("epoll", "poll", "kqueue"),
}
_REAL_IMPORT = builtins.__import__
_PROJECT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))


class Without(types.ModuleType):
    """A module as the project's code sees it: without some names, with others of ours."""

    def __init__(self, real: types.ModuleType, gone: tuple[str, ...], instead: dict[str, Any]) -> None:
        self.__dict__.update(_real=real, _gone=gone, _instead=instead, __name__=real.__name__)

    def __getattr__(self, name: str) -> Any:
        if name in self._gone:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r} on Windows")
        return self._instead[name] if name in self._instead else getattr(self._real, name)

    def __setattr__(self, name: str, value: Any) -> None:
        setattr(self._real, name, value)  # a test puts another one there


def _refused(path: Any, number: int = errno.EACCES) -> OSError:
    return OSError(number, os.strerror(number), os.fspath(path))


def _open(path: Any, flags: int, *more: Any, **named: Any) -> int:
    if os.path.isdir(path):
        raise _refused(path)
    return os.open(path, flags, *more, **named)


def _fsync(descriptor: int) -> None:
    if fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))
    os.fsync(descriptor)


def _select(reads: list[Any], writes: list[Any], *more: Any) -> Any:
    for one in (*reads, *writes):
        number = one if isinstance(one, int) else one.fileno()
        if not stat.S_ISSOCK(os.fstat(number).st_mode):
            raise OSError(10038, "an operation was attempted on something that is not a socket")
    return select.select(reads, writes, *more)


def _demand_closed(path: Any) -> None:
    """As Windows, which lets nobody rename or remove a file that is open, or a folder with such a file."""
    real = os.path.realpath(path)
    for entry in os.scandir("/proc/self/fd"):
        try:
            to = os.readlink(entry.path)
        except OSError:
            continue
        if to == real or to.startswith(real + "/"):
            raise _refused(path)


def _caller_is_ours(depth: int) -> bool:
    """Whether the code that called is the project's, maybe by way of the library's own modules."""
    frame = sys._getframe(depth)
    while frame is not None and frame.f_globals.get("__name__") in ("pathlib", "shutil", "os", __name__):
        frame = frame.f_back
    return frame is not None and _is_ours(frame.f_globals)


def _is_ours(names: Any) -> bool:
    return str((names or {}).get("__name__", "")).partition(".")[0] in OURS


def _guarded(real: Any, onto: bool) -> Any:
    def call(path: Any, *more: Any, **named: Any) -> Any:
        if _caller_is_ours(2):
            _demand_closed(path)
            if more and os.path.exists(more[0]):
                _demand_closed(more[0])
                if not onto and not os.path.samefile(path, more[0]):
                    raise _refused(more[0], errno.EEXIST)
        return real(path, *more, **named)

    return call


def _locking(descriptor: int, mode: int, count: int) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES)) from None


def _import(name: str, names: Any = None, local: Any = None, fromlist: Any = (), level: int = 0) -> Any:
    if level == 0 and _is_ours(names):
        if name.partition(".")[0] in MODULES:
            raise ModuleNotFoundError(f"No module named {name!r} on Windows", name=name)
        if name in _SEEN:
            return _SEEN[name]
    return _REAL_IMPORT(name, names, local, fromlist, level)


_SEEN: dict[str, types.ModuleType] = {
    "os": Without(os, NAMES["os"], {"open": _open, "fsync": _fsync, "O_BINARY": 0}),
    "signal": Without(signal, NAMES["signal"], {"SIGBREAK": signal.SIGQUIT}),
    "select": Without(select, NAMES["select"], {"select": _select}),
    "msvcrt": types.SimpleNamespace(LK_NBLCK=2, locking=_locking, kbhit=lambda: False),  # type: ignore[dict-item]
}


def take_away() -> None:
    """From now on; before anything of the project is imported."""
    early = sorted(name for name in sys.modules if name.partition(".")[0] in OURS)
    assert not early, f"imported before: {early}"
    builtins.__import__ = _import
    for name in ("rename", "replace", "unlink", "rmdir", "link"):
        setattr(os, name, _guarded(getattr(os, name), name != "rename"))
    importlib.import_module("bench.errors")
    real, sys.platform = sys.platform, "win32"  # while it chooses; no one else asks
    try:
        importlib.import_module("bench.system")
    finally:
        sys.platform = real
