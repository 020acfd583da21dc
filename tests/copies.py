"""A copy of this project in which files may be changed, and the tests that are the controller's fast ones."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from tests import ROOT

FAST_CONTROLLER_TESTS = tuple(
    f"tests/{name}.py"
    for name in (
        *(f"controller/test_{stage}" for stage in ("events", "fixed", "height", "image", "latch")),
        *(f"controller/test_{stage}" for stage in ("lift", "maps", "progress", "requests", "step")),
        *("bench/twin/test_twin", "bench/twin/test_twin_corners"),
    )
)
"""What is meant by the fast tests of the controller and of its C twin: a part of what `tests/run` runs. No
test marked slow, none that reads the text of the sources, none of the bench."""


def copy_project(folder: Path) -> None:
    """Copies what git tracks or would, and the built extension modules, to a folder that is not there yet."""
    words = ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    names = [Path(name) for name in listed.split("\0") if name]
    for name in [*names, *(path.relative_to(ROOT) for path in ROOT.glob("*/**/_*.so"))]:
        if "node_modules" in name.parts or not (ROOT / name).is_file():
            continue
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, folder / name)
