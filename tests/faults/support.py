"""What the checks share: the commands that write, a way to run them quickly under faults, and traces."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests import ROOT

DEMO = ROOT / "traces" / "demo.toml"
CAR = ROOT / "traces" / "demo_car.toml"
PROGRAM = (sys.executable, "-c", "from bench.cli import main; main()")
MODULES = (
    *("bench.cli", "bench.calibration.command", "bench.trace.command", "bench.replay.command"),
    *("bench.sweep.command", "bench.vectors.command", "bench.vehicle.command", "bench.search.command"),
    *(
        "bench.fit.command",
        "bench.demo.command",
        "bench.compare.command",
        "bench.verify.command",
        "bench.link.record",
    ),
    *("bench.document.html", "bench.document.svg", "pyarrow.csv", "pint", "rich.table"),
    *("bench.document.write", "bench.replay.files", "bench.trace.read", "bench.trace.csv"),
)


def lift_mm(seconds: float) -> float:
    """A ride height with one lift, from 0.5 s to 1.7 s."""
    return 130 + 250 * math.sin(math.pi * (seconds - 0.5) / 1.2) if 0.5 < seconds < 1.7 else 130.0


def write_trace(path: Path, seconds: float, step_ms: int = 10) -> Path:
    """A run of so many seconds as a logger would write it; after three seconds it stands still."""
    with path.open("w") as stream:
        stream.write("time (s),height (mm),speed (km/h),launch\n")
        for row in range(int(seconds * 1000 / step_ms)):
            at = row * step_ms / 1000
            launch = int(at >= 0.3)
            stream.write(f"{at:.3f},{lift_mm(at):.1f},{min(max(0.0, at - 0.3) * 40, 110):.1f},{launch}\n")
    return path


@dataclass(frozen=True)
class Writer:
    """A command that writes: words whose last is followed by the output, and words for another result."""

    words: tuple[str, ...]
    otherwise: tuple[str, ...]
    file: bool = False


def writers(folder: Path) -> dict[str, Writer]:
    """The commands that write, over traces and calibrations made in a folder; `fit` takes longest."""
    run = str(write_trace(folder / "run.csv", 2.5))
    other = folder / "other.toml"
    other.write_text(DEMO.read_text() + "\n# another text, and another digest\n")
    pair = (*("--calibration", str(DEMO)), *("--calibration", str(other)))
    demo, shorter = ("--calibration", str(DEMO)), str(write_trace(folder / "shorter.csv", 2.4))
    sought = (
        *("search", "--vehicle", str(CAR), "--calibration", str(DEMO), "--limit", "lift_mm=2000"),
        *("--distance", "60ft", "--cars", "8", "--check", "8", "--population", "8", "--generations", "1"),
    )
    driven = ("predict", "--vehicle", str(CAR), "--calibration", str(DEMO), "--distance", "60", "--out")
    wheelstand = str(ROOT / "traces" / "high_wheelstand.csv")
    fitted = ("fit", wheelstand, "--vehicle", str(CAR), "--calibration", str(DEMO), "--out")
    made = {
        "calibration compile": Writer(
            ("calibration", "compile", str(DEMO), "--out"),
            ("calibration", "compile", str(ROOT / "traces" / "demo_front_wheel.toml"), "--out"),
            file=True,
        ),
        "replay": Writer(("replay", run, *demo, "--out"), ("replay", shorter, *demo, "--out")),
        "sweep": Writer(
            ("sweep", run, *demo, "--vary", "latch.hold_ms=0,200", "--out"),
            ("sweep", shorter, *demo, "--vary", "latch.hold_ms=0,200", "--out"),
        ),
        "compare": Writer(("compare", run, *pair, "--out"), ("compare", shorter, *pair, "--out")),
        "vectors": Writer(
            ("vectors", run, *demo, "--ticks", "300", "--out"),
            ("vectors", run, *demo, "--ticks", "200", "--out"),
        ),
        "predict": Writer(driven, (*driven[:-1], "--seed", "2", "--out")),
        "fit": Writer(fitted, (*fitted[:-1], "--measured", "body.cg_ahead_of_rear_axle", "--out")),
    }
    # The second result is made from other inputs, so it must be told to replace the first.
    told = {
        name: replace(
            writer,
            words=(*writer.words[:-1], "--replace", "--out"),
            otherwise=(*writer.otherwise[:-1], "--replace", "--out"),
        )
        for name, writer in made.items()
    }
    # Another search's folder is refused for that, so it is the same one that is done again.
    return told | {"search": Writer((*sought, "--out"), (*sought, "--out"))}


@dataclass(frozen=True)
class Done:
    """How a command line ended: exit code (negative: by that signal), what it said, changes it made on the
    disk, seconds from the first of them to the end."""

    code: int
    out: str
    err: str
    changes: int
    seconds: float
    late: bool
    group: int

    @property
    def refusal(self) -> str:
        """The one line of a command that ended with exit code 2."""
        assert self.code == 2, (self.code, self.out, self.err)
        assert self.err.startswith("liftlatch: "), self.err
        assert self.err.count("\n") == 1, self.err
        return self.err


class Forker:
    """Runs command lines in forks of a process that has everything imported (forker.py)."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.forker", *MODULES],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(self, *words: str | Path, **faults: Any) -> Done:
        """Run a command line to its end, or to what the faults make of it (forker.py names them)."""
        out, err = self._folder / "out.txt", self._folder / "err.txt"
        told = self.ask({"words": [str(word) for word in words], "out": str(out), "err": str(err), **faults})
        done = Done(out=out.read_text(), err=err.read_text(), **told)
        assert not done.late, "it did not end"
        return done

    def warm(self, *words: str | Path) -> None:
        """Run a command line in the process itself: what it imports need not be read again."""
        self.ask({"words": [str(word) for word in words], "warm": True})

    def ask(self, asked: dict[str, Any]) -> dict[str, Any]:
        """What forker.py answers to a request."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        told: dict[str, Any] = json.loads(self._process.stdout.readline())
        return told

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        assert self._process.wait(30) == 0


@contextmanager
def forker(folder: Path) -> Iterator[Forker]:
    made = Forker(folder)
    try:
        yield made
    finally:
        made.close()


@contextmanager
def device(*options: str) -> Iterator[str]:
    """A device model as a process; the name of its port."""
    process = subprocess.Popen([*PROGRAM, "device", *options], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield process.stdout.readline().removeprefix("device on ").strip()
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(10)
        process.stdout.close()


def content(path: Path) -> dict[str, bytes] | bytes | None:
    """What stands at a path: a file's bytes, a folder's files by name, or nothing."""
    if path.is_dir():
        return {str(f.relative_to(path)): f.read_bytes() for f in sorted(path.rglob("*")) if f.is_file()}
    return path.read_bytes() if path.exists() else None


@contextmanager
def small_disk(folder: Path, size: int) -> Iterator[Path]:
    """A file system of so many bytes at a folder; PermissionError where this user may mount none."""
    folder.mkdir()
    size = -(-size // 4096) * 4096
    words = ["mount", "-t", "tmpfs", "-o", f"size={size},mode=777", "tmpfs", str(folder)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        folder.rmdir()
        raise PermissionError(done.stderr.strip())
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)
        folder.rmdir()


def peak_mb(words: list[str], most_mb: int | None = None) -> tuple[int, subprocess.CompletedProcess[str]]:
    """The greatest resident memory of a command, in MB, and how it ended; `most_mb` limits its addresses."""
    code = (
        "import os, resource, sys\n"
        "most = int(sys.argv[1])\n"
        "if most: resource.setrlimit(resource.RLIMIT_AS, (most << 20, most << 20))\n"
        "child = os.posix_spawn(sys.argv[2], sys.argv[2:], os.environ)\n"
        "_, status, used = os.wait4(child, 0)\n"
        "print(used.ru_maxrss // 1024, file=sys.stderr)\n"
        "sys.exit(os.waitstatus_to_exitcode(status) & 255)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(most_mb or 0), *words],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    *said, peak = done.stderr.splitlines()
    return int(peak), subprocess.CompletedProcess(words, done.returncode, done.stdout, "\n".join(said))


def open_files(pid: int | str = "self") -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))
