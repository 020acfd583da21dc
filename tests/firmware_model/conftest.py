"""The C side of the link as a process (link_device.c), under sanitizers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from firmware_model.core_sources import HERE, core_files
from tests import ROOT
from tests.core_support import SANITIZED
from tests.link_support import InC
from tests.tools import need, run

LINK = sorted((HERE / "link").glob("*.c"))


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("link") / "device"
    sources = [*core_files(), *LINK, ROOT / "tests" / "firmware_model" / "link_device.c"]
    compiler = need("gcc -fsanitize=address,undefined")
    run(*compiler, *SANITIZED, "-std=c99", "-Wall", "-Wextra", f"-I{HERE}", *sources, "-o", made)
    return made


@pytest.fixture
def in_c(program: Path) -> Iterator[InC]:
    device = InC(program)
    yield device
    device.close()
