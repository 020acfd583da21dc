"""Builds the firmware of the emulated board: `python -m firmware_model.board.build`.

What was built once is kept in the user's cache folder until the sources change.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from firmware_model.core_sources import HERE, core_files

COMPILER = "arm-none-eabi-gcc"
CPUS = ("cortex-m3", "cortex-m0plus")
BOARD = HERE / "board"


@dataclass(frozen=True)
class Board:
    """A board that can be built and emulated. `folder` of firmware_model/board has what is its own;
    `machine`: the emulator and its words; `needs`: the packages of both."""

    name: str
    processor: str
    folder: str
    compiler: str
    flags: tuple[str, ...]
    machine: tuple[str, ...]
    needs: str


_ARM = "qemu-system-arm gcc-arm-none-eabi"
_SMALL = ("-DLIFT_LINK_LARGEST=512", "-DLIFT_LINK_WINDOW=2")
_RV32 = ("-march=rv32imac_zicsr", "-mabi=ilp32", "-mcmodel=medany", "-msmall-data-limit=0")
BOARDS = {
    board.name: board
    for board in (
        Board(
            "lm3s6965", "Cortex-M3", "lm3s6965", COMPILER, ("-mcpu=cortex-m3", "-mthumb"),
            ("qemu-system-arm", "-M", "lm3s6965evb"), _ARM,
        ),
        Board(
            "stm32f405", "Cortex-M4", "stm32f405", COMPILER, ("-mcpu=cortex-m4", "-mthumb"),
            ("qemu-system-arm", "-M", "netduinoplus2"), _ARM,
        ),
        Board(
            "nrf51", "Cortex-M0", "nrf51", COMPILER, ("-mcpu=cortex-m0", "-mthumb", *_SMALL),
            ("qemu-system-arm", "-M", "microbit"), _ARM,
        ),
        Board(
            "rv32", "RV32IMAC", "rv32", "riscv64-unknown-elf-gcc", _RV32,
            ("qemu-system-riscv32", "-M", "virt", "-bios", "none"),
            "qemu-system-misc gcc-riscv64-unknown-elf",
        ),
    )
}  # fmt: skip
USUAL = "lm3s6965"

_FLAGS = (
    "-std=c99", "-O2", "-g", "-ffreestanding", "-fno-tree-loop-distribute-patterns",
    "-ffunction-sections", "-fdata-sections", "-Wall", "-Wextra", "-Wshadow", "-Wconversion", "-Werror",
)  # fmt: skip
_LINK = ("-nostdlib", "-Wl,--gc-sections", f"-Wl,-L,{BOARD}")
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
        "lift_step",
        "lift_outputs",
        "timer_init",
        "timer_interrupt",
        "timer_begin",
        "timer_end",
    ),
}
"""What can be wrong with a firmware (bugs.c) -> the functions between which it sits."""


class BuildFailed(Exception):
    """The firmware could not be built; the text says why in one line."""


def missing(board: str = USUAL) -> str | None:
    """None where the compiler is there, else one line that says what would help."""
    compiler = BOARDS[board].compiler
    if shutil.which(compiler):
        return None
    return f"no {compiler} here; run: apt-get install {BOARDS[board].needs.split()[1]}"


def sources(board: str = USUAL) -> list[Path]:
    """The C files of a firmware without a bug."""
    folders = (HERE / "link", HERE / "store", BOARD, BOARD / BOARDS[board].folder)
    found = [*core_files(), *(path for folder in folders for path in sorted(folder.glob("*.c")))]
    other_start = "start.c" if board == "rv32" else "start_rv32.c"
    return [path for path in found if path.name not in ("bugs.c", other_start)]


def _flags(board: str, cpu: str | None) -> list[str]:
    chosen = BOARDS[board]
    own = [f"-mcpu={cpu}" if cpu and flag.startswith("-mcpu=") else flag for flag in chosen.flags]
    return [*own, *_FLAGS, f"-I{BOARD / chosen.folder}"]


def build(bug: str | None = None, passes: int = 100_000, cpu: str | None = None, board: str = USUAL) -> Path:
    """The firmware as an ELF file, built where it was not yet. `passes` is for the bugs that spin; `cpu` is
    another Cortex-M than the board's. Bugs are for the usual board.

    Raises BuildFailed where that cannot be done.
    """
    reason = missing(board)
    if reason:
        raise BuildFailed(reason)
    words = _flags(board, cpu)
    files = sources(board)
    link = [*_LINK, f"-Wl,-T,{BOARD / BOARDS[board].folder / 'board.ld'}"]
    if bug is not None:
        words += [f"-DLIFT_BUG_{bug.upper().replace('-', '_')}", f"-DLIFT_PASSES={passes}U"]
        words += [f'-DFIRMWARE="LM3S6965, {bug}"']
        link += [f"-Wl,--wrap={name}" for name in WRAPPED[bug]]
        files.append(BOARD / "bugs.c")
    compiler = BOARDS[board].compiler
    folder = _cache() / _key(compiler, [*words, *link])
    made = folder / "firmware.elf"
    if made.exists():
        os.utime(folder)
        return made
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory(dir=folder.parent, prefix="new-") as work:
            own = [] if board == "rv32" else ["-lgcc"]  # the division of processors that have none
            _run([compiler, *words, *link, *map(str, files), *own, "-o", str(Path(work, made.name))])
            folder.mkdir(exist_ok=True)
            os.replace(Path(work, made.name), made)
        _tidy(folder.parent)
    except OSError as error:
        raise BuildFailed(f"cannot write {error.filename or folder}: {error.strerror}") from error
    return made


def build_free(table: str, folder: Path, bug: str | None = None) -> Path:
    """The firmware of the usual board that runs by itself (free/free.c), with the text of its table.h, in a
    folder. `bug`: one of WRAPPED that sits between functions of the core. Raises BuildFailed."""
    (folder / "table.h").write_text(table, encoding="utf-8")
    words = [*_flags(USUAL, None), f"-I{folder}"]
    link = [*_LINK, f"-Wl,-T,{BOARD / BOARDS[USUAL].folder / 'board.ld'}"]
    files = [path for path in sources() if path.name not in ("main.c", "flash.c")]
    if bug is not None:
        words += [f"-DLIFT_BUG_{bug.upper().replace('-', '_')}", "-DLIFT_PASSES=1U"]
        link += [f"-Wl,--wrap={name}" for name in WRAPPED[bug]]
        files.append(BOARD / "bugs.c")
    made = folder / "free.elf"
    free = [str(BOARD / "free" / "free.c"), *map(str, files)]
    _run([BOARDS[USUAL].compiler, *words, *link, *free, "-lgcc", "-o", str(made)])
    return made


def compile_files(folder: Path, cpu: str | None, *flags: str, board: str = USUAL) -> list[Path]:
    """Objects of all sources of a firmware, compiled as `build` does, in an empty folder."""
    made = []
    for source in sources(board):
        to = folder / f"{source.parent.name}-{source.stem}.o"
        _run([BOARDS[board].compiler, *_flags(board, cpu), *flags, "-c", str(source), "-o", str(to)])
        made.append(to)
    return made


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        lines = done.stderr.strip().splitlines() or ["no word why"]
        first = next((line for line in lines if "error" in line), lines[0])
        raise BuildFailed(f"{command[0]}: {first}")


def _cache() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache", "liftlatch", "firmware")


@cache
def _compiler_version(compiler: str) -> str:
    done = subprocess.run([compiler, "--version"], capture_output=True, text=True, check=False)
    return done.stdout


def _key(compiler: str, words: list[str]) -> str:
    digest = hashlib.sha256("\0".join([_compiler_version(compiler), *words]).encode())
    parts = ("core", "link", "store", "board", *(f"board/{board.folder}" for board in BOARDS.values()))
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
@click.option("--board", type=click.Choice(list(BOARDS)), default=USUAL, show_default=True)
@click.option("--cpu", type=click.Choice(CPUS), help="For this processor instead of the board's.")
def main(bug: str | None, board: str, cpu: str | None) -> None:
    """Build the firmware and print where it is."""
    try:
        click.echo(build(bug, cpu=cpu, board=board))
    except BuildFailed as failure:
        click.echo(f"liftlatch: {failure}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
