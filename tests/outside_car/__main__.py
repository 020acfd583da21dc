"""Drives each kind of outside car without control and with each of some calibrations, and writes what it did.

python -m tests.outside_car --write CALIBRATION...    # minutes; keeps tests/outside_car/truth.csv
python -m tests.outside_car --table [KIND...]         # how far to trust fit and prediction: table.py
python -m tests.outside_car --values SEED...          # do the intervals of values hold? values.py
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from bench.calibration import load
from tests import ROOT
from tests.outside_car.car import OutsideCar, Run
from tests.outside_car.kinds import KINDS

TRUTH = Path(__file__).with_name("truth.csv")
CALIBRATIONS = ("demo", "plain")
HEAD = "kind,calibration,peak_lift_mm,landing_m_per_s,bar_n,flights,time_60_ft_s,time_330_ft_s,time_660_ft_s"


def drive(kind: str, name: str) -> Run:
    """One run of a kind; `name` is a calibration of traces/, or "off"."""
    calibration = load(ROOT / "traces" / f"{'demo' if name == 'off' else name}.toml")
    return OutsideCar(KINDS[kind]).drive(calibration, controlled=name != "off")


def row(kind: str, name: str) -> str:
    """One line of the table."""
    run = drive(kind, name)
    landing = "" if run.landing is None else f"{run.landing:.2f}"
    times = ",".join(f"{run.time[feet]:.3f}" if feet in run.time else "" for feet in (60, 330, 660))
    return f"{kind},{name},{1000 * run.peak_lift:.0f},{landing},{run.bar:.0f},{run.flights},{times}"


def _values(seeds: list[int]) -> None:
    """For each kind and seed, and in all."""
    from tests.outside_car.values import held

    whole = [0, 0, 0]
    for seed, kind in itertools.product(seeds, KINDS):
        with tempfile.TemporaryDirectory() as folder:
            *found, describes = held(kind, seed, Path(folder))
        whole = [a + b for a, b in zip(whole, found, strict=True)]
        print(f"{kind} {seed}: {found[0]} and {found[1]} of {found[2]}; describes {describes}", flush=True)
    print(f"all: {whole[0]} (80 %) and {whole[1]} (95 %) of {whole[2]}")


def main() -> None:
    """The table on standard output, and with --write in the file."""
    if "--values" in sys.argv:
        _values([int(word) for word in sys.argv[1:] if not word.startswith("-")])
        return
    if "--table" in sys.argv:
        from tests.outside_car.table import write

        print(write([word for word in sys.argv[1:] if not word.startswith("-")]), end="")
        return
    words = [word for word in sys.argv[1:] if not word.startswith("-")]
    names = ["off", *(words or CALIBRATIONS)]
    jobs = [(kind, name) for kind in KINDS for name in names]
    with ProcessPoolExecutor() as pool:
        rows = list(pool.map(row, *zip(*jobs, strict=True)))
    text = "\n".join([HEAD, *rows]) + "\n"
    print(text, end="")
    if "--write" in sys.argv:
        TRUTH.write_text(text)


if __name__ == "__main__":
    main()
