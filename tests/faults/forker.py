"""A process that has everything imported and runs command lines in forks of itself: no run costs a start.

Reads one JSON object a line: words, out and err (files), and what should go wrong: uid, fsize (bytes that a
file may have), kill_at (end at the n-th change of a file or folder below `watch`), kill_after (seconds after
the first). Answers one: code (negative for a signal), changes, seconds from the first change to the end. With
`warm` the words are run here and not in a fork, so that whatever they import is there for all later ones.
"""

from __future__ import annotations

import json
import os
import resource
import select
import signal
import sys
import time
from contextlib import redirect_stdout, suppress
from importlib import import_module
from typing import Any

# What a run changes on the disk, as the interpreter's audit events name it.
_CHANGES = {"os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.chmod", "os.symlink", "os.truncate"}


def _watch(place: str, kill_at: int, first: int) -> None:
    """Tell the first change below a place through a pipe, count all, and die at the n-th."""
    seen = 0

    def hear(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal seen
        if event == "open":
            path, _, flags = arguments
            writes = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            if not writes:
                return
        elif event in _CHANGES:
            path = arguments[0]
        elif event == "ctypes.call_function":
            path = place  # the swap of two folders
        else:
            return
        if isinstance(path, bytes):
            path = os.fsdecode(path)
        if not isinstance(path, str | os.PathLike) or not os.path.abspath(path).startswith(place):
            return
        seen += 1
        os.write(first, b".")
        if seen == kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hear)


def _run(asked: dict[str, Any], first: int) -> None:
    os.setsid()
    for name, number in (("out", 1), ("err", 2)):
        descriptor = os.open(asked[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
        os.dup2(descriptor, number)
        os.close(descriptor)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    if "fsize" in asked:
        resource.setrlimit(resource.RLIMIT_FSIZE, (asked["fsize"], asked["fsize"]))
    if "uid" in asked:
        os.setgroups([])
        os.setgid(asked["uid"])
        os.setuid(asked["uid"])
    if "cwd" in asked:
        os.chdir(asked["cwd"])
    sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w", buffering=1)  # noqa: SIM115
    sys.argv = ["liftlatch", *asked["words"]]
    if "watch" in asked:
        _watch(asked["watch"], asked.get("kill_at", 0), first)
    from bench.cli import main

    try:
        main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    os._exit(code)


def _serve(asked: dict[str, Any]) -> dict[str, Any]:
    listen, first = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(listen)
        try:
            _run(asked, first)
        finally:
            os._exit(99)
    os.close(first)
    began = None
    changes = 0
    deadline = time.monotonic() + asked.get("timeout", 60)
    kill_after = asked.get("kill_after")
    late = False
    while True:
        wait = deadline - time.monotonic()
        if began is not None and kill_after is not None:
            wait = min(wait, began + kill_after - time.monotonic())
        ready, _, _ = select.select([listen], [], [], max(0.0, wait))
        if ready:
            heard = os.read(listen, 65536)
            if not heard:
                break
            changes += len(heard)
            began = began or time.monotonic()
            continue
        late = time.monotonic() >= deadline
        os.kill(child, signal.SIGKILL)
        break
    ended = time.monotonic()
    _, status = os.waitpid(child, 0)
    os.close(listen)
    return {
        "code": os.waitstatus_to_exitcode(status),
        "changes": changes,
        "seconds": ended - (began or ended),
        "late": late,
        "group": child,
    }


def _warm(words: list[str]) -> dict[str, Any]:
    from bench.cli import liftlatch

    with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere):
        liftlatch.main(words, standalone_mode=False)
    return {}


def main() -> None:
    for module in sys.argv[1:]:
        import_module(module)
    for line in sys.stdin:
        asked = json.loads(line)
        told = _warm(asked["words"]) if asked.get("warm") else _serve(asked)
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
