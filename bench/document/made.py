"""How a result was made, as every page tells it."""

from __future__ import annotations

import platform
from importlib.metadata import version
from typing import Any


def made(facts: dict[str, Any], command_line: str) -> list[tuple[str, str]]:
    """The first lines of "How it was made": versions and the command line."""
    return [
        ("Command", command_line),
        ("Liftlatch", facts["liftlatch"]),
        ("With", f"Python {platform.python_version()}, numpy {version('numpy')}"),
    ]
