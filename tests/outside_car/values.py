"""How many true values the intervals of a fit hold, for outside cars drawn anew.

    python -m tests.outside_car --values SEED...    # a car of each kind and seed; a minute each

None of the cars that constants of bench.fit.spread were chosen by is among them.
"""

from __future__ import annotations

from pathlib import Path

from bench.calibration import load
from bench.fit.facts import Fit, holds
from bench.fit.fit import Z80, Z95, fit
from bench.fit.measured import measure
from bench.trace.read import read_trace
from bench.vehicle.vehicle_file import read
from tests import ROOT
from tests.outside_car.car import OutsideCar
from tests.outside_car.kinds import drawn
from tests.outside_car.log import log_text
from tests.outside_car.tape import truth, vehicle_text

_ENOUGH_M = 130.0  # for the seconds that a fit looks at


def held(kind: str, seed: int, folder: Path) -> tuple[int, int, int, bool]:
    """Of a car fitted to a run with traces/demo.toml and one without control: how many true values the
    intervals of 80 and of 95 % hold, of how many; whether the fit says that it describes its runs."""
    p, demo = drawn(kind, seed), load(ROOT / "traces" / "demo.toml")
    vehicle = read(vehicle_text(p, seed), Path(f"{kind}.toml"))
    runs = []
    for number, controlled in ((11, True), (12, False)):
        path = folder / f"{kind}-{number}.csv"
        columns = OutsideCar(p, number).drive(demo, controlled, _ENOUGH_M).columns
        path.write_text(log_text(columns, number))
        runs.append(measure(read_trace(path), vehicle.car, None))
    found = fit(vehicle.car, runs, frozenset())
    real = truth(p)
    known = [e for e in found.estimates if e.verdict in ("known", "weak") and real.get(e.name)]
    in_80, in_95 = (sum(a <= real[e.name] <= b for e in known for a, b in [e.within(z)]) for z in (Z80, Z95))
    return in_80, in_95, len(known), holds(Fit(vehicle, runs, [None, None], frozenset(), found))
