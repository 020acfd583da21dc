"""The C core as a WebAssembly module, for pages that run the controller themselves."""

from __future__ import annotations

from pathlib import Path


def module() -> bytes:
    """The built module."""
    return (Path(__file__).parent / "core.wasm").read_bytes()
