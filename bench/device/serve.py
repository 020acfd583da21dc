"""The device model as a process: waits for bytes and for its own moments."""

from __future__ import annotations

from collections.abc import Callable

from bench.link.line import Line
from bench.link.memory import FarEnd

_LONGEST_WAIT_S = 0.1


def serve(line: Line, behaviour: FarEnd, running: Callable[[], bool] = lambda: True) -> None:
    """Answer on the line while `running`, or until the line is gone (LinkError)."""
    try:
        while running():
            wake = behaviour.wake_at()
            wait = _LONGEST_WAIT_S if wake is None else min(_LONGEST_WAIT_S, max(0.0, wake - line.now()))
            came = line.receive(wait)
            if came:
                behaviour.take(came, line.now())
            sent = behaviour.give(line.now())
            if sent:
                line.send(sent)
    finally:
        line.close()
