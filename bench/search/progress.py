"""The line that a long search keeps up on a terminal: how far it is, how long it takes, the best so far."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Progress = Callable[[float, str], None]


@contextmanager
def progress_line() -> Iterator[Progress]:
    """Give a function to call with the share done (0 to 1) and a text. It shows on a terminal only, on
    standard error, and is wiped when the block ends."""
    if not sys.stderr.isatty():
        yield lambda share, text: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (BarColumn(20), TimeRemainingColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("beginning", total=1.0)
        yield lambda share, text: bar.update(task, completed=share, description=text)
