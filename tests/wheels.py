"""Builds the wheels of all systems here, each with the compiled core, car and box of its system:

python -m tests.wheels FOLDER [PLATFORM ...]
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from bench.build_backend import PLATFORMS
from tests import ROOT

_BUILD = """
import sys
from bench.build_backend import build_wheel
build_wheel(sys.argv[1], {"platform": sys.argv[2]})
"""


def main(folder: Path, *platforms: str) -> None:
    """Build those of the platforms, or of all, from a clean copy each."""
    folder.mkdir(parents=True, exist_ok=True)
    for platform in platforms or PLATFORMS:
        with TemporaryDirectory() as name:
            copy = Path(name, "copy")
            left_out = shutil.ignore_patterns("__pycache__", "*.so", "*.dll", "*.dylib", "_*_abi.py")
            for part in ("bench", "controller", "firmware_model", "traces"):
                shutil.copytree(ROOT / part, copy / part, ignore=left_out)
            for part in ("pyproject.toml", "README.md", "LICENSE"):
                shutil.copy(ROOT / part, copy / part)
            words = [sys.executable, "-c", _BUILD, str(folder.resolve()), platform]
            done = subprocess.run(words, cwd=copy, capture_output=True, text=True, check=False)
            if done.returncode:
                sys.exit(f"{platform}: {done.stderr}")
    sys.stdout.write("".join(f"{path}\n" for path in sorted(folder.glob("*.whl"))))


if __name__ == "__main__":
    if len(sys.argv) < 2 or (unknown := set(sys.argv[2:]) - set(PLATFORMS)):
        what = f"no platform: {', '.join(sorted(unknown))}; " if len(sys.argv) > 1 else ""
        sys.stderr.write(f"{what}python -m tests.wheels FOLDER [{' | '.join(PLATFORMS)} ...]\n")
        sys.exit(2)
    main(Path(sys.argv[1]), *sys.argv[2:])
