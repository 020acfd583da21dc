"""Runs the checks: --long for the figures of results.toml, or their short versions; some by name, or all."""

from __future__ import annotations

import argparse
import re
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import tomlkit

from tests import ROOT
from tests.faults import desks, devices, load, power, words, writing

RESULTS = Path(__file__).parent / "results.toml"
CHECKS: dict[str, Callable[[Path, bool], str]] = {
    check.__name__: check
    for check in (
        writing.full_disk,
        writing.file_too_large,
        writing.no_rights,
        writing.killed,
        writing.device_runs_killed,
        writing.two_writers,
        writing.orphans,
        power.power_cut,
        desks.desk_flooded,
        desks.two_desks,
        devices.streaming_device,
        devices.dripping_device,
        devices.busy_device,
        devices.stopped_after_verdict,
        words.escapes,
        words.hostile_files,
        load.clock,
        load.long_trace,
        load.no_room,
        load.columns,
        load.large_csv,
        load.verify_runs,
    )
}


def main() -> None:
    reader = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    reader.add_argument("--long", action="store_true", help="the whole of it: some 40 minutes, 12 GB of disk")
    reader.add_argument("--note", action="store_true", help="keep the figures in tests/faults/results.toml")
    reader.add_argument("checks", nargs="*", choices=[*CHECKS, []], metavar="CHECK")
    given = reader.parse_args()
    # Behind a shell's & Ctrl-C is ignored, and what is ignored is inherited; devices end by it.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    commit = subprocess.run(
        ["git", "rev-parse", "--short=10", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    failed, greatest = [], 0
    wanted = given.checks or list(CHECKS)
    for name in wanted:
        began = time.monotonic()
        try:
            with TemporaryDirectory(prefix="liftlatch-faults-") as folder:
                Path(folder).chmod(0o755)
                said = CHECKS[name](Path(folder), given.long)
        except (AssertionError, OSError) as error:
            said = f"BROKEN: {error}"
            failed.append(name)
        took = time.monotonic() - began
        print(f"{name}: {said} ({took:.0f} s)", flush=True)
        greatest = max([greatest, *(int(mb) for mb in re.findall(r"(\d+) MB peak", said))])
        if given.note:
            document = tomlkit.parse(RESULTS.read_text()) if RESULTS.exists() else tomlkit.document()
            words = f"python -m tests.faults {'--long ' if given.long else ''}--note {name}"
            document[name] = {"command": words, "commit": commit, "seconds": round(took), "result": said}
            RESULTS.write_text(tomlkit.dumps(document))
    held = "all held" if not failed else f"broken: {', '.join(failed)}"
    print(f"{len(wanted)} checks, {held}; greatest memory {greatest} MB")
    raise SystemExit(bool(failed))


if __name__ == "__main__":
    main()
