"""The C core on Windows and macOS: cross-compiled with the conformance set, and run where that can be.

zig's compiler (package ziglang) brings headers and libraries of each system. The Windows program runs under
Debian's wine, which is no Windows; those for macOS are compiled and linked, and run nowhere here.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.conformance.chosen_set import ConformanceSet, conformance_set
from bench.vectors.conformance import write_set
from firmware_model.core_sources import CORE, core_files
from tests.tools import missing, run

pytestmark = pytest.mark.slow

# System -> zig's name, and how a program of it begins: Microsoft, PE Format, "MS-DOS Stub"; Apple, Mach-O
# Programming Topics and mach-o/loader.h, MH_MAGIC_64 with CPU_TYPE_X86_64 and CPU_TYPE_ARM64 (from memory).
SYSTEMS = {
    "Windows x86-64": ("x86_64-windows-gnu", b"MZ"),
    "macOS x86-64": ("x86_64-macos.11.0", bytes.fromhex("cffaedfe07000001")),
    "macOS arm64": ("aarch64-macos.11.0", bytes.fromhex("cffaedfe0c000001")),
}
WINE = ("/usr/lib/wine/wine64", "wine64", "wine")
RIGHT, WRONG = "l->hold = follows ? 0 : hold;", "l->hold = follows ? 0 : hold - 1;"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    made = tmp_path_factory.mktemp("systems")
    write_set(conformance_set(), made)
    yield made
    shutil.rmtree(made)  # what wine makes takes 700 MB


def compiled(folder: Path, target: str, name: str, *sources: Path) -> Path:
    if importlib.util.find_spec("ziglang") is None:
        missing("ziglang is not here; tests/run installs it")
    program = folder / f"{name}.exe"
    words = (sys.executable, "-m", "ziglang", "cc", "-target", target, "-std=c99", "-O1", "-Wall", "-Wextra")
    files = (*sources, folder / "check.c", folder / "main.c")
    run(*words, "-Werror", f"-I{CORE}", f"-I{folder}", *files, "-o", program)
    return program


def on_wine(folder: Path, program: Path) -> tuple[int, str]:
    wine = next(filter(None, map(shutil.which, WINE)), None)
    if wine is None:
        missing("wine is not here; run: apt-get install --no-install-recommends wine64")
    (folder / "home").mkdir(exist_ok=True)
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": str(folder / "home"),
        "WINEPREFIX": str(folder / "wine"),
        "WINEDEBUG": "-all",
        "WINEDLLOVERRIDES": "mscoree,mshtml=",  # it offers to download these
    }
    done = subprocess.run(
        [str(wine), program], env=environment, capture_output=True, text=True, timeout=300, check=False
    )
    return done.returncode, done.stdout


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_core_and_the_conformance_set_are_a_program_there(folder: Path, system: str) -> None:
    target, begins = SYSTEMS[system]
    program = compiled(folder, target, system.replace(" ", "-"), *core_files())
    assert program.read_bytes()[:8].startswith(begins)


def test_on_windows_every_vector_equals_the_reference(folder: Path) -> None:
    target, _ = SYSTEMS["Windows x86-64"]
    code, said = on_wine(folder, compiled(folder, target, "right", *core_files()))
    whole = conformance_set()
    assert code == 0, said
    ticks = sum(len(case.whole[0]) for case in whole.cases)
    assert said.startswith(f"equal: {len(whole.cases)} cases, {ticks} ticks")


def test_on_windows_a_wrong_core_is_found(folder: Path) -> None:
    latch = (CORE / "latch.c").read_text(encoding="utf-8")
    assert latch.count(RIGHT) == 1
    (folder / "latch.c").write_text(latch.replace(RIGHT, WRONG), encoding="utf-8")
    sources = [path for path in core_files() if path.name != "latch.c"]
    target, _ = SYSTEMS["Windows x86-64"]
    small = folder / "small"
    small.mkdir()
    write_set(ConformanceSet(1, "", 0, 0, conformance_set().cases[:3]), small)
    program = compiled(small, target, "wrong", *sources, folder / "latch.c")
    shutil.move(program, folder / "wrong.exe")
    code, said = on_wine(folder, folder / "wrong.exe")
    assert code == 1
    assert said.startswith("case ")
