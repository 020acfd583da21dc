"""The C sides as shared libraries, loaded through cffi: one for each system, one description for all.

A library needs no Python headers and fits every version of Python. bench/build_backend.py builds both.
"""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

SUFFIXES = {"win32": ".dll", "darwin": ".dylib", "linux": ".so"}


def file_name(name: str, system: str = sys.platform) -> str:
    """How the file of a library is called on a system."""
    return f"{name}{SUFFIXES.get(system, '.so')}"


class Library(NamedTuple):
    """What cffi knows of the C types, and the functions."""

    ffi: Any
    lib: Any


def load(package: str, name: str) -> Library | None:
    """The library `name` of a package, None where it was not built for this system."""
    try:
        ffi = import_module(f"{package}.{name}_abi").ffi
        folder = Path(str(import_module(package).__file__)).parent
        return Library(ffi, ffi.dlopen(str(folder / file_name(name))))
    except (ImportError, OSError):
        return None
