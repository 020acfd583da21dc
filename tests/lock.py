"""Writes the lock files anew: the exact version of each package, and the hashes of its files, for every
Python and every system that pyproject.toml allows. Needs the network.

    python -m tests.lock

bench/run installs bench/run.lock, tests/run bench/test.lock; both have the same versions of the same
packages. A change of what pyproject.toml asks for makes them stale, which tests/project/test_lock.py notices.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tomllib
import venv
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests import ROOT

LOCKS = {"run": ROOT / "bench" / "run.lock", "test": ROOT / "bench" / "test.lock"}
_OLDEST = "3.11"


def asked() -> dict[str, Any]:
    """What pyproject.toml asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    return {
        "build": project["build-system"]["requires"],
        "python": project["project"]["requires-python"],
        "run": project["project"]["dependencies"],
        "more": project["project"]["optional-dependencies"],
    }


def digest() -> str:
    """Of what pyproject.toml asks for; it stands in the lock files that answer to it."""
    return hashlib.sha256(json.dumps(asked(), sort_keys=True).encode()).hexdigest()


def _compile(folder: Path, *options: str | Path) -> str:
    words = (
        *("pip", "compile", "--universal", "--python-version", _OLDEST, "--generate-hashes", "--no-header"),
        *("--no-annotate", "--native-tls", "--quiet", ROOT / "pyproject.toml"),
        *(folder / "build.in", *options),
    )
    # a resolver of its own, since pip tells the hashes of this system's files only
    tool = folder / "tool" / "bin" / "uv"
    environment = dict(os.environ)
    if "PIP_CERT" in environment:
        environment.setdefault("SSL_CERT_FILE", environment["PIP_CERT"])
    done = subprocess.run([tool, *words], stdout=subprocess.PIPE, text=True, check=True, env=environment)
    return done.stdout


def main() -> None:
    """Resolve both and write them."""
    head = f"# Written by: python -m tests.lock\n# for what pyproject.toml asks, SHA-256 {digest()}\n"
    with TemporaryDirectory() as name:
        folder = Path(name)
        venv.create(folder / "tool", with_pip=True)
        python = folder / "tool" / "bin" / "python"
        subprocess.run([python, "-m", "pip", "install", "--quiet", "uv"], check=True)
        (folder / "build.in").write_text("\n".join(asked()["build"]) + "\n")
        both = _compile(folder, "--all-extras")
        (folder / "both.txt").write_text(both)
        run = _compile(folder, "--constraint", folder / "both.txt")
    LOCKS["test"].write_text(head + both)
    LOCKS["run"].write_text(head + run)
    sys.stdout.write(f"written: {', '.join(str(path.relative_to(ROOT)) for path in LOCKS.values())}\n")


if __name__ == "__main__":
    main()
