"""The emulated board: the firmware of firmware_model/board on a Cortex-M3 that QEMU emulates.

The emulator counts time in instructions, 64 ns each (`-icount shift=6`: a processor of 15.6 million
instructions a second), so that what the firmware's own timer measures is a number of instructions, the same
on every machine. While the processor waits, time is the wall clock's.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench.errors import UserError
from bench.system import HAS_EMULATORS, cpu_seconds, some_processor, unblocked
from firmware_model.board.build import BOARDS, USUAL, BuildFailed, build
from firmware_model.board.build import missing as build_missing

INSTRUCTION_NS = 64

_MACHINE = ("-icount", "shift=6", "-nographic", "-monitor", "none")
_PORT = ("-chardev", "pty,id=uart", "-serial", "chardev:uart")
_START_S = 30.0
_END_S = 5.0


def missing(board: str = USUAL) -> str | None:
    """None where emulator and compiler are there, else one line that says what would help."""
    if not HAS_EMULATORS:
        return "emulated boards are not on this system; use a Linux one, or a device on a port"
    if not all(shutil.which(program) for program in ("setpriv", "taskset")):
        return "the emulated board needs setpriv and taskset; run: apt-get install util-linux"
    if shutil.which(BOARDS[board].machine[0]) and build_missing(board) is None:
        return None
    return f"the emulated board needs packages; run: apt-get install {BOARDS[board].needs}"


class EmulatedBoard:
    """A running board. `port` is a pseudo-terminal, for pyserial or whatever else talks to a serial port.

    It ends when our process does, however that ends. It stays on one processor: its two threads only wait for
    one another, and take twice the time on two.
    """

    def __init__(self, firmware: Path, board: str = USUAL) -> None:
        """Start it with this firmware, which must be of that board. Raises UserError where that fails."""
        machine = BOARDS[board].machine
        processor = some_processor(random.choice)
        ends_with_us = ("setpriv", "--pdeathsig", "KILL", "taskset", "--cpu-list", processor)
        command = [*ends_with_us, *machine, *_MACHINE, *_PORT, "-kernel", str(firmware)]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,  # Ctrl-C is for us; we end it ourselves
        )
        try:
            self.port = self._wait_for_port()
        except BaseException:
            self.stop()
            raise

    def _wait_for_port(self) -> str:
        assert self._process.stdout is not None
        said: list[str] = []
        until = time.monotonic() + _START_S
        unblocked(self._process.stdout.fileno())
        while time.monotonic() < until:
            line = self._process.stdout.readline().decode(errors="replace").strip()
            if line:
                said.append(line)
            if found := re.search(r"redirected to (\S+) ", line + " "):
                return found[1]
            if self._process.poll() is not None:
                break
            if not line:
                time.sleep(0.01)
        why = said[-1] if said else "it said nothing"
        raise UserError(f"the emulator did not start ({why})", "emulator", "check its installation")

    @property
    def pid(self) -> int:
        """Of the emulator's process."""
        return self._process.pid

    def cpu_s(self) -> float:
        """Seconds of processor time that the emulator has used so far."""
        return cpu_seconds(self.pid)

    def wait(self) -> None:
        """Until the emulator ends; raises UserError then."""
        self._process.wait()
        raise UserError("the emulator ended by itself", "emulator", "start it again")

    def stop(self) -> None:
        """End it; a second call does nothing."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(_END_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()


@contextmanager
def emulated_board(
    bug: str | None = None, passes: int = 100_000, board: str = USUAL
) -> Iterator[EmulatedBoard]:
    """A board that runs until the end of the block. `bug`, `passes` and `board` as in
    firmware_model.board.build.

    Raises UserError where packages are missing or the firmware cannot be built.
    """
    reason = missing(board)
    if reason:
        what, _, right = reason.partition("; ")
        raise UserError(what, right=right)
    try:
        firmware = build(bug, passes, board=board)
    except BuildFailed as failure:
        raise UserError(str(failure)) from failure
    running = EmulatedBoard(firmware, board)
    try:
        yield running
    finally:
        running.stop()
