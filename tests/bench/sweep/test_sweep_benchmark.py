"""The benchmark of sweeps measures what it says: its trace of an hour holds the inputs that it sweeps."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bench.benchmarks.bench_core import demo_inputs
from bench.benchmarks.bench_sweep import write_trace
from bench.replay.inputs import from_trace
from bench.trace.read import read_trace
from firmware_model.binding import INPUT_TYPES


def test_its_trace_holds_its_inputs(tmp_path: Path) -> None:
    calibration, columns = demo_inputs(30_000)
    write_trace(tmp_path / "hour.csv", calibration, columns)
    inputs = from_trace(read_trace(tmp_path / "hour.csv"), calibration)
    assert (inputs.n, inputs.lead) == (30_000, 0)
    for name in set(INPUT_TYPES) - {"armed", "launch", "speed_valid"}:
        if not name.startswith("request_"):
            np.testing.assert_array_equal(inputs.arrays[name], columns[name], name)
    assert np.array_equal(inputs.arrays["armed"], columns["armed"])
    assert np.array_equal(inputs.arrays["launch"], columns["launch"])
