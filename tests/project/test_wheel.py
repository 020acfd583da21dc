"""A wheel works outside the checkout, with its compiled sides and what the demo begins with."""

from __future__ import annotations

import itertools
import signal
import subprocess
import sys
import sysconfig
import urllib.request
import venv
from pathlib import Path

import pytest

from tests import ROOT
from tests.bench.start.test_start import ANSWERS
from tests.tools import run

SIDES = "import firmware_model.binding as b, firmware_model.probe.box as p, bench.vehicle.compiled as c"


@pytest.mark.slow
def test_the_linux_wheel_in_a_fresh_environment(tmp_path: Path) -> None:
    """No compiler is asked for, and no network; the libraries that it needs are those of this environment."""
    run(sys.executable, "-m", "tests.wheels", tmp_path / "wheels", "manylinux2014_x86_64")
    venv.create(tmp_path / "venv", with_pip=True)
    python = tmp_path / "venv" / "bin" / "python"
    (wheel,) = (tmp_path / "wheels").glob("*.whl")
    run(python, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", wheel)
    libraries = sysconfig.get_path("purelib")
    own = run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").stdout.strip()
    Path(own, "others.pth").write_text(libraries + "\n")  # after its own, and without the .pth files there
    told = f"{SIDES}; print(b.__file__, b.available(), p.available(), c.available())"
    words = (python, "-I", "-c", told)
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.split() == [f"{own}/firmware_model/binding.py", "None", "None", "None"]
    (tmp_path / "demo").mkdir()
    liftlatch = (python, "-I", "-c", "from bench.cli import main; main()")
    run(*liftlatch, "demo", tmp_path / "demo")
    trace = "clean_launch.csv"
    assert (tmp_path / "demo" / trace).read_bytes() == (ROOT / "traces" / trace).read_bytes()
    assert Path(own, "traces", trace).read_bytes() == (ROOT / "traces" / trace).read_bytes()
    answers = [(f"--{name.replace('_', '-')}", text) for name, text in ANSWERS.items()]
    run(*liftlatch, "start", tmp_path / "car", *itertools.chain(*answers))
    run(*liftlatch, "calibration", "check", tmp_path / "car" / "calibration.toml")
    assert "<title>" in _page_of_the_desk(*liftlatch, "desk")


def _page_of_the_desk(*words: str | Path) -> str:
    """The page at the address that a desk prints."""
    desk = subprocess.Popen([str(word) for word in words], stdout=subprocess.PIPE, text=True)
    assert desk.stdout is not None
    try:
        address = desk.stdout.readline().split(" at ")[1].strip()
        with urllib.request.urlopen(address, timeout=30) as answer:
            return str(answer.read().decode())
    finally:
        desk.send_signal(signal.SIGTERM)
        desk.communicate(timeout=30)
