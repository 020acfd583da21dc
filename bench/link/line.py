"""What bytes travel over."""

from __future__ import annotations

from typing import Protocol

from bench.errors import UserError


class LinkError(UserError):
    """The link failed, or the device at its other end does not keep the protocol: exit code 2."""


class Line(Protocol):
    """A line with a clock of its own, so that a line in memory may run in virtual time.

    Every call returns within its limit; all of them raise LinkError when the line is gone.
    """

    name: str

    def now(self) -> float:
        """Seconds since some moment, never backwards."""

    def send(self, data: bytes) -> None:
        """Hand over bytes for sending; does not wait for them to leave."""

    def receive(self, limit_s: float) -> bytes:
        """What has come, at least one byte if any comes within the limit; b"" otherwise."""

    def close(self) -> None:
        """Let go of the line; a second call does nothing."""
