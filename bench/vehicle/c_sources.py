"""The C sources of the compiled car, and a digest that tells what a built one was made from."""

from __future__ import annotations

import hashlib
from pathlib import Path

from firmware_model.core_sources import source_files as core_files

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def source_files() -> list[Path]:
    """What the extension is compiled from: the car and the controller's core, which it steps."""
    return [*sorted(HERE.glob("*.[ch]")), *core_files()]


def source_digest() -> str:
    """SHA-256 over names and contents of all sources, as hexadecimal digits."""
    digest = hashlib.sha256()
    for path in source_files():
        digest.update(f"{path.relative_to(ROOT).as_posix()} {path.stat().st_size}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()
