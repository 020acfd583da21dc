"""The benchmark of the core measures what it says: every contestant does the same job."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bench.benchmarks.bench_core import Bench, demo_inputs
from bench.benchmarks.float_script import run_script
from bench.calibration.image import unpack
from bench.twin.compare import run_reference
from firmware_model import binding
from tests.tools import need, need_core


@pytest.mark.slow
def test_every_contestant_does_the_same_job(tmp_path: Path) -> None:
    need("gcc")
    need_core()
    calibration, columns = demo_inputs(60_000)
    bench = Bench(calibration, columns, tmp_path)
    assert bench.bare() > 0  # it checks the digest itself
    assert bench.batch() > 0
    expected = run_reference(calibration.image, columns)
    assert np.array_equal(binding.run(calibration.image, columns)["reduction"], expected["reduction"])
    # The script is no more than like it: floats, and fewer rules.
    reduction, retard = run_script(unpack(calibration.image), columns)
    assert np.corrcoef(reduction, expected["reduction"])[0, 1] > 0.9
    assert np.corrcoef(retard, expected["retard"])[0, 1] > 0.8
