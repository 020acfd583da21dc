"""How fast the reference and a whole replay are: `python -m bench.benchmarks.bench_reference`.

The inputs are a demo trace with its calibration. Each figure is the best of some turns, and the steps are
timed by what they take of the processor, so that other work on the machine disturbs less; the command is
timed by the clock. Exit code 1 when one is not as promised.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import numpy as np

from bench.calibration import CalibrationFile, load
from bench.replay.inputs import from_trace
from bench.replay.run import INPUT_TYPES, Ints, Reference, run
from bench.trace.read import read_trace
from controller import Controller

TURNS = 7
TICKS = 20_000
RPM = 9000  # on 8 cylinders: 600 events a second
COMMAND_S = 10.0

STEPS_PROMISED = 80_000
STEPS_WITH_EVENTS_PROMISED = 60_000
COMMAND_PROMISED_S = 2.0

TRACES = Path(__file__).parents[2] / "traces"


def main() -> None:
    """Print the figures; exit code 1 where one is not as promised."""
    calibration = load(TRACES / "demo.toml")
    trace = read_trace(TRACES / "high_wheelstand.csv")
    flight = from_trace(trace, calibration).arrays
    inputs = {name: np.resize(column, TICKS) for name, column in flight.items()}
    inputs["engine"] = np.full(TICKS, RPM, np.uint16)

    bare = _rate(lambda: _stepped(calibration, inputs, None))
    cylinders = _cylinders_due(calibration, inputs)
    with_events = _rate(lambda: _stepped(calibration, inputs, cylinders))
    kept = _rate(lambda: run("reference", calibration.image, inputs))
    with TemporaryDirectory() as folder:
        seconds = _command_time(Path(folder))

    tick_s = calibration.tick_us / 1e6
    kept_promise = True
    for text, rate, promised in (
        ("steps of the reference", bare, STEPS_PROMISED),
        (f"the same with events at {RPM} rpm, 8 cylinders", with_events, STEPS_WITH_EVENTS_PROMISED),
        ("the same with every output kept (replay)", kept, 0),
    ):
        at_least = f", at least {promised} promised" if promised else ""
        click.echo(f"{text}: {rate:,.0f} ticks/s, {rate * tick_s:.0f} times real time{at_least}")
        kept_promise &= rate >= promised
    click.echo(
        f"`liftlatch replay` of {COMMAND_S:g} s at 1 ms, with its picture: {seconds:.2f} s,"
        f" {COMMAND_S / seconds:.1f} times real time, at most {COMMAND_PROMISED_S:g} s promised"
    )
    sys.exit(0 if kept_promise and seconds <= COMMAND_PROMISED_S else 1)


def _rate(work: Callable[[], object]) -> float:
    """Ticks a second of the best turn."""
    best = float("inf")
    for _ in range(TURNS):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return TICKS / best


def _stepped(
    calibration: CalibrationFile, inputs: dict[str, Ints], cylinders: list[list[int]] | None
) -> Controller:
    """The bare loop of steps and, with `cylinders`, of the events due after each."""
    c = Controller()
    c.load(calibration.image)
    step, event = c.step, c.event
    rows = list(zip(*(inputs[name].tolist() for name in INPUT_TYPES), strict=True))
    if cylinders is None:
        for tick, row in enumerate(rows):
            step(tick & 0xFFFF, *row)
        return c
    for tick, row in enumerate(rows):
        step(tick & 0xFFFF, *row)
        for cylinder in cylinders[tick]:
            event(cylinder)
    return c


def _cylinders_due(calibration: CalibrationFile, inputs: dict[str, Ints]) -> list[list[int]]:
    made = Reference(calibration.image).run(inputs, 0, events=True)
    due: list[list[int]] = [[] for _ in range(TICKS)]
    for tick, cylinder in zip(made["event_tick"].tolist(), made["event_cylinder"].tolist(), strict=True):
        due[tick].append(cylinder)
    return due


def _command_time(folder: Path) -> float:
    """Seconds of the whole command on a trace of 10 s with a row each millisecond."""
    t = np.arange(round(COMMAND_S * 1000)) / 1000
    run_s = np.maximum(t - 1, 0)
    height = 130 + 250 * np.sin(np.pi * np.clip((run_s - 0.4) / 1.4, 0, 1)) ** 2
    table = np.stack([t, height, np.minimum(60 * run_s, 300), 5000 + 3000 * (run_s % 1)], axis=1)
    header = "Time [s],Height [mm],Speed [km/h],Engine speed [rpm]"
    np.savetxt(folder / "trace.csv", table, "%.3f", ",", header=header, comments="")
    program = "from bench.cli import main; main()"
    command = [sys.executable, "-c", program, "replay", str(folder / "trace.csv")]
    command += ["--calibration", str(TRACES / "demo.toml"), "--out", str(folder / "out")]
    best = float("inf")
    for _ in range(TURNS):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        best = min(best, time.perf_counter() - start)
    return best


if __name__ == "__main__":
    main()
