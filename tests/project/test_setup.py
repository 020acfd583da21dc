"""The scripts set up their environment: once, whole, and again only when something changed."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests import ROOT


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of what the set-up needs, without an environment, in a folder with a space in its name."""
    folder = tmp_path / "a copy"
    ignored = shutil.ignore_patterns("__pycache__", "*.so", "*.o")
    for name in ("bench", "controller", "firmware_model"):
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / name)
    return folder


def start(folder: Path, *arguments: str, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        ["bash", str(folder / "bench" / "run"), *arguments],
        cwd="/",
        env={**os.environ, **environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
    )


def finish(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    out, err = process.communicate(timeout=600)
    return process.returncode, out, err


def tools_without_python(folder: Path) -> Path:
    """A folder for PATH with the system's commands but no interpreter."""
    folder.mkdir()
    for directory in (Path("/usr/bin"), Path("/bin")):
        for tool in directory.iterdir():
            link = folder / tool.name
            if not tool.name.startswith("python") and not link.is_symlink():
                link.symlink_to(tool)
    return folder


def fake_python(folder: Path, script: str) -> None:
    (folder / "python3").write_text(f"#!/bin/sh\n{script}\n")
    (folder / "python3").chmod(0o755)


@pytest.mark.parametrize(
    ("script", "line"),
    [
        (None, "no python3 found; run: apt-get install python3 python3-venv"),
        ("exit 1", "this python3 is too old; Python 3.11 or newer is needed, with its venv module"),
        (
            'case "$2" in *version_info*) exit 0;; *) exit 1;; esac',
            "python3 cannot make virtual environments; run: apt-get install python3-venv",
        ),
        (
            '[ "$1" = -c ] || { echo "Error: out of ink" >&2; exit 1; }',
            "python3 -m venv failed: Error: out of ink; try: apt-get install python3-venv",
        ),
    ],
)
def test_an_unfit_interpreter_is_one_line(copy: Path, tmp_path: Path, script: str | None, line: str) -> None:
    tools = tools_without_python(tmp_path / "tools")
    if script:
        fake_python(tools, script)
    code, out, err = finish(start(copy, "--version", PATH=str(tools)))
    assert (code, out) == (2, "")
    assert err == f"setting up .venv ...\nliftlatch: {line}\n"
    assert not list(copy.glob(".venv/stamp-*"))
    assert not (copy / ".venv" / "made").exists()


@pytest.mark.slow
def test_set_up_once_then_offline(copy: Path) -> None:
    # pip reads nothing from anywhere: what works with this needs no network.
    offline = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": ""}
    version = "liftlatch 0.1.0\n"

    code, _, err = finish(start(copy, "--version", **offline))
    assert code == 2
    assert err.startswith("setting up .venv ...\nliftlatch: could not install the Python packages")
    assert "no package registry answers (the first time needs the network, or a folder of wheels" in err
    assert err.count("\n") == 2
    assert not list(copy.glob(".venv/stamp-*"))

    # Two at once, upon what the failure left behind: one sets up, the other waits for it.
    results = [finish(process) for process in [start(copy, "--version") for _ in range(2)]]
    assert [(code, out) for code, out, _ in results] == [(0, version)] * 2
    assert sorted(err for _, _, err in results) == ["", "setting up .venv ...\n"]

    log = (copy / ".venv" / "setup.log").stat().st_mtime_ns
    assert finish(start(copy, "--version", **offline)) == (0, version, "")
    assert (copy / ".venv" / "setup.log").stat().st_mtime_ns == log

    # A change of the project file installs again, with nothing new to fetch.
    with open(copy / "pyproject.toml", "a") as project:
        project.write("\n# changed\n")
    assert finish(start(copy, "--version", **offline)) == (0, version, "setting up .venv ...\n")

    wheels = copy.parent / "wheels"
    python, lock = copy / ".venv" / "bin" / "python", copy / "bench" / "run.lock"
    words = [python, "-m", "pip", "download", "--quiet", "--require-hashes", "-r", lock, "-d", wheels]
    subprocess.run(words, check=True, capture_output=True)

    # Moved elsewhere, the environment no longer fits its place and is made anew: from a folder of wheels.
    moved = copy.rename(copy.with_name("moved"))
    code, _, err = finish(start(moved, "--version", **offline))
    assert (code, err.splitlines()[0]) == (2, "setting up .venv ...")
    there = ("--wheels", str(wheels), "--version")
    assert finish(start(moved, *there, **offline)) == (0, version, "setting up .venv ...\n")


def test_no_folder_of_wheels_is_one_line(copy: Path) -> None:
    code, out, err = finish(start(copy, "--wheels", "/nowhere", "--version"))
    assert (code, out) == (2, "")
    assert (
        err == 'liftlatch: --wheels /nowhere: there is no such folder; see "Without network" in README.md\n'
    )
    assert not (copy / ".venv").exists()


def test_a_set_up_leaves_the_folder_in_which_the_command_runs(tmp_path: Path) -> None:
    words = f"source '{ROOT}/bench/setup_env.sh'; install_key > /dev/null; pwd"
    done = subprocess.run(["bash", "-c", words], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout == f"{tmp_path}\n"
