"""The C sources of the box on a PC, and a digest that tells what a built one was made from."""

from __future__ import annotations

import hashlib
from pathlib import Path

HERE = Path(__file__).parent
LINK = HERE.parent / "link"


def source_files() -> list[Path]:
    """What the extension is compiled from: the box, its port for a PC, and the frames of the link."""
    return [*sorted(HERE.glob("*.[ch]")), LINK / "frame.c", LINK / "frame.h"]


def source_digest() -> str:
    """SHA-256 over names and contents of all sources, as hexadecimal digits."""
    digest = hashlib.sha256()
    for path in source_files():
        digest.update(f"{path.name} {path.stat().st_size}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()
