"""Builds the C core as the extension module `firmware_model._core`; the build backend of this project.

It is setuptools' own backend with one step before it: cffi writes the extension's C source. What cffi must
know of the core it reads from the core's headers, which stay the only place that says it. The extension is
optional: with no C compiler all else is installed, and firmware_model.binding tells that the core is missing.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import cffi
from setuptools import build_meta
from setuptools.build_meta import (
    get_requires_for_build_editable,
    get_requires_for_build_sdist,
    get_requires_for_build_wheel,
    prepare_metadata_for_build_editable,
    prepare_metadata_for_build_wheel,
)

from firmware_model.core_sources import CORE, HERE, source_digest

__all__ = [
    "build_editable",
    "build_sdist",
    "build_wheel",
    "get_requires_for_build_editable",
    "get_requires_for_build_sdist",
    "get_requires_for_build_wheel",
    "prepare_metadata_for_build_editable",
    "prepare_metadata_for_build_wheel",
]

# Named in pyproject.toml too.
GENERATED = Path("build", "firmware_model_core.c")


def declarations(header: str) -> str:
    """A header's declarations without comments and preprocessor lines, as cffi reads them."""
    bare = re.sub(r"/\*.*?\*/", "", header, flags=re.DOTALL)
    return re.sub(r"^#.*\n", "", bare, flags=re.MULTILINE)


def write_extension_source() -> None:
    """Write GENERATED, to be called in the project's root."""
    builder = cffi.FFI()
    for header in (CORE / "constants.h", CORE / "liftlatch.h", HERE / "batch.h"):
        builder.cdef(declarations(header.read_text()))
    builder.cdef("const char *ll_sources(void);")
    builder.set_source(
        "firmware_model._core",
        f'#include "core_all.c"\nstatic const char *ll_sources(void) {{ return "{source_digest()}"; }}\n',
    )
    GENERATED.parent.mkdir(exist_ok=True)
    builder.emit_c_code(str(GENERATED))


def build_editable(
    wheel_directory: str,
    config_settings: dict[str, Any] | None = None,
    metadata_directory: str | None = None,
) -> str:
    """As PEP 660 says."""
    write_extension_source()
    name: str = build_meta.build_editable(wheel_directory, config_settings, metadata_directory)
    return name


def build_wheel(
    wheel_directory: str,
    config_settings: dict[str, Any] | None = None,
    metadata_directory: str | None = None,
) -> str:
    """As PEP 517 says."""
    write_extension_source()
    name: str = build_meta.build_wheel(wheel_directory, config_settings, metadata_directory)
    return name


def build_sdist(sdist_directory: str, config_settings: dict[str, Any] | None = None) -> str:
    """As PEP 517 says."""
    write_extension_source()
    name: str = build_meta.build_sdist(sdist_directory, config_settings)
    return name
