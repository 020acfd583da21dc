"""A desk under a flood of connections, behind a full pipe, and beside another desk."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from websockets.sync.client import connect
from websockets.typing import Origin

from tests import ROOT
from tests.desk_support import Page, copy_of_demo
from tests.faults.support import PROGRAM

_MOST_FILES = 256  # that a process may have open, as on macOS
_HALF_A_REQUEST = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "


def _full_pipe() -> tuple[int, int]:
    """Both ends of a pipe into which nothing goes any more."""
    reads, writes = os.pipe()
    os.set_blocking(writes, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writes, bytes(4096))
    os.set_blocking(writes, True)
    return reads, writes


@contextmanager
def _flood(port: int, count: int) -> Iterator[list[socket.socket]]:
    """So many connections, each with half a request."""
    held: list[socket.socket] = []
    try:
        for _ in range(count):
            one = socket.socket()
            one.settimeout(0.5)
            with suppress(OSError):
                one.connect(("127.0.0.1", port))
                one.sendall(_HALF_A_REQUEST)
            held.append(one)
        yield held
    finally:
        for one in held:
            one.close()


def _limited() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_NOFILE, (_MOST_FILES, _MOST_FILES))


def desk_flooded(folder: Path, long: bool) -> str:
    """1300 connections with half a request each, and a standard error that nobody reads: pages are served,
    the work is saved, little is logged, and it ends."""
    count = 5000 if long else 1300
    car = copy_of_demo(folder)
    for full in (False, True):
        reads, writes = _full_pipe() if full else os.pipe()
        process = subprocess.Popen(
            [*PROGRAM, "desk", str(ROOT / "traces" / "clean_launch.csv"), "--calibration", str(car)],
            cwd=ROOT, env={**os.environ, "XDG_STATE_HOME": str(folder / "state")},
            stdout=subprocess.PIPE, stderr=writes, text=True, preexec_fn=_limited,  # noqa: PLW1509
        )  # fmt: skip
        os.close(writes)
        try:
            assert process.stdout is not None
            address = process.stdout.readline().removeprefix("desk at ").strip()
            root = address[: address.index("/", len("http://"))]
            port = int(root.rpartition(":")[2])
            live = address.replace("http", "ws") + "live"
            with connect(live, origin=Origin(root), max_size=None, proxy=None) as connection:
                page = Page(connection)
                with _flood(port, count):
                    began = time.monotonic()
                    assert b"<html" in urllib.request.urlopen(address, timeout=20).read()
                    page.ask("set", values={"hold": 123 + full})
                    state = page.ask("save")
                    took = time.monotonic() - began
                    assert any(said.get("fine") for said in page.said), (page.said, state["notices"])
                    assert f"hold_ms = {123 + full}" in car.read_text()
                    process.send_signal(signal.SIGINT)
                    if full:  # its last word waits for a reader, as any program's does
                        time.sleep(2)
                        os.set_blocking(reads, False)
                        os.read(reads, 1 << 20)
                    assert process.wait(20) == 130
            os.set_blocking(reads, False)
            said = os.read(reads, 1 << 20)
            assert len(said) < 2000, f"{len(said)} bytes on standard error"
            assert took < 10, f"{took:.1f} s to save"
        finally:
            process.kill()
            process.wait()
            os.close(reads)
    return f"{count} half requests: saved, served, {len(said)} bytes said"


def two_desks(folder: Path, long: bool) -> str:
    """Desks of two users, and of two names of one file: the second one is told, also after a save and after
    the file was replaced; a desk that is killed leaves the file free."""
    car = copy_of_demo(folder)
    os.link(car, folder / "name.toml")
    words = [*PROGRAM, "desk", str(ROOT / "traces" / "clean_launch.csv"), "--calibration"]

    def start(path: Path, user: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [*words, str(path)], cwd=ROOT, env={**os.environ, "XDG_STATE_HOME": str(folder / user)},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def refused(path: Path) -> None:
        second = start(path, "second")
        assert second.stdout is not None
        line = second.stdout.readline()
        if line:
            second.kill()
        out, err = second.communicate(timeout=30)
        out = line + out
        assert not out, out
        assert err.startswith(f"liftlatch: {path}: another desk"), err
        assert err.count("\n") == 1, err

    first = start(car, "first")
    try:
        assert first.stdout is not None
        address = first.stdout.readline().removeprefix("desk at ").strip()
        root = address[: address.index("/", len("http://"))]
        refused(car)
        refused(folder / "name.toml")
        with connect(
            address.replace("http", "ws") + "live", origin=Origin(root), max_size=None, proxy=None
        ) as live:
            page = Page(live)
            page.ask("set", values={"hold": 123})
            page.ask("save")
            refused(car)
            shutil.copy(car, folder / "edited.toml")
            (folder / "edited.toml").replace(car)  # as an editor does
            second = start(car, "second")
            assert second.stdout is not None
            assert second.stdout.readline().startswith("desk at ")
            page.ask("set", values={"hold": 99})
            said = page.refused("save")["text"]
            assert "another desk" in said, said
            second.kill()
            second.communicate()
            page.ask("save")
            assert "hold_ms = 99" in car.read_text()
    finally:
        first.kill()
        first.communicate()
    again = start(car, "second")
    assert again.stdout is not None
    assert again.stdout.readline().startswith("desk at ")
    again.kill()
    again.communicate()
    return "4 refusals"
