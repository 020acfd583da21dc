"""Builds the C core, the box and the compiled car as extension modules; the build backend of this project.

It is setuptools' own backend with one step before it: cffi writes the C source of `firmware_model._core`,
`firmware_model.probe._probe` and `bench.vehicle._vehicle`. What cffi must know of them it reads from their
headers, which stay the only place that says it. All are optional: with no C compiler all else is installed,
and firmware_model.binding, firmware_model.probe.box and bench.vehicle.compiled tell what is missing.
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

from bench.vehicle import c_sources as vehicle
from firmware_model.core_sources import CORE, HERE, source_digest
from firmware_model.probe import c_sources as probe

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
GENERATED_VEHICLE = Path("build", "bench_vehicle.c")
GENERATED_PROBE = Path("build", "firmware_model_probe.c")


def declarations(header: str, fields: str = "") -> str:
    """A header's declarations without comments and preprocessor lines, as cffi reads them.

    `fields` is the text of image_fields.h, for the header that makes a struct of it.
    """
    bare = _without_comments(header).replace('#include "image_fields.h"\n', _members(fields))
    bare = re.sub(r"^#ifdef __cplusplus\n.*?^#endif\n", "", bare, flags=re.DOTALL | re.MULTILINE)
    bare = re.sub(r"^#define (LIFT_\w+) INT32_C\((\w+)\)", r"enum { \1 = \2 };", bare, flags=re.MULTILINE)
    return re.sub(r"^#.*\n", "", bare, flags=re.MULTILINE)


def _without_comments(text: str) -> str:
    return re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)


def _members(fields: str) -> str:
    """The members that a struct gets from image_fields.h."""
    found = re.findall(
        r"^LIFT_(FIELD|ROW)\((\w+), (\w+), (-?\w+),", _without_comments(fields), flags=re.MULTILINE
    )
    return "".join(
        f"    {kind} {name}{f'[{count}]' if what == 'ROW' else ''};\n" for what, kind, name, count in found
    )


def write_extension_sources() -> None:
    """Write GENERATED, GENERATED_VEHICLE and GENERATED_PROBE, to be called in the project's root."""
    GENERATED.parent.mkdir(exist_ok=True)
    core = (CORE / "constants.h", CORE / "liftlatch.h", HERE / "batch.h")
    _write(GENERATED, "firmware_model._core", core, "core_all.c", "lift_sources", source_digest())
    car = (vehicle.HERE / "vehicle.h",)
    digest = vehicle.source_digest()
    _write(GENERATED_VEHICLE, "bench.vehicle._vehicle", car, "vehicle.c", "lv_sources", digest)
    box, digest = (probe.HERE / "host.h",), probe.source_digest()
    _write(GENERATED_PROBE, "firmware_model.probe._probe", box, "host.h", "lift_probe_sources", digest)


def _write(
    path: Path, module: str, headers: tuple[Path, ...], source: str, digest_name: str, digest: str
) -> None:
    """One extension: a C file or header included as a whole, and a function that gives the digest of its
    sources."""
    builder = cffi.FFI()
    fields = (CORE / "image_fields.h").read_text(encoding="utf-8")
    for header in headers:
        builder.cdef(declarations(header.read_text(encoding="utf-8"), fields))
    builder.cdef(f"const char *{digest_name}(void);")
    tell = f'static const char *{digest_name}(void) {{ return "{digest}"; }}'
    builder.set_source(module, f'#include "{source}"\n{tell}\n')
    builder.emit_c_code(str(path))


def build_editable(
    wheel_directory: str,
    config_settings: dict[str, Any] | None = None,
    metadata_directory: str | None = None,
) -> str:
    """As PEP 660 says."""
    write_extension_sources()
    name: str = build_meta.build_editable(wheel_directory, config_settings, metadata_directory)
    return name


def build_wheel(
    wheel_directory: str,
    config_settings: dict[str, Any] | None = None,
    metadata_directory: str | None = None,
) -> str:
    """As PEP 517 says."""
    write_extension_sources()
    name: str = build_meta.build_wheel(wheel_directory, config_settings, metadata_directory)
    return name


def build_sdist(sdist_directory: str, config_settings: dict[str, Any] | None = None) -> str:
    """As PEP 517 says."""
    write_extension_sources()
    name: str = build_meta.build_sdist(sdist_directory, config_settings)
    return name
