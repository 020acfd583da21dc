"""The terminal that tables are printed to."""

from __future__ import annotations

import errno
import os
from typing import NoReturn

from rich.console import Console


class _Console(Console):
    def on_broken_pipe(self) -> NoReturn:
        # rich would end with exit code 1, which here means that a difference was found
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))


def make_console() -> Console:
    """Standard output as a terminal or a file; nothing but what is asked for is coloured."""
    return _Console(highlight=False)
