"""How a result was made, as every document tells it."""

from __future__ import annotations

import platform
from importlib.metadata import version
from typing import Any


def provenance(facts: dict[str, Any]) -> list[tuple[str, str]]:
    """The first lines of "How it was made": the command line and versions."""
    taken = dict(facts.get("from_folder", {}))
    said = f"{taken.pop('file')}: " if taken else ""
    said += ", ".join(f"{option} {word}" for option, words in taken.items() for word in words)
    return [
        ("Command", facts["command_line"]),
        *([("From the folder", said)] if said else []),
        ("Liftlatch", facts["liftlatch"]),
        ("With", f"Python {platform.python_version()}, numpy {version('numpy')}"),
    ]
