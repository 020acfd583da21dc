"""The targets, and the command that runs each."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from firmware_model.core_sources import HERE as FIRMWARE
from tests import ROOT
from tests.fuzz import HERE

BUILD = ROOT / "build" / "fuzz"

# Of -fsanitize=undefined all, and what it leaves out: a conversion that loses a bit without a cast.
_SANITIZERS = "fuzzer,address,undefined,implicit-conversion"
_FLAGS = (
    "-std=gnu11",
    "-g",
    "-O2",
    "-Wall",
    "-Wextra",
    f"-fsanitize={_SANITIZERS}",
    "-fno-sanitize-recover=all",
)


@dataclass(frozen=True)
class Target:
    """One target: what it reads, the greatest input in bytes, and in C its extra flags (in Python None)."""

    name: str
    reads: str
    longest: int
    flags: tuple[str, ...] | None = None

    def command(self, firmware: Path = FIRMWARE) -> list[str]:
        """The words that start it; a C target is compiled first where needed (clang), from the C sources in
        `firmware`."""
        if self.flags is None:
            return [sys.executable, "-m", "tests.fuzz.drive", self.name]
        return [str(_compiled(self, firmware))]


TARGETS = {
    target.name: target
    for target in (
        # The least sizes that a machine may set: their limits are met soonest.
        Target(
            "frame", "frames from a line, in C", 4096, ("-DLIFT_LINK_LARGEST=128", "-DLIFT_LINK_WINDOW=2")
        ),
        Target("image", "calibration images, in C", 2048, ()),
        Target("step", "ticks and events under any accepted image, in C", 4096, ()),
        Target("trace", "CSV traces", 4096),
        Target("toml", "calibration and vehicle files", 8192),
        Target("link", "frames and payloads, in Python, beside the C side", 4096),
    )
}


def _compiled(target: Target, firmware: Path) -> Path:
    assert target.flags is not None
    # images.h takes in image.c
    apart = {"image.c"} if target.name in ("image", "step") else set()
    sources = [path for path in sorted(firmware.glob("core/*.c")) if path.name not in apart]
    if target.name == "frame":
        sources += sorted(firmware.glob("link/*.c"))
    digest = hashlib.sha256(repr((_FLAGS, target.flags)).encode())
    for path in sorted([*(HERE / "core").iterdir(), *firmware.glob("core/*"), *firmware.glob("link/*")]):
        digest.update(path.read_bytes())
    program = BUILD / f"{target.name}-{digest.hexdigest()[:12]}"
    if not program.exists():
        BUILD.mkdir(parents=True, exist_ok=True)
        part = program.with_suffix(f".{os.getpid()}")
        harness = HERE / "core" / f"{target.name}.c"
        words = ["clang", *_FLAGS, *target.flags, f"-I{firmware}", harness, *sources, "-o", part]
        subprocess.run(words, check=True)
        part.replace(program)
    return program
