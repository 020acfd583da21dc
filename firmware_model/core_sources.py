"""The C sources of the core: where they are, and a digest that tells what a built core was made from."""

from __future__ import annotations

import hashlib
from pathlib import Path

HERE = Path(__file__).parent
CORE = HERE / "core"


def source_files() -> list[Path]:
    """What the extension is compiled from: the core, the batch loop and the file that joins them."""
    return sorted([*HERE.glob("*.[ch]"), *CORE.glob("*.[ch]")])


def core_files() -> list[Path]:
    """The C files that a porter compiles."""
    return sorted(CORE.glob("*.c"))


def source_digest() -> str:
    """SHA-256 over names and contents of all sources, as hexadecimal digits."""
    digest = hashlib.sha256()
    for path in source_files():
        digest.update(f"{path.relative_to(HERE).as_posix()} {path.stat().st_size}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()
