"""The extension is built on install, and installing works without a compiler; a missing core is told."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import zipfile
from pathlib import Path

import numpy as np
import pytest

from bench.replay import run as replay_run
from firmware_model import binding
from firmware_model.core_sources import HERE, source_files
from tests import ROOT
from tests.support import values
from tests.tools import need_core


def test_the_names_and_types_are_those_of_a_replay() -> None:
    assert binding.INPUT_TYPES == replay_run.INPUT_TYPES
    assert dict(sorted(binding.OUTPUT_TYPES.items())) == dict(sorted(replay_run.OUTPUT_TYPES.items()))
    assert binding.Outputs._fields == tuple(binding.OUTPUT_TYPES)


def test_no_extension_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(binding, "_core", None)
    binding.available.cache_clear()
    try:
        reason = binding.available()
        assert reason is not None
        assert reason.startswith(
            "the C core is not built; install a C compiler (apt-get"
        )
        assert "\n" not in reason
        with pytest.raises(RuntimeError, match="the C core is not built"):
            binding.Core()
    finally:
        binding.available.cache_clear()


def test_an_extension_of_other_sources_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    need_core()
    monkeypatch.setattr(binding, "source_digest", lambda: "0" * 64)
    binding.available.cache_clear()
    try:
        reason = binding.available()
        assert reason is not None
        assert reason.startswith("the C core was built from other sources than those here; then set up again")
        with pytest.raises(RuntimeError):
            binding.Core()
    finally:
        binding.available.cache_clear()


def test_the_sources_are_all_watched() -> None:
    names = {path.relative_to(HERE).as_posix() for path in source_files()}
    assert {"core/step.c", "core/liftlatch.h", "batch.c", "core_all.c"} <= names
    joined = (HERE / "core_all.c").read_text()
    for name in names:
        assert name.endswith(".h") or name == "core_all.c" or f'#include "{name}"' in joined


def test_other_threads_run_during_a_batch() -> None:
    need_core()
    from bench.calibration.image import pack

    image = pack(values())
    inputs = dict.fromkeys(binding.INPUT_TYPES, 0) | {"counts": np.full(3_000_000, 1000, dtype=np.uint16)}
    counted = 0
    batch = threading.Thread(target=lambda: binding.run(image, inputs))
    batch.start()
    while batch.is_alive():
        counted += 1
        batch.join(0.001)
    # With the interpreter locked for the whole call, this thread would have come round a few times at most.
    assert counted > 20


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    folder = tmp_path / "copy"
    ignored = shutil.ignore_patterns("__pycache__", "*.so", "*.o")
    for name in ("bench", "controller", "firmware_model"):
        shutil.copytree(ROOT / name, folder / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / name)
    return folder


def build_wheel(folder: Path, **environment: str) -> set[str]:
    """Build a wheel as an installer does; the names of its files."""
    program = "from bench import build_backend; print(build_backend.build_wheel('made'))"
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=folder,
        env={**os.environ, **environment, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(folder / "made" / done.stdout.splitlines()[-1]) as wheel:
        return set(wheel.namelist())


@pytest.mark.slow
def test_without_a_compiler_the_rest_is_installed(copy: Path) -> None:
    """And the C sources with it, for a porter and for what tells a stale core."""
    names = build_wheel(copy, CC="/nowhere/cc")
    assert not any(name.startswith("firmware_model/_core.") for name in names)
    assert "firmware_model/binding.py" in names
    assert {f"firmware_model/{path.relative_to(HERE).as_posix()}" for path in source_files()} <= names
    # what only this project's developers use stays at home
    at_home = ("bench/readme/", "bench/benchmarks/", "tests/", "bench/page/src/")
    assert [name for name in names if name.startswith(at_home)] == []
