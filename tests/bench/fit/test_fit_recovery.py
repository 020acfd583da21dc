"""Known cars found again from one noisy run, and what the fitted cars predict."""

from __future__ import annotations

import numpy as np
import pytest

from bench.calibration import load as load_calibration
from bench.fit.fit import Z80, fit
from bench.fit.measured import measure
from bench.fit.residuals import value_of
from bench.trace.read import read_trace
from tests.fit_support import car_off_by, peak_mm, record
from tests.vehicle_support import CALIBRATION_PATH, NOT_BUILT, demo

pytestmark = pytest.mark.skipif(NOT_BUILT is not None, reason=str(NOT_BUILT))

CASES = 10


@pytest.mark.slow
def test_the_next_peak_and_the_intervals_over_known_cars(tmp_path):
    """All parameters off by 5 %, the mass, the delay and the efficiency as well, which no fit changes."""
    calibration = load_calibration(CALIBRATION_PATH)
    missed, unfitted, covered = [], [], []
    for seed in range(100, 100 + CASES):
        # a wrong mass or efficiency scales what is found, so every other case has them right to look at the
        # intervals
        true = car_off_by(0.05, seed, *(("mass", "delay", "efficiency") if seed % 2 else ()))
        run = measure(read_trace(record(tmp_path / f"{seed}.csv", true, 4.0, seed)), demo().car, calibration)
        found = fit(demo().car, [run], frozenset())
        missed.append(abs(peak_mm(found.car) - peak_mm(true)))
        unfitted.append(abs(peak_mm(demo().car) - peak_mm(true)))
        if seed % 2 == 0:
            for t in found.estimates:
                if t.verdict in ("known", "weak"):
                    low, high = t.within(Z80)
                    covered.append(low <= value_of(true, t.name) <= high)
    assert np.median(missed) < 15, missed
    assert np.median(missed) < np.median(unfitted) / 3, (missed, unfitted)
    # 80 % intervals of some 150 values, those of one car not independent
    assert np.mean(covered) > 0.7
