"""Builds the C core, the box and the compiled car as shared libraries; the build backend of this project.

It is setuptools' own backend with one step before it: beside `firmware_model`, `firmware_model.probe` and
`bench.vehicle` it puts a library, and what cffi must know of it (`_core_abi.py` and so on), read from their
headers, which stay the only place that says it. With no C compiler all else is installed, and
firmware_model.binding, firmware_model.probe.box and bench.vehicle.compiled tell what is missing.

The compiler is $CC, else cc. `platform` among the settings names another system (PLATFORMS): then zig's
(package ziglang) builds for it, and without it there is no wheel.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path
from typing import Any, NamedTuple

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
from firmware_model.shared import SUFFIXES, file_name

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

# A wheel's platform -> zig's name for it, and its system as Python names it.
PLATFORMS = {
    "manylinux2014_x86_64": ("x86_64-linux-gnu.2.17", "linux"),
    "win_amd64": ("x86_64-windows-gnu", "win32"),
    "macosx_11_0_arm64": ("aarch64-macos.11.0", "darwin"),
    "macosx_11_0_x86_64": ("x86_64-macos.11.0", "darwin"),
}
# -fno-semantic-interposition: the functions of a library may be put into one another. -ffp-contract=off: a
# compiler that joins a product and a sum into one rounding would differ from the plain Python model.
FLAGS = ("-std=c99", "-O2", "-shared", "-fPIC", "-fno-semantic-interposition", "-ffp-contract=off")


class Library(NamedTuple):
    """A library: its name in its folder, headers that cffi reads, C files, and where these include from."""

    folder: Path
    name: str
    headers: tuple[Path, ...]
    sources: tuple[Path, ...]
    include: tuple[Path, ...]
    digest_name: str
    digest: str


def libraries() -> list[Library]:
    """All of them."""
    core, link = HERE / "core_all.c", HERE / "link" / "frame.c"
    heads = (CORE / "constants.h", CORE / "liftlatch.h", HERE / "batch.h")
    car, box = vehicle.HERE, probe.HERE
    return [
        Library(HERE, "_core", heads, (core,), (HERE,), "lift_sources", source_digest()),
        Library(
            *(car, "_vehicle", (car / "vehicle.h",), (car / "vehicle.c", core), (car, HERE)),
            *("lv_sources", vehicle.source_digest()),
        ),
        Library(
            *(box, "_probe", (box / "host.h",), (box / "host.c", box / "probe.c", link), (box, HERE)),
            *("lift_probe_sources", probe.source_digest()),
        ),
    ]


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


def describe(library: Library) -> Path:
    """Write what cffi must know of a library; gives a C file with the digest of its sources."""
    builder = cffi.FFI()
    fields = (CORE / "image_fields.h").read_text(encoding="utf-8")
    for header in library.headers:
        builder.cdef(declarations(header.read_text(encoding="utf-8"), fields))
    builder.cdef(f"const char *{library.digest_name}(void);")
    builder.set_source(f"{library.name}_abi", None)
    builder.emit_python_code(str(library.folder / f"{library.name}_abi.py"))
    told = Path("build", f"{library.name}_digest.c")
    told.parent.mkdir(exist_ok=True)
    declared = f"const char *{library.digest_name}(void);"
    told.write_text(f'{declared}\n{declared[:-1]} {{ return "{library.digest}"; }}\n', encoding="utf-8")
    return told


def build_libraries(platform: str | None = None) -> None:
    """Build all for this system or a platform, to be called in the project's root. Where no compiler works
    here a line says so; for a platform CalledProcessError is raised."""
    target, system = PLATFORMS[platform] if platform else ("", sys.platform)
    compiler = shlex.split(os.environ.get("CC") or "cc")
    if platform:
        compiler = [sys.executable, "-m", "ziglang", "cc", "-target", target]
    for library in libraries():
        told = describe(library)
        made = library.folder / file_name(library.name, system)
        for old in library.folder.glob(f"{library.name}.*"):
            if old.suffix in (*SUFFIXES.values(), ".pyd"):  # of an earlier set-up, or of another system
                old.unlink()
        if not platform and shutil.which(compiler[0]) is None:
            sys.stderr.write(f"{compiler[0]} is not here: without {made.name}\n")
            continue
        # moved when it is whole: a process may use the old one
        part = Path("build", made.name)
        words = [*compiler, *FLAGS, *(f"-I{folder}" for folder in library.include)]
        if library.name == "_vehicle":
            words.append("-O3")
        words += [*map(str, library.sources), str(told), "-o", str(part)]
        if not system.startswith("win"):
            words.append("-lm")
        if subprocess.run(words, check=bool(platform)).returncode == 0:
            shutil.move(part, made)


def build_editable(
    wheel_directory: str,
    config_settings: dict[str, Any] | None = None,
    metadata_directory: str | None = None,
) -> str:
    """As PEP 660 says."""
    build_libraries()
    name: str = build_meta.build_editable(wheel_directory, config_settings, metadata_directory)
    return name


def build_wheel(
    wheel_directory: str,
    config_settings: dict[str, Any] | None = None,
    metadata_directory: str | None = None,
) -> str:
    """As PEP 517 says."""
    settings = dict(config_settings or {})
    platform = settings.pop("platform", None)
    build_libraries(platform)
    own = sysconfig.get_platform().replace("-", "_").replace(".", "_")
    settings["--build-option"] = ["--plat-name", platform or own]
    name: str = build_meta.build_wheel(wheel_directory, settings, metadata_directory)
    return name


def build_sdist(sdist_directory: str, config_settings: dict[str, Any] | None = None) -> str:
    """As PEP 517 says."""
    name: str = build_meta.build_sdist(sdist_directory, config_settings)
    return name
