"""A progress bar on standard error for work that takes longer than a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_AFTER_S = 1.0


@contextmanager
def progress_bar(text: str) -> Iterator[Callable[[float], None]]:
    """Give a function to call with the share done (0 to 1). The bar shows only on a terminal, only once a
    second has gone by, and is wiped when the block ends."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    began = time.monotonic()
    bar = None
    task = None

    def report(share: float) -> None:
        nonlocal bar, task
        if bar is None:
            if time.monotonic() - began < _AFTER_S:
                return
            from rich.console import Console
            from rich.progress import Progress

            bar = Progress(console=Console(stderr=True), transient=True)
            task = bar.add_task(text, total=1.0)
            bar.start()
        assert task is not None
        bar.update(task, completed=share)

    try:
        yield report
    finally:
        if bar is not None:
            bar.stop()
