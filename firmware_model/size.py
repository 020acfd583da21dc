"""How much of a microcontroller the C core needs: `python -m firmware_model.size`.

Compiles the core for two Cortex-M with -Os and prints what the compiler's own tools say. The deepest stack
leaves out what the compiler's library needs for a division on a processor without one.
Exit code 1 when the core is larger than CODE_LIMIT or its state than STATE_LIMIT, 2 without the compiler.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from firmware_model.core_sources import CORE, core_files

CODE_LIMIT = 12 * 1024
STATE_LIMIT = 1024
CPUS = ("cortex-m0plus", "cortex-m3")
ENTRIES = ("lift_load", "lift_step", "lift_event")

COMPILER = "arm-none-eabi-gcc"
_SIZE = "arm-none-eabi-size"
_FLAGS = ["-std=c99", "-Os", "-mthumb", "-ffreestanding", f"-I{CORE}"]


class Recursion(Exception):
    """A function calls itself, directly or not."""


@dataclass(frozen=True)
class Size:
    """Bytes for one processor. `files`: code and constants of each file; `stack`: deepest use by function."""

    files: dict[str, tuple[int, int]]
    state: int
    image: int
    stack: dict[str, int]

    @property
    def code(self) -> int:
        """Code and constants of the whole core."""
        return sum(code + constants for code, constants in self.files.values())


def missing() -> str | None:
    """None where the compiler is there, else one line that says what would help."""
    if shutil.which(COMPILER) and shutil.which(_SIZE):
        return None
    return f"no {COMPILER} here; run: apt-get install gcc-arm-none-eabi"


def measure(cpu: str) -> Size:
    """Compile the core for a processor as gcc names it and measure it."""
    with TemporaryDirectory(prefix="liftlatch-size-") as name:
        folder = Path(name)
        files = {}
        graph: list[str] = []
        for source in core_files():
            sections = _compile(folder, source, cpu)
            files[source.name] = (sections.get(".text", 0), sections.get(".rodata", 0))
            graph += (folder / f"{source.stem}.ci").read_text().splitlines()
        whole = folder / "whole.c"
        whole.write_text(
            '#include "liftlatch.h"\n'
            '__attribute__((section("of_state"))) lift_controller_t state = {0};\n'
            '__attribute__((section("of_image"))) const lift_image_t image = {0};\n'
        )
        sections = _compile(folder, whole, cpu)
    return Size(files, sections["of_state"], sections["of_image"], deepest(*read_graph(graph), ENTRIES))


def _compile(folder: Path, source: Path, cpu: str) -> dict[str, int]:
    """Compile one file; its sections' sizes, the constants' parts added up."""
    made = folder / f"{source.stem}.o"
    command = [COMPILER, *_FLAGS, f"-mcpu={cpu}", "-fcallgraph-info=su", "-c", str(source), "-o", str(made)]
    subprocess.run(command, check=True, cwd=folder)
    listed = subprocess.run([_SIZE, "-A", str(made)], check=True, capture_output=True, text=True).stdout
    sections: dict[str, int] = {}
    for section, size in re.findall(r"^(\S+)\s+(\d+)\s+\d+$", listed, flags=re.MULTILINE):
        kind = ".rodata" if section.startswith(".rodata") else section
        sections[kind] = sections.get(kind, 0) + int(size)
    return sections


def read_graph(lines: list[str]) -> tuple[dict[str, int], dict[str, set[str]]]:
    """(bytes of stack of each function, what it calls) from gcc's call graph (-fcallgraph-info=su)."""
    frames: dict[str, int] = {}
    calls: dict[str, set[str]] = {}
    for line in lines:
        if node := re.match(r'node: \{ title: "([^"]+)" label: "[^"]*\\n(\d+) bytes', line):
            frames[node[1]] = int(node[2])
        elif edge := re.match(r'edge: \{ sourcename: "([^"]+)" targetname: "([^"]+)"', line):
            calls.setdefault(edge[1], set()).add(edge[2])
    return frames, calls


def deepest(frames: dict[str, int], calls: dict[str, set[str]], entries: Sequence[str]) -> dict[str, int]:
    """The deepest stack below each entry. Raises Recursion where that has no end."""

    def below(function: str, above: tuple[str, ...]) -> int:
        if function in above:
            raise Recursion(function)
        called = [below(other, (*above, function)) for other in calls.get(function, ())]
        return frames.get(function, 0) + max(called, default=0)

    return {entry: below(entry, ()) for entry in entries}


@click.command()
def main() -> None:
    """Print what the C core needs of a Cortex-M: code, constants, state and stack in bytes."""
    reason = missing()
    if reason:
        click.echo(reason, err=True)
        sys.exit(2)
    sizes = {cpu: measure(cpu) for cpu in CPUS}
    click.echo(f"bytes, {COMPILER} -Os" + "".join(f"{cpu:>16}" for cpu in CPUS))

    def line(text: str, values: list[int]) -> None:
        click.echo(f"{text:<27}" + "".join(f"{value:>16}" for value in values))

    for file in sizes[CPUS[0]].files:
        line(f"  {file}", [sum(size.files[file]) for size in sizes.values()])
    line(f"code (below {CODE_LIMIT})", [size.code for size in sizes.values()])
    line("  of it constants", [sum(part for _, part in size.files.values()) for size in sizes.values()])
    line(f"state (below {STATE_LIMIT})", [size.state for size in sizes.values()])
    line("image, in flash, not counted", [size.image for size in sizes.values()])
    for entry in ENTRIES:
        line(f"stack of {entry}", [size.stack[entry] for size in sizes.values()])
    if any(size.code >= CODE_LIMIT or size.state >= STATE_LIMIT for size in sizes.values()):
        sys.exit(1)


if __name__ == "__main__":
    main()
