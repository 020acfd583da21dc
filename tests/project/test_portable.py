"""Linux, macOS and Windows: what differs stands in bench/system, all else runs without what only some have.

No Windows and no macOS machine is at hand. What stands for them: the types that each system's library has
(typeshed, by mypy --platform), and Windows' refusals (tests/without_posix.py).
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import ROOT
from tests.project.test_rooms import modules
from tests.tools import run
from tests.without_posix import MODULES

NOT_SHIPPED = ("bench.benchmarks", "bench.readme", "bench.build_backend")
DIFFERS = ("bench.system", "firmware_model.shared")  # and which library is loaded
TAKE_AWAY = "from tests.without_posix import take_away; take_away()"
# Rooms whose fast tests take little and that write, lock, listen or read ports; not those about signals,
# pseudo-terminals, links of files or rights.
PORTABLE = (
    *("tests/bench/calibration", "tests/bench/test_units.py", "tests/bench/test_folder.py"),
    *("tests/bench/test_result.py", "tests/bench/replay", "tests/bench/test_portable_use.py"),
)


def shipped() -> dict[str, Path]:
    """The modules of the installed package, but for the room of the differences."""
    return {
        name: path
        for name, path in modules(ROOT).items()
        if not name.startswith((*NOT_SHIPPED, *DIFFERS))
    }


def asked(path: Path) -> Iterator[str]:
    """What a module imports or asks that only some systems have."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [one.name for one in node.names]
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            yield from {name.partition(".")[0] for name in names} & {*MODULES, "msvcrt", "winreg", "_winapi"}
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            name = f"{node.value.id}.{node.attr}"
            if name in ("sys.platform", "os.name", "platform.system"):
                yield name


def test_what_differs_stands_in_one_room() -> None:
    assert {name: found for name, path in shipped().items() if (found := sorted(asked(path)))} == {}
    assert sorted(asked(ROOT / "bench" / "system" / "posix.py")) != []


def without_posix(*words: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-P", *words]
    return subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False
    )


def test_every_module_is_imported_without_them() -> None:
    names = sorted(shipped())
    lines = ["import importlib", TAKE_AWAY, "import bench.system as system"]
    lines += ["assert system.try_lock.__module__ == 'bench.system.windows'"]
    lines += [f"importlib.import_module({name!r})" for name in names]
    done = without_posix("-c", "\n".join(lines))
    assert done.returncode == 0, done.stderr
    assert len(names) > 200


def test_what_is_gone_is_gone(tmp_path: Path) -> None:
    (tmp_path / "bench_like.py").write_text("")
    program = TAKE_AWAY + """
names = {"__name__": "bench.like", "path": PATH}
exec("import os, signal, select, sys", names)
for text, error in (("os.O_NONBLOCK", AttributeError), ("signal.SIGHUP", AttributeError),
                    ("__import__('fcntl')", None), ("os.open('/', 0)", PermissionError),
                    ("select.select([sys.stdin], [], [], 0)", OSError),
                    ("[open(path), os.replace(path, path + '2')]", PermissionError)):
    try:
        eval(text, names)
    except error or ():
        continue
    assert error is None, text
try:
    exec("import fcntl", names)
except ModuleNotFoundError:
    print("gone")
"""
    path = str(tmp_path / "bench_like.py")
    done = without_posix("-c", f"PATH = {path!r}\n{program}")
    assert (done.stdout, done.returncode) == ("gone\n", 0), done.stderr


@pytest.mark.slow
def test_fast_tests_of_portable_rooms_pass_without_them() -> None:
    program = f"{TAKE_AWAY}\nimport sys, pytest\nsys.exit(pytest.main(sys.argv[1:]))"
    done = without_posix("-c", program, "-q", "-n0", "-p", "no:cacheprovider", *PORTABLE)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


@pytest.mark.slow
@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_types_are_those_of_the_system(system: str) -> None:
    left_out = "bench/(benchmarks|readme)/"
    done = run(sys.executable, "-m", "mypy", "--platform", system, "--exclude", left_out)
    assert "no issues found" in done.stdout
