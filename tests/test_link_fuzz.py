"""The decoder under a coverage-guided fuzzer. Ten minutes of it:

python -m tests.fuzz_link_decoder -max_total_time=600
"""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests import ROOT


@pytest.mark.slow
def test_a_minute_of_fuzzing(tmp_path: Path) -> None:
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("needs atheris, which this Python has no package of")
    limits = ["-max_total_time=60", f"-artifact_prefix={tmp_path}/"]
    command = [sys.executable, "-m", "tests.fuzz_link_decoder", *limits]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-4000:]
    runs = re.search(r"Done (\d+) runs", done.stderr)
    assert runs, done.stderr[-4000:]
    assert int(runs[1]) > 1000
