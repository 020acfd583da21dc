"""Real lines: whatever pyserial opens, and the ends of a line that a device model offers."""

from __future__ import annotations

import errno
import os
import select
import socket
import time
from contextlib import suppress
from typing import Any

from bench.link.line import LinkError
from bench.system import PORT_ERRORS, open_terminal, unblocked

BAUD = 115200

_POLL_S = 0.005
_PENDING_BYTES = 1 << 20

_OPEN_ERRORS = {
    errno.ENOENT: ("there is no such port", "check the name and the cable"),
    errno.EACCES: ("no right to use this port", "ask for membership of the group that owns it"),
    errno.EPERM: ("no right to use this port", "ask for membership of the group that owns it"),
    errno.EBUSY: ("another program uses this port", "end that program, or choose another port"),
    errno.EAGAIN: ("another program uses this port", "end that program, or choose another port"),
    errno.ECONNREFUSED: ("nobody listens there", "start the device, or check the port number"),
    errno.ENOTTY: ("is no serial port", "give a serial port or a URL such as socket://HOST:PORT"),
    errno.EISDIR: ("is a folder", "give a serial port or a URL such as socket://HOST:PORT"),
}
_CANNOT_OPEN: tuple[type[Exception], ...] = (OSError, ValueError, NotImplementedError, *PORT_ERRORS)
_GONE = ("the port went away", "check cable and device, and start again")
_IN_USE = (
    "is in use: it hung up before it said anything",
    "end the program that uses it, or check the device",
)


class SerialLine:
    """A port named as pyserial names it: a device file, COM3, socket://HOST:PORT, rfc2217://HOST:PORT.

    Raises LinkError if it cannot be opened for us alone.
    """

    def __init__(self, name: str, baud: int = BAUD) -> None:
        self.name = name
        self._port = _open(name, baud)
        self._fd = _descriptor(self._port)
        self._pending = bytearray()
        self._heard = False

    def now(self) -> float:
        return time.monotonic()

    def send(self, data: bytes) -> None:
        self._pending += data
        if len(self._pending) > _PENDING_BYTES:
            raise LinkError("the port takes no bytes", self.name, "check cable, flow control and device")
        self._flush()

    def receive(self, limit_s: float) -> bytes:
        until = self.now() + limit_s
        while True:
            left = max(0.0, until - self.now())
            try:
                came = self._read(left)
            except (OSError, ValueError, TypeError) as error:  # what pyserial raises on a port that went away
                raise self._gone() from error
            self._heard = self._heard or bool(came)
            if came or self.now() >= until:
                return came

    def _read(self, limit_s: float) -> bytes:
        if self._fd is None:
            self._flush()
            waiting = self._port.in_waiting
            return bytes(self._port.read(waiting or 1))
        wanted = [self._fd] if self._pending else []
        readable, writable, _ = select.select([self._fd], wanted, [], limit_s)
        if writable:
            self._flush()
        if not readable:
            return b""
        data = os.read(self._fd, 65536)
        if not data:
            raise OSError(errno.EIO, "end of file")
        return data

    def _flush(self) -> None:
        if not self._pending:
            return
        try:
            if self._fd is None:
                self._port.write(bytes(self._pending))
                self._pending.clear()
            else:
                with suppress(BlockingIOError):
                    sent = os.write(self._fd, self._pending)
                    del self._pending[:sent]
        except OSError as error:
            raise self._gone() from error

    def _gone(self) -> LinkError:
        # Who has a bench already sends the next one away at once.
        what, right = _GONE if self._heard or "://" not in self.name else _IN_USE
        return LinkError(what, self.name, right)

    def close(self) -> None:
        with suppress(OSError):
            self._port.close()


def _open(name: str, baud: int) -> Any:
    import serial

    if baud <= 0:
        raise LinkError(f"--baud {baud} is no rate", right="give bits a second, for example 115200")
    try:
        port = serial.serial_for_url(name, do_not_open=True, baudrate=baud, timeout=_POLL_S)
        if "://" not in name:
            port.exclusive = True
        port.open()
    except _CANNOT_OPEN as error:
        what, right = _why(error)
        raise LinkError(what, name, right) from error
    return port


def _why(error: Exception) -> tuple[str, str]:
    seen: BaseException | None = error
    text = str(error)
    while seen is not None:
        number = seen.args[0] if isinstance(seen, (OSError, *PORT_ERRORS)) and seen.args else None
        if number in _OPEN_ERRORS:
            return _OPEN_ERRORS[number]
        seen = seen.__cause__ or seen.__context__
    for number, line in _OPEN_ERRORS.items():
        # pyserial often keeps only the text of what the system said
        if f"[Errno {number}]" in text or os.strerror(number) in text:
            return line
    return f"cannot be opened ({' '.join(text.split())})", "check the name of the port"


def _descriptor(port: Any) -> int | None:
    """The file descriptor to wait on; None where the port has none of its own."""
    try:
        fd = port.fileno()
        if not unblocked(fd):
            return None
    except (AttributeError, OSError, ValueError):
        return None
    return int(fd)


class _DescriptorLine:
    """What a device end does with a descriptor that may be there or not."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._fd = -1
        self._pending = bytearray()

    def now(self) -> float:
        return time.monotonic()

    def send(self, data: bytes) -> None:
        self._pending += data
        # A device without a listener loses what it sends, as a wire without one does.
        if len(self._pending) > _PENDING_BYTES:
            self._pending.clear()
        self._flush()

    def _flush(self) -> None:
        if self._pending and self._fd >= 0:
            with suppress(BlockingIOError):
                sent = self._write(self._pending)
                del self._pending[:sent]

    def _write(self, data: bytearray) -> int:
        return os.write(self._fd, data)


class PtyLine(_DescriptorLine):
    """The device's end of a pseudo-terminal; `path` is the port for the other end."""

    def __init__(self) -> None:
        master, self._other, self.path = open_terminal()
        super().__init__(self.path)
        self._fd = master

    def receive(self, limit_s: float) -> bytes:
        wanted = [self._fd] if self._pending else []
        readable, writable, _ = select.select([self._fd], wanted, [], limit_s)
        if writable:
            self._flush()
        return os.read(self._fd, 65536) if readable else b""

    def close(self) -> None:
        for fd in (self._fd, self._other):
            with suppress(OSError):
                os.close(fd)


class ListeningLine(_DescriptorLine):
    """The device's end of a TCP port on this machine: one bench at a time, any further one is sent away."""

    def __init__(self, port: int) -> None:
        try:
            self._server = socket.create_server(("127.0.0.1", port))
        except (OSError, OverflowError) as error:
            text = error.strerror if isinstance(error, OSError) else "no such port number"
            raise LinkError(
                f"cannot listen there ({text})", f"tcp:{port}", "choose another number"
            ) from error
        self.port = int(self._server.getsockname()[1])
        self._bench: socket.socket | None = None
        super().__init__(f"socket://127.0.0.1:{self.port}")

    def receive(self, limit_s: float) -> bytes:
        sources: list[int] = [self._server.fileno()]
        if self._fd >= 0:
            sources.append(self._fd)
        wanted = [self._fd] if self._pending and self._fd >= 0 else []
        readable, writable, _ = select.select(sources, wanted, [], limit_s)
        if self._server.fileno() in readable:
            self._accept()
        try:
            if writable:
                self._flush()
            if self._bench is not None and self._fd in readable:
                data = self._bench.recv(65536)
                if data:
                    return data
                self._drop()
        except OSError:
            self._drop()
        return b""

    def send(self, data: bytes) -> None:
        try:
            super().send(data)
        except OSError:
            self._drop()

    def _write(self, data: bytearray) -> int:
        assert self._bench is not None
        return self._bench.send(data)  # not by its number, which is no file's on Windows

    def _accept(self) -> None:
        other, _ = self._server.accept()
        if self._bench is not None:
            other.close()
            return
        other.setblocking(False)
        other.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._bench, self._fd = other, other.fileno()
        self._pending.clear()

    def _drop(self) -> None:
        if self._bench is not None:
            self._bench.close()
        self._bench, self._fd = None, -1

    def close(self) -> None:
        self._drop()
        self._server.close()
