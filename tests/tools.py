"""Programs that some tests need: there, or the test is skipped with the line that helps; in CI it fails."""

from __future__ import annotations

import os
import shutil
import subprocess
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from bench.device import emulated
from firmware_model import binding

# What is tried -> the packages that bring it.
_PACKAGES = {
    "gcc": "gcc libc6-dev",
    "gcc -m32": "gcc-multilib",
    "g++": "g++",
    "clang": "clang libc6-dev",
    "clang -m32": "clang gcc-multilib",
    "gcc -fsanitize=address,undefined": "gcc libc6-dev",
    "clang -fsanitize=address,undefined": "clang libclang-rt-dev",
    "arm-none-eabi-gcc": "gcc-arm-none-eabi",
}


@cache
def _works(compiler: str) -> bool:
    # A cross compiler without a library cannot link, and need not.
    link = [] if not compiler.startswith("arm") else ["-c"]
    with TemporaryDirectory() as folder:
        source = Path(folder, "try.c")
        source.write_text("#include <stdint.h>\nint main(void) { int32_t zero = 0; return zero; }\n")
        command = [*compiler.split(), *link, str(source), "-o", str(Path(folder, "try"))]
        try:
            return subprocess.run(command, capture_output=True, check=False, timeout=60).returncode == 0
        except FileNotFoundError:
            return False


def need(compiler: str) -> list[str]:
    """The words of a compiler's command line that works here; else the test ends."""
    if not _works(compiler):
        missing(f"{compiler} does not work here; run: apt-get install {_PACKAGES[compiler]}")
    return compiler.split()


def need_chromium() -> str:
    """The path of Debian's browser, or the test ends."""
    program = shutil.which("chromium")
    if program is None:
        missing("chromium is not here; run: apt-get install chromium fonts-dejavu-core")
    return str(program)


def need_node() -> str:
    """The path of Node, which reads scripts, or the test ends."""
    program = shutil.which("node")
    if program is None:
        missing("node is not here; run: apt-get install nodejs")
    return str(program)


def need_program(name: str, packages: str) -> str:
    """The path of a program that these packages bring, or the test ends."""
    program = shutil.which(name)
    if program is None:
        missing(f"{name} is not here; run: apt-get install {packages}")
    return str(program)


def need_core() -> None:
    """The C core, or the test ends."""
    reason = binding.available()
    if reason:
        missing(reason)


def need_board() -> None:
    """Compiler and emulator of the emulated board, or the test ends."""
    reason = emulated.missing()
    if reason:
        missing(reason)


def need_emulated(board: str) -> None:
    """Compiler and emulator of one of the emulated boards, or the test ends."""
    reason = emulated.missing(board)
    if reason:
        missing(reason)


def missing(reason: str) -> None:
    """A failure in CI, else the test is skipped with this line."""
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command that must succeed; its output is in the failure otherwise."""
    words = [str(part) for part in command]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    return done
