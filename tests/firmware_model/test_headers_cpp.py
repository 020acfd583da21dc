"""The public headers from C++, and the versions that they tell."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from firmware_model.core_sources import HERE, core_files
from tests import ROOT
from tests.core_support import STRICT
from tests.tools import need, run

PROGRAM = """
#include "core/liftlatch.h"
#include "core/image.h"
#include "link/link.h"
#include "store/store.h"
static lift_controller_t controller;
static lift_link_t host;
static const lift_port_t port = {};
int main() {
    lift_flash_t flash = {};
    lift_init(&controller);
    lift_link_init(&host, &controller, &port);
    (void)flash;
    return controller.faults == LIFT_FAULT_NO_IMAGE && lift_crc16(nullptr, 0) == 0xFFFF ? 0 : 1;
}
"""


@pytest.mark.slow
def test_a_program_in_cpp_uses_core_link_and_store(tmp_path: Path) -> None:
    objects = []
    for source in (*core_files(), *(HERE / "link").glob("*.c"), *(HERE / "store").glob("*.c")):
        objects.append(tmp_path / f"{source.stem}.o")
        run(*need("gcc"), *STRICT, "-O1", "-c", source, "-o", objects[-1])
    (tmp_path / "main.cpp").write_text(PROGRAM)
    flags = ["-std=c++11", "-Wall", "-Wextra", "-Werror", "-Wno-missing-field-initializers", f"-I{HERE}"]
    run(*need("g++"), *flags, tmp_path / "main.cpp", *objects, "-o", tmp_path / "main")
    run(tmp_path / "main")


def test_every_public_header_has_its_linkage() -> None:
    for path in ("core/liftlatch.h", "core/image.h", "link/frame.h", "link/link.h", "store/store.h"):
        text = (HERE / path).read_text()
        assert text.count('extern "C" {') == 1, path


def test_the_version_is_that_of_the_project() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    first, second, third = (int(part) for part in project.split("."))
    number = str(first * 10000 + second * 100 + third)
    for path, name in (("core/constants.h", "LIFT_VERSION"), ("link/link.h", "LIFT_LINK_VERSION")):
        assert re.findall(rf"^#define {name} (\d+)$", (HERE / path).read_text(), re.MULTILINE) == [number]
