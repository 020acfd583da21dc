"""The front end of reports, desk and stand: sources in `src`, built files in `static`, see README.md."""

from __future__ import annotations

from functools import cache
from pathlib import Path

_STATIC = Path(__file__).parent / "static"


@cache
def built(name: str) -> bytes:
    """A built file."""
    return (_STATIC / name).read_bytes()
