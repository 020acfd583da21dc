"""Real ports: what cannot be opened, what goes away, and devices that say nothing or nonsense."""

from __future__ import annotations

import errno
import os
import socket
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from bench.device.behaviour import Behaviour
from bench.device.serve import serve
from bench.device.simulated import Device
from bench.link.host import Host
from bench.link.line import Line, LinkError
from bench.link.ports import ListeningLine, PtyLine, SerialLine
from bench.link.target import RemoteTarget
from controller import Controller
from tests.link_support import IMAGE, local, run_inputs


@contextmanager
def served(line: Line) -> Iterator[Device]:
    """A device that answers on a line from another thread."""
    device = Device(Controller)
    running = True
    thread = threading.Thread(target=serve, args=(line, Behaviour(device), lambda: running))
    thread.start()
    try:
        yield device
    finally:
        running = False
        thread.join(5)
        assert not thread.is_alive()


@contextmanager
def bare_pty() -> Iterator[tuple[int, str]]:
    """(descriptor of our end, name of the other) of a pseudo-terminal that nobody serves."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        for fd in (master, slave):
            with suppress(OSError):  # a test may have closed it
                os.close(fd)


@pytest.mark.parametrize("kind", ["pty", "tcp"])
def test_a_run_over_a_real_line(kind: str) -> None:
    line: PtyLine | ListeningLine = PtyLine() if kind == "pty" else ListeningLine(0)
    with served(line):
        port = SerialLine(line.name)
        target = RemoteTarget(Host(port))
        assert target.load(IMAGE) == 0
        target.start()
        inputs = run_inputs(600)
        far, near = target.run(0, inputs), local().run(0, inputs)
        assert (far.outputs == near.outputs).all()
        assert far.digest == near.digest
        port.close()


def test_two_benches_on_one_port() -> None:
    with bare_pty() as (_, path):
        first = SerialLine(path)
        with pytest.raises(LinkError) as refused:
            SerialLine(path)
        assert str(refused.value) == (
            f"{path}: another program uses this port; end that program, or choose another port"
        )
        first.close()
        SerialLine(path).close()


def when_free(name: str) -> SerialLine:
    """A TCP port that another bench has just left, as soon as the device has seen that."""
    until = time.monotonic() + 30
    while True:
        port = SerialLine(name)
        try:
            Host(port, timeout_s=2).hello()
            return port
        except LinkError:
            port.close()
            if time.monotonic() > until:
                raise
            time.sleep(0.02)


def test_two_benches_on_one_tcp_port() -> None:
    line = ListeningLine(0)
    with served(line):
        first = SerialLine(line.name)
        RemoteTarget(Host(first))
        second = SerialLine(line.name)
        with pytest.raises(LinkError, match="is in use"):
            RemoteTarget(Host(second))
        first.close()
        RemoteTarget(Host(when_free(line.name)))


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("/dev/no-such-port", "there is no such port"),
        ("{file}", "is no serial port"),
        ("{folder}", "is a folder"),
        ("socket://127.0.0.1:{closed}", "nobody listens there"),
        ("nonsense://x", "cannot be opened"),
        ("socket://127.0.0.1", "cannot be opened"),
    ],
)
def test_what_cannot_be_opened(name: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no port")
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    name = name.format(file=tmp_path / "file", folder=tmp_path, closed=closed)
    with pytest.raises(LinkError, match=said) as refused:
        SerialLine(name)
    assert str(refused.value).startswith(f"{name}: ")
    assert "\n" not in str(refused.value)


def test_a_port_without_rights(monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's refusal is simulated: the tests may run as a user who may do anything."""

    def refuse(*arguments: object) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    with bare_pty() as (_, path):
        monkeypatch.setattr("serial.serialposix.os.open", refuse)
        with pytest.raises(LinkError, match="no right to use this port"):
            SerialLine(path)


@pytest.mark.parametrize("baud", [0, -9600])
def test_a_rate_that_is_none(baud: int) -> None:
    with pytest.raises(LinkError, match="is no rate"):
        SerialLine("/dev/ttyS0", baud)


def test_a_silent_device() -> None:
    with bare_pty() as (_, path):
        begun = time.monotonic()
        with pytest.raises(LinkError, match=r"said nothing for 0.5 s; check cable"):
            Host(SerialLine(path), timeout_s=0.05).hello()
        assert time.monotonic() - begun < 30  # it ends by itself


def test_a_device_that_talks_nonsense() -> None:
    with bare_pty() as (master, path):
        port = SerialLine(path)
        os.write(master, os.urandom(500).replace(b"\0", b"x") + b"\0" + b"\xff" * 20 + b"\0")
        with pytest.raises(LinkError, match="makes no sense"):
            Host(port, timeout_s=0.05).hello()


def test_a_port_that_goes_away() -> None:
    with bare_pty() as (master, path):
        port = SerialLine(path)
        timer = threading.Timer(0.2, os.close, [master])
        timer.start()
        begun = time.monotonic()
        with pytest.raises(LinkError, match="the port went away"):
            Host(port).hello()
        assert time.monotonic() - begun < 30  # it ends by itself
        timer.join()


def test_a_port_that_takes_no_bytes() -> None:
    with bare_pty() as (_, path):
        port = SerialLine(path)
        with pytest.raises(LinkError, match="takes no bytes"):
            for _ in range(3000):
                port.send(bytes(1000))


def test_a_number_that_cannot_be_listened_on() -> None:
    with pytest.raises(LinkError, match="cannot listen there"):
        ListeningLine(70000)
    taken = ListeningLine(0)
    with pytest.raises(LinkError, match="cannot listen there"):
        ListeningLine(taken.port)
    taken.close()


def test_the_loop_back_port_of_pyserial_has_no_descriptor() -> None:
    """Ports without a file descriptor, such as loop:// and rfc2217://, are read by polling."""
    port = SerialLine("loop://")
    port.send(b"there and back")
    assert port.receive(1.0) == b"there and back"
    begun = time.monotonic()
    assert port.receive(0.05) == b""
    assert 0.04 < time.monotonic() - begun < 30
    port.close()
