"""The fuzz targets: what they once found stays mended, planted mistakes are found, a minute finds none."""

from __future__ import annotations

import importlib
import importlib.util
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from firmware_model.core_sources import HERE as FIRMWARE
from tests import ROOT
from tests.fuzz import FOUND, SEEDS
from tests.fuzz.targets import TARGETS
from tests.tools import need

IN_C = [name for name, target in TARGETS.items() if target.flags is not None]
IN_PYTHON = [name for name in TARGETS if name not in IN_C]
INPUTS = [
    pytest.param(name, path, id=f"{name}-{path.name}")
    for name in IN_PYTHON
    for folder in (SEEDS, FOUND)
    for path in sorted((folder / name).glob("*"))
]


@pytest.mark.parametrize(("name", "path"), INPUTS)
def test_seeds_and_found_cases_pass(name: str, path: Path) -> None:
    importlib.import_module(f"tests.fuzz.{name}_target").one_input(path.read_bytes())


def _need(name: str) -> None:
    if name in IN_C or name == "link":
        need("clang -fsanitize=address,undefined")
    if name in IN_PYTHON and importlib.util.find_spec("atheris") is None:
        pytest.skip("needs atheris, which this Python has no package of")


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_a_minute_of_fuzzing(name: str, tmp_path: Path) -> None:
    """In CI from the same dice each time: what a search there finds, it finds here."""
    _need(name)
    given = [folder / name for folder in (SEEDS, FOUND) if (folder / name).is_dir()]
    options = ["-max_total_time=60", "-timeout=20", "-rss_limit_mb=2048", f"-max_len={TARGETS[name].longest}"]
    options += ["-seed=1"] if os.environ.get("CI") else []
    (tmp_path / "inputs").mkdir()
    done = subprocess.run(
        [*TARGETS[name].command(), *options, f"-artifact_prefix={tmp_path}/", tmp_path / "inputs", *given],
        cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": "0"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-4000:]
    runs = re.search(r"Done (\d+) runs", done.stderr)
    assert runs, done.stderr[-4000:]
    assert int(runs[1]) > 1000


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "source", "right", "wrong"),
    [
        ("frame", "link/frame.c", "d->count < LIFT_STUFFED_BYTES", "d->count <= LIFT_STUFFED_BYTES"),
        ("frame", "link/link.c", "offset + count - 2 > LIFT_IMAGE_BYTES", "offset > LIFT_IMAGE_BYTES"),
        ("image", "core/image.c", "length != LIFT_IMAGE_BYTES) {", "0) {"),
        ("image", "core/image.c", "c->near_end < high - low &&", ""),
        ("step", "core/latch.c", "lift_max(l->ramp >> 16, demand);", "l->ramp >> 16;"),
        ("step", "core/step.c", "ll->keep_left -= 1;", "ll->keep_left -= 2;"),
    ],
    ids=str,
)
def test_a_planted_mistake_is_found(name: str, source: str, right: str, wrong: str, tmp_path: Path) -> None:
    _need(name)
    firmware = tmp_path / "firmware"
    for part in ("core", "link"):
        shutil.copytree(FIRMWARE / part, firmware / part)
    text = (firmware / source).read_text()
    assert right in text
    (firmware / source).write_text(text.replace(right, wrong))
    command = TARGETS[name].command(firmware)
    options = ["-seed=1", "-runs=30000", f"-max_len={TARGETS[name].longest}", f"-artifact_prefix={tmp_path}/"]
    try:
        (tmp_path / "inputs").mkdir()
        done = subprocess.run(
            [*command, *options, tmp_path / "inputs", SEEDS / name],
            capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
    finally:
        Path(command[0]).unlink()
    assert done.returncode != 0
    assert re.search(r"broken: |runtime error: |AddressSanitizer", done.stderr)
