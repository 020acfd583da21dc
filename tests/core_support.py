"""What the tests of the C core share: its files, its flags, and a compiled program that runs it."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from bench.twin.compare import read_outputs
from controller import Controller
from firmware_model.core_sources import CORE, core_files
from tests import ROOT
from tests.tools import need, run

STRICT = ["-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror", "-std=c99", "-pedantic"]
SANITIZED = ["-O1", "-g", "-fno-sanitize-recover=all", "-fno-omit-frame-pointer"]
"""Flags beside -fsanitize: the first thing found ends the program with an error."""

Rows = Iterable[Sequence[int]]

_FOLDER = TemporaryDirectory(prefix="liftlatch-core-")  # removed when the tests end


@cache
def runner(compiler: str, *flags: str) -> Path:
    """tests/firmware_model/core_runner.c with the core, compiled."""
    program = Path(_FOLDER.name) / "-".join(["runner", *compiler.split(), *flags]).replace("/", "")
    sources = [*core_files(), ROOT / "tests" / "firmware_model" / "core_runner.c"]
    run(*need(compiler), *STRICT, *flags, f"-I{CORE}", *sources, "-o", program)
    return program


def run_core(program: Path, image: bytes, rows: Rows) -> list[str]:
    """The lines that a runner prints; a complaint of a sanitizer is in the failure."""
    words = b"".join(struct.pack("<11i", *row) for row in rows)
    done = subprocess.run(
        [program],
        input=struct.pack("<I", len(image)) + image + words,
        capture_output=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout.decode().splitlines()


def run_reference(image: bytes, rows: Rows) -> list[str]:
    """What a runner must print, from the reference."""
    reference = Controller()
    lines = [str(reference.load(image))]
    total = 0
    for tick, row in enumerate(rows):
        reference.step(*row)
        for value in (*read_outputs(reference), reference.event(tick % 15 - 1), reference.spark(tick % 13)):
            total = (total * 31 + value) & 0xFFFFFFFF
        if (tick + 1) % 100 == 0:
            lines.append(f"{reference.digest():08x} {total:08x}")
    lines.append(f"{reference.digest():08x} {total:08x}")
    return lines
