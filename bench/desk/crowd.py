"""What many connections at once may take from the server: few places, little time, little log.

Anybody on this machine can open connections without knowing the token. All limits together stay below the 256
files that some systems let a program have, so that the work can be saved at any time.
"""

from __future__ import annotations

import asyncio
import logging
import os
import queue
import threading
from contextlib import suppress
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

QUEUE = 1024  # connections that wait in the system, without a file of ours
BACKLOG = 16  # of them taken in at once, before any is looked at
MOST_PAGES = 32
LARGEST_MESSAGE = 1 << 16
LARGEST_HEAD = 1 << 14
_MOST_REQUESTS = 64
_REQUEST_S = 20.0  # of a connection that does not become a page's websocket
_MOST_LINES = 50
_LONGEST_LINE = 4000


class Visitor(H11Protocol):
    """A connection that asks for files. It has so many seconds from its beginning to its end, whatever it
    does, and where all places are taken the oldest one ends: a real request needs its place for a moment."""

    def __init__(self, *args: Any, waiting: dict[Visitor, None], **named: Any) -> None:
        super().__init__(*args, **named)
        self._waiting = waiting  # oldest first; one for all connections of a server
        self._end: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A connection has come."""
        super().connection_made(transport)
        while len(self._waiting) >= _MOST_REQUESTS:
            oldest = next(iter(self._waiting))
            oldest._leave()
            oldest.transport.abort()
        self._waiting[self] = None
        self._end = self.loop.call_later(_REQUEST_S, transport.abort)

    def connection_lost(self, exc: Exception | None) -> None:
        """It has gone."""
        self._leave()
        super().connection_lost(exc)

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """It becomes a websocket, which the guard lets in or ends at once."""
        self._leave()
        super().handle_websocket_upgrade(event)

    def _leave(self) -> None:
        self._waiting.pop(self, None)
        if self._end is not None:
            self._end.cancel()


class QuietLog(logging.Handler):
    """Each thing once, a number of things at most, and never a wait for the one who reads standard error: a
    thread of its own writes, and what finds it waiting is dropped."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self._lines: queue.Queue[str] = queue.Queue(_MOST_LINES)
        self._said: set[str] = set()
        threading.Thread(target=self._write, daemon=True).start()

    def emit(self, record: logging.LogRecord) -> None:
        """Take a record."""
        text = self.format(record)[:_LONGEST_LINE]
        if len(self._said) < _MOST_LINES and text not in self._said:
            self._said.add(text)
            with suppress(queue.Full):
                self._lines.put_nowait(f"liftlatch: {text}\n")

    def _write(self) -> None:
        while True:
            line = self._lines.get().encode(errors="backslashreplace")
            with suppress(OSError):
                os.write(2, line)  # not by way of sys.stderr, whose lock the end of the program waits for


def keep_quiet() -> None:
    """Let server and event loop log through one QuietLog."""
    handler = QuietLog()
    for name in ("uvicorn", "asyncio", "websockets"):
        logger = logging.getLogger(name)
        logger.handlers, logger.propagate = [handler], False
