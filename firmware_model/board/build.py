"""Builds the firmware of the emulated board: `python -m firmware_model.board.build`.

What was built once is kept in the user's cache folder until the sources change.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from firmware_model.core_sources import HERE, core_files

COMPILER = "arm-none-eabi-gcc"
CPUS = ("cortex-m3", "cortex-m0plus")
BOARD = HERE / "board"

_FLAGS = (
    "-std=c99", "-O2", "-g", "-mthumb", "-ffreestanding", "-fno-tree-loop-distribute-patterns",
    "-ffunction-sections", "-fdata-sections", "-Wall", "-Wextra", "-Wshadow", "-Wconversion", "-Werror",
)  # fmt: skip
_LINK = ("-nostdlib", "-Wl,--gc-sections", f"-Wl,-T,{BOARD / 'board.ld'}")
_KEPT = 20

WRAPPED = {
    "hold-short": ("lift_latch_step",),
    "peak-lost": ("lift_latch_step",),
    "release-low": ("lift_latch_step",),
    "tick-wrap": ("lift_step",),
    "table-edge": ("lift_maps_look", "lift_maps_look_out_of_sight"),
    "slow-tick": ("lift_step",),
    "known-loop": ("lift_step",),
    "tick-cost": ("lift_step", "lift_outputs"),
    "interrupted": (
        "lift_step", "lift_outputs", "timer_init", "timer_interrupt", "timer_begin", "timer_end",
    ),
}
"""What can be wrong with a firmware (bugs.c) -> the functions between which it sits."""


class BuildFailed(Exception):
    """The firmware could not be built; the text says why in one line."""


def missing() -> str | None:
    """None where the compiler is there, else one line that says what would help."""
    if shutil.which(COMPILER):
        return None
    return f"no {COMPILER} here; run: apt-get install gcc-arm-none-eabi"


def sources() -> list[Path]:
    """The C files of a firmware without a bug."""
    folders = (HERE / "link", HERE / "store", BOARD)
    found = [*core_files(), *(path for folder in folders for path in sorted(folder.glob("*.c")))]
    return [path for path in found if path.name != "bugs.c"]


def build(bug: str | None = None, passes: int = 100_000, cpu: str = CPUS[0]) -> Path:
    """The firmware as an ELF file, built where it was not yet. `passes` is for the bugs that spin.

    Raises BuildFailed where that cannot be done.
    """
    reason = missing()
    if reason:
        raise BuildFailed(reason)
    words = ["-mcpu=" + cpu, *_FLAGS]
    files = sources()
    link = list(_LINK)
    if bug is not None:
        words += [f"-DLIFT_BUG_{bug.upper().replace('-', '_')}", f"-DLIFT_PASSES={passes}U"]
        words += [f'-DFIRMWARE="LM3S6965, {bug}"']
        link += [f"-Wl,--wrap={name}" for name in WRAPPED[bug]]
        files.append(BOARD / "bugs.c")
    folder = _cache() / _key([*words, *link])
    made = folder / "firmware.elf"
    if made.exists():
        os.utime(folder)
        return made
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder.parent, prefix="new-") as work:
            _run([COMPILER, *words, *link, *map(str, files), "-lgcc", "-o", str(Path(work, made.name))])
            folder.mkdir(exist_ok=True)
            os.replace(Path(work, made.name), made)
        _tidy(folder.parent)
    except OSError as error:
        raise BuildFailed(f"cannot write {error.filename or folder}: {error.strerror}") from error
    return made


def compile_files(folder: Path, cpu: str, *flags: str) -> list[Path]:
    """Objects of all sources of a firmware, compiled as `build` does, in an empty folder."""
    made = []
    for source in sources():
        to = folder / f"{source.parent.name}-{source.stem}.o"
        _run([COMPILER, "-mcpu=" + cpu, *_FLAGS, *flags, "-c", str(source), "-o", str(to)])
        made.append(to)
    return made


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        lines = done.stderr.strip().splitlines() or ["no word why"]
        first = next((line for line in lines if "error" in line), lines[0])
        raise BuildFailed(f"{COMPILER}: {first}")


def _cache() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache", "liftlatch", "firmware")


@cache
def _compiler_version() -> str:
    done = subprocess.run([COMPILER, "--version"], capture_output=True, text=True, check=False)
    return done.stdout


def _key(words: list[str]) -> str:
    digest = hashlib.sha256("\0".join([_compiler_version(), *words]).encode())
    parts = ("core", "link", "store", "board")
    for path in sorted(path for part in parts for path in (HERE / part).glob("*.*")):
        if path.suffix in (".c", ".h", ".ld"):
            digest.update(f"{path.relative_to(HERE).as_posix()} {path.stat().st_size}\n".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:32]


def _tidy(folder: Path) -> None:
    """Only what was used last is kept."""
    built = [path for path in folder.iterdir() if not path.name.startswith("new-")]
    for path in sorted(built, key=lambda path: path.stat().st_mtime)[:-_KEPT]:
        shutil.rmtree(path, ignore_errors=True)


@click.command()
@click.option("--bug", type=click.Choice(list(WRAPPED)), help="With this wrong.")
@click.option(
    "--cpu", type=click.Choice(CPUS), default=CPUS[0], show_default=True, help="For this processor."
)
def main(bug: str | None, cpu: str) -> None:
    """Build the firmware and print where it is."""
    try:
        click.echo(build(bug, cpu=cpu))
    except BuildFailed as failure:
        click.echo(f"liftlatch: {failure}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
