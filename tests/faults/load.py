"""Long and large inputs, many runs, and clocks that jump."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

from tests import ROOT
from tests.faults.support import (
    DEMO,
    PROGRAM,
    content,
    device,
    lift_mm,
    open_files,
    peak_mb,
    write_trace,
    writers,
)

_FAKE_CLOCK = Path("/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1")


def _replay(trace: Path, out: Path, *more: str) -> list[str]:
    return [*PROGRAM, "replay", str(trace), "--calibration", str(DEMO), "--out", str(out), *more]


# -- clocks


def _jumping(folder: Path) -> dict[str, str]:
    """The environment of a program whose wall clock is set by _jump; the monotonic clock goes on."""
    return {
        **os.environ,
        "LD_PRELOAD": str(_FAKE_CLOCK),
        "FAKETIME_TIMESTAMP_FILE": str(folder / "clock"),
        "FAKETIME_NO_CACHE": "1",
        "DONT_FAKE_MONOTONIC": "1",
    }


def _jump(folder: Path, to: str) -> None:
    part = folder / "clock.part"
    part.write_text(to + "\n")
    part.replace(folder / "clock")


_TIMES = ("-40d", "+3h", "-3h", "+20y", "@1999-12-31 23:59:58", "+0", "-1s", "@2038-01-19 03:14:06")


def clock(folder: Path, long: bool) -> str:
    """Results do not depend on the clock, and time-outs not on one that jumps."""
    if not _FAKE_CLOCK.exists():
        raise FileNotFoundError("needs Debian's libfaketime")
    count = 0
    names = (
        ("replay", "sweep", "vectors", "predict", "search", "fit")
        if long
        else ("replay", "vectors", "search")
    )
    made = writers(folder)
    for name in names:
        results = []
        for to in ("+0", "-30y", "+11y"):
            _jump(folder, to)
            target = folder / "x"
            words = [*PROGRAM, *made[name].words, str(target)]
            done = subprocess.run(
                words, cwd=ROOT, env=_jumping(folder), capture_output=True, text=True, check=False
            )
            assert done.returncode == 0, done.stderr
            results.append((content(target), done.stdout))
            subprocess.run(["rm", "-r", target], check=True)
            count += 1
        assert results[0] == results[1] == results[2], f"{name} depends on the clock"
    with device() as port:
        words = [
            *PROGRAM,
            "verify",
            *([str(folder / "run.csv")] * (8 if long else 2)),
            "--calibration",
            str(DEMO),
        ]
        process = subprocess.Popen(
            [*words, "--port", port], cwd=ROOT, env=_jumping(folder),
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        jumps = 0
        while process.poll() is None:
            _jump(folder, _TIMES[jumps % len(_TIMES)])
            jumps += 1
            time.sleep(0.02)
        out, err = process.communicate()
        assert process.returncode == 0, out + err
    return f"{count} runs under 3 dates equal, a verify over {jumps} jumps"


# -- long and large

_HOUR_MB, _DAY_MB = 300, 1000


def long_trace(folder: Path, long: bool) -> str:
    """Traces of an hour, one with a row at each tick, and of a day (short: of 25 minutes), replayed at 1 ms:
    memory is bounded."""
    said = []
    for name, seconds, step_ms, most in (
        (("an hour", 3600, 10, _HOUR_MB), ("1 ms rows", 3600, 1, _HOUR_MB), ("a day", 86400, 100, _DAY_MB))
        if long
        else (("25 minutes", 1500, 10, 250),)
    ):
        trace = write_trace(folder / "long.csv", seconds, step_ms)
        began = time.monotonic()
        peak, done = peak_mb(_replay(trace, folder / "x"))
        took = time.monotonic() - began
        assert done.returncode == 0, done.stderr
        facts = json.loads((folder / "x" / "summary.json").read_text())
        ticks = facts["ticks"]["count"]
        assert ticks >= 1000 * seconds - step_ms
        assert len(facts["lifts"]) == 1
        assert peak < most, f"{name}: {peak} MB"
        written = sum(f.stat().st_size for f in (folder / "x").iterdir()) >> 20
        said.append(f"{name} ({ticks:,} ticks): {peak} MB peak, {took:.0f} s, {written} MB written")
        subprocess.run(["rm", "-r", folder / "x", trace], check=True)
    return "; ".join(said)


def no_room(folder: Path, long: bool) -> str:
    """What this machine cannot hold is said in a line before it is stepped: a small file of 300 years."""
    trace = write_trace(folder / "years.csv", 100_000, 1000)
    trace.write_text(re.sub(r"(?m)^(\d+)\.000,", r"\g<1>00000,", trace.read_text()))
    peak, done = peak_mb(_replay(trace, folder / "x"))
    assert done.returncode == 2, done.stderr
    assert "GB of memory" in done.stderr, done.stderr
    assert done.stderr.count("\n") == 0, done.stderr
    assert peak < 200, f"{peak} MB"
    return "refused"


def columns(folder: Path, long: bool) -> str:
    """A trace of 10 000 columns."""
    count, rows = 10_000, 2000 if long else 100
    path = folder / "wide.csv"
    with path.open("w") as stream:
        stream.write("time (s),height (mm)," + ",".join(f"channel {i} (V)" for i in range(count - 2)) + "\n")
        rest = ",".join(f"{i % 5}.5" for i in range(count - 2))
        for row in range(rows):
            stream.write(f"{row / 100:.2f},{lift_mm(row / 100):.1f},{rest}\n")
    size = path.stat().st_size >> 20
    peak, done = peak_mb([*PROGRAM, "trace", "show", str(path), "--json"])
    assert done.returncode == 0, done.stderr
    facts = json.loads(done.stdout)
    assert (facts["rows"], len(facts["unused"])) == (rows, count - 2)
    assert peak < 700, f"{peak} MB"
    path.unlink()
    return f"{count} columns, {rows} rows, {size} MB: {peak} MB peak"


def large_csv(folder: Path, long: bool) -> str:
    """A CSV of 1 GB (short: 60 MB): memory holds the numbers asked for and not the file."""
    most = (1 << 30) if long else (60 << 20)
    path = folder / "large.csv"
    spare = ",".join(f"{i}.25" for i in range(30))
    with path.open("w") as stream:
        stream.write("time (s),height (mm)," + ",".join(f"channel {i}" for i in range(30)) + "\n")
        rows = 0
        while stream.tell() < most:
            stream.write(
                "".join(f"{(rows + i) / 1000:.3f},{130 + (rows + i) % 50}.5,{spare}\n" for i in range(1000))
            )
            rows += 1000
    began = time.monotonic()
    peak, done = peak_mb([*PROGRAM, "trace", "show", str(path), "--json"])
    took = time.monotonic() - began
    assert done.returncode == 0, done.stderr
    facts = json.loads(done.stdout)
    assert facts["rows"] == rows
    numbers = 2 * 8 * rows >> 20
    assert peak < 300 + 6 * numbers, f"{peak} MB for {numbers} MB of numbers"
    size = path.stat().st_size
    path.unlink()
    return f"{size / 1e9:.2f} GB, {rows:,} rows: {peak} MB peak, {took:.0f} s"


# -- many runs


def verify_runs(folder: Path, long: bool) -> str:
    """Verify runs in one process against the model of a device, over a pseudo-terminal each, and a few in
    processes of their own: no memory, no files and no pseudo-terminals are left behind."""
    write_trace(folder / "short.csv", 0.6)
    times, apart = (1000, 50) if long else (60, 3)
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.many", str(folder / "short.csv"), str(times)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["files_after"] == told["files_before"], told
    assert told["terminals_after"] <= told["terminals_before"], told
    assert told["threads_after"] == told["threads_before"], told
    assert told["mb_after"] - told["mb_before"] < 8, told
    terminals = _terminals()
    with device() as port:
        pid = _holder(port)
        words = [*PROGRAM, "verify", str(folder / "short.csv"), "--calibration", str(DEMO), "--port", port]
        subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
        before = open_files(pid)
        for _ in range(apart):
            subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
        assert open_files(pid) == before
    assert _terminals() <= terminals
    grown = told["mb_after"] - told["mb_before"]
    return f"{times} verify runs in one process (+{grown:.1f} MB, +0 files), {apart} in their own"


def _holder(port: str) -> int:
    """The child of this process that holds a port."""
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
    return int(children[-1])


def _terminals() -> int:
    return len([name for name in os.listdir("/dev/pts") if name.isdigit()])
