"""Runs targets: TARGET [options of libFuzzer], or --minute or --hour for some of them or all."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from tests import ROOT
from tests.fuzz import FOUND, HERE, SEEDS
from tests.fuzz.targets import BUILD, TARGETS, Target

RESULTS = HERE / "results.toml"
# A target that takes longer for one input, or more memory, has failed.
LIMITS = ("-timeout=20", "-rss_limit_mb=2048", "-print_final_stats=1")


@dataclass(frozen=True)
class Ran:
    """What one run of a target came to."""

    target: str
    seconds: float
    executions: int
    covered: int  # counters of the instrumented code that were reached
    peak_mb: int
    code: int
    found: list[Path]
    said: str


def command(target: Target, options: list[str]) -> list[str]:
    """The whole command; new inputs are kept from run to run, beside the seeds of the repository."""
    own = BUILD / "inputs" / target.name
    own.mkdir(parents=True, exist_ok=True)
    given = [folder for folder in (SEEDS / target.name, FOUND / target.name) if folder.is_dir()]
    prefix = f"-artifact_prefix={_artifacts(target)}/"
    return [
        *target.command(),
        *LIMITS,
        f"-max_len={target.longest}",
        prefix,
        *options,
        str(own),
        *map(str, given),
    ]


def _artifacts(target: Target) -> Path:
    folder = BUILD / "broken" / target.name
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def run(target: Target, seconds: int) -> Ran:
    """One target for so many seconds; its words go to build/fuzz/TARGET.log."""
    before = set(_artifacts(target).iterdir())
    words = command(target, [f"-max_total_time={seconds}"])
    start = time.monotonic()
    log = BUILD / f"{target.name}.log"
    with log.open("w") as stream:
        code = subprocess.run(words, cwd=ROOT, stdout=stream, stderr=stream, check=False).returncode
    took = time.monotonic() - start
    said = log.read_text(errors="replace")
    return Ran(
        target.name,
        took,
        _last(r"stat::number_of_executed_units:\s*(\d+)", said) or _last(r"^#(\d+)\s", said),
        _last(r"\bcov: (\d+)", said),
        _last(r"stat::peak_rss_mb:\s*(\d+)", said),
        code,
        sorted(set(_artifacts(target).iterdir()) - before),
        said,
    )


def _last(pattern: str, text: str) -> int:
    found = re.findall(pattern, text, re.MULTILINE)
    return int(found[-1]) if found else 0


def note(ran: Ran, asked: str, commit: str) -> None:
    """Keep the figures in results.toml."""
    document = tomlkit.parse(RESULTS.read_text()) if RESULTS.exists() else tomlkit.document()
    document[ran.target] = {
        "command": f"python -m tests.fuzz {asked} --note {ran.target}",
        "commit": commit,
        "seconds": round(ran.seconds),
        "executions": ran.executions,
        "covered": ran.covered,
        "peak_mb": ran.peak_mb,
        "found": len(ran.found),
    }
    RESULTS.write_text(tomlkit.dumps(document))


def main() -> None:
    if len(sys.argv) > 1 and sys.argv[1] in TARGETS:
        target = TARGETS[sys.argv[1]]
        raise SystemExit(subprocess.run(command(target, sys.argv[2:]), cwd=ROOT, check=False).returncode)
    reader = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    length = reader.add_mutually_exclusive_group(required=True)
    length.add_argument("--minute", dest="seconds", action="store_const", const=60)
    length.add_argument("--hour", dest="seconds", action="store_const", const=3600)
    reader.add_argument("--jobs", type=int, default=2, help="targets at the same time (2)")
    reader.add_argument("--note", action="store_true", help="keep the figures in tests/fuzz/results.toml")
    reader.add_argument("targets", nargs="*", choices=[*TARGETS, []], metavar="TARGET")
    given = reader.parse_args()
    wanted = [TARGETS[name] for name in given.targets or TARGETS]
    words = ["git", "rev-parse", "--short=10", "HEAD"]
    commit = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()
    executions = found = 0
    with ThreadPoolExecutor(given.jobs) as pool:
        for ran in pool.map(lambda target: run(target, given.seconds), wanted):
            print(
                f"{ran.target:<6} {ran.seconds:5.0f} s {ran.executions:11,} executions {ran.covered:5}"
                f" counters {ran.peak_mb:5} MB {'fine' if ran.code == 0 else 'BROKEN'}",
                flush=True,
            )
            if given.note:
                note(ran, "--minute" if given.seconds == 60 else "--hour", commit)
            executions += ran.executions
            if ran.code:
                found += 1
                print(ran.said[-4000:], *ran.found, sep="\n")
    print(f"{executions:,} executions in {len(wanted)} targets, {found} findings")
    raise SystemExit(bool(found))


if __name__ == "__main__":
    main()
