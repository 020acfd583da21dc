"""Verify again and again in this process, each time with a device of its own on a new pseudo-terminal, and
print what was held before and after as one line of JSON: python -m tests.faults.many TRACE TIMES"""

from __future__ import annotations

import ctypes
import gc
import io
import json
import os
import sys
import threading
from contextlib import redirect_stdout
from pathlib import Path

from bench.cli import liftlatch
from bench.device.behaviour import Behaviour
from bench.device.serve import serve
from bench.device.simulated import Device
from bench.link.ports import PtyLine
from firmware_model import binding
from tests.faults.support import DEMO, open_files


def _once(trace: str) -> None:
    line = PtyLine()
    going = threading.Event()
    going.set()
    behaviour = Behaviour(Device(binding.Core), {}, 0)
    thread = threading.Thread(target=serve, args=(line, behaviour, going.is_set))
    thread.start()
    words = ["verify", trace, "--calibration", str(DEMO), "--port", line.name]
    try:
        with redirect_stdout(io.StringIO()) as said:
            assert not liftlatch.main(words, standalone_mode=False)
        assert "equal" in said.getvalue()
    finally:
        going.clear()
        thread.join()


def _held() -> dict[str, float]:
    gc.collect()
    ctypes.CDLL(None).malloc_trim(0)  # what is free but kept is no leak
    resident = int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return {
        "files": open_files(),
        "terminals": len([name for name in os.listdir("/dev/pts") if name.isdigit()]),
        "threads": threading.active_count(),
        "mb": resident / (1 << 20),
    }


def main() -> None:
    trace, times = sys.argv[1], int(sys.argv[2])
    for _ in range(10):  # imports and caches
        _once(trace)
    before = _held()
    for _ in range(times):
        _once(trace)
    after = _held()
    told = {f"{name}_before": value for name, value in before.items()}
    told |= {f"{name}_after": value for name, value in after.items()}
    print(json.dumps(told))  # noqa: T201


if __name__ == "__main__":
    main()
