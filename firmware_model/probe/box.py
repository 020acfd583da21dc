"""The box on a PC: its firmware in virtual time, with a port that keeps what it does in memory.

`available()` says whether it is built; nothing here falls back to anything else.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from firmware_model.probe.c_sources import source_digest
from firmware_model.shared import load

_SET_UP_AGAIN = "set up again with: pip install --editable . (bench/run and tests/run do it)"
_CHUNK = 1 << 16


_probe: Any = load("firmware_model.probe", "_probe")


@cache
def available() -> str | None:
    """None where the box can be used, else one line that says why not and what would help."""
    if _probe is None:
        return f"the box for a PC is not built; with a C compiler here, {_SET_UP_AGAIN}"
    if _probe.ffi.string(_probe.lib.lift_probe_sources()).decode() != source_digest():
        return f"the box for a PC was built from other sources than those here; {_SET_UP_AGAIN}"
    return None


class Box:
    """One box. Raises RuntimeError with the reason where there is none; ask `available` first."""

    def __init__(self) -> None:
        reason = available()
        if reason:
            raise RuntimeError(reason)
        self._ffi, self._lib = _probe.ffi, _probe.lib
        self._box = self._ffi.gc(self._lib.lift_box_new(), self._lib.lift_box_free)
        self._buffer = self._ffi.new("uint8_t[]", _CHUNK)

    def receive(self, data: bytes) -> None:
        """Bytes from the host's line; time goes on up to what is queued."""
        self._lib.lift_box_receive(self._box, data, len(data))

    def sent(self) -> bytes:
        """What it has sent since."""
        return self._all(self._lib.lift_box_sent)

    def played(self) -> bytes:
        """What it has put out since: records as on the line, 8 bytes each."""
        return self._all(self._lib.lift_box_played)

    def _all(self, take: Any) -> bytes:
        found = bytearray()
        while (count := take(self._box, self._buffer, _CHUNK)) > 0:
            found += self._ffi.buffer(self._buffer, count)
        return bytes(found)

    @property
    def over(self) -> bool:
        """Whether the run is over."""
        return bool(self._lib.lift_box_over(self._box))

    @property
    def room(self) -> int:
        """How many edges still have room."""
        return int(self._lib.lift_box_room(self._box))

    def edge(self, at: int, line: int) -> None:
        """An edge on a line, at microseconds since the run began."""
        self._lib.lift_box_edge(self._box, at, line)
