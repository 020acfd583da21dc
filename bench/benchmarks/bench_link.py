"""How fast steps go over a line: python -m bench.benchmarks.bench_link

Two parts. A line throttled to the byte times of a baud rate (8N1: ten bit times a byte) in virtual time, with
a device that needs no time of its own: how much of what the line allows for its frames the bench uses. And
the device model with the C core as a process on a pseudo-terminal, in real time: ticks a second.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass

import click
import numpy as np

from bench.calibration import load
from bench.device.behaviour import Behaviour
from bench.device.simulated import Device, Facts
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.ports import SerialLine
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records
from bench.link.target import LocalTarget, RemoteTarget
from bench.verify.compare import Options, compare, plan
from bench.verify.judge import Step
from bench.verify.source import TraceSource
from controller import Controller

BAUDS = (115200, 921600)
WINDOWS = (1, 4, 8)


@dataclass(frozen=True)
class LineRun:
    """One run. `allowed` is the greatest rate that the line's byte times allow for the answers' frames; both
    in ticks a second."""

    baud: int
    window: int
    ticks: int
    ticks_a_frame: float
    frame_bytes: float
    rate: float
    allowed: float


def inputs_of(ticks: int) -> Records:
    """A car at rest height with the engine at 6000 rpm, launched after 100 ticks."""
    inputs = np.zeros(ticks, INPUT)
    inputs["counts"] = 1063
    inputs["engine"] = 6000
    inputs["switches"] = SPEED_VALID | ARMED | LAUNCH
    inputs["switches"][:100] = SPEED_VALID | ARMED
    inputs["events"] = np.diff(np.arange(ticks) * 2 // 5, prepend=0)
    return inputs


def prepared(image: bytes, inputs: Records, largest: int, options: Options) -> tuple[list[Step | None], int]:
    """The steps of a run and the digest that it starts with."""
    reference = LocalTarget(Controller())
    reference.load(image)
    digest = reference.start()
    return list(plan(TraceSource(inputs), reference, largest, options)), digest


def throttled(image: bytes, baud: int, window: int, largest: int, ticks: int) -> LineRun:
    """One run over a line in memory with the byte times of a baud rate, in virtual time."""
    line = MemoryLine(Behaviour(Device(Controller, Facts(largest, max(window, 1)))), baud)
    target = RemoteTarget(Host(line, 7))
    target.load(image)
    inputs = inputs_of(ticks)
    options = Options(window)
    steps, digest = prepared(image, inputs, largest, options)
    begun, received = line.now(), line.bytes_in
    tally = compare(target, iter(steps), TraceSource(inputs), digest, options)
    assert tally.error is None
    assert tally.ticks == ticks
    seconds, received = line.now() - begun, line.bytes_in - received
    return LineRun(
        baud,
        window,
        ticks,
        ticks / len(steps),
        received / len(steps),
        ticks / seconds,
        ticks / (received * 10 / baud),
    )


def over_a_terminal(image: bytes, window: int, ticks: int) -> float:
    """Ticks a second with the C core as a process on a pseudo-terminal."""
    program = "from bench.cli import main; main()"
    command = [sys.executable, "-c", program, "device", "--core", "c"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        port = process.stdout.readline().removeprefix("device on ").strip()
        target = RemoteTarget(Host(SerialLine(port)))
        target.load(image)
        inputs = inputs_of(ticks)
        options = Options(window)
        steps, digest = prepared(image, inputs, target.greeting.largest, options)
        begun = target.host.line.now()
        tally = compare(target, iter(steps), TraceSource(inputs), digest, options)
        seconds = target.host.line.now() - begun
        assert tally.error is None
        assert tally.ticks == ticks
        target.host.line.close()
        return ticks / seconds
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@click.command()
@click.option("--calibration", default="traces/demo.toml", show_default=True)
@click.option("--largest", default=1024, show_default=True, help="Bytes of the largest payload.")
def main(calibration: str, largest: int) -> None:
    """Measure and print."""
    image = load(calibration).image
    click.echo("throttled line, virtual time; the limit: baud / 10 bytes a second of answers (8N1)")
    for baud in BAUDS:
        for window in WINDOWS:
            m = throttled(image, baud, window, largest, 10_000)
            click.echo(
                f"  {baud:7d} baud, window {window}: {m.rate:7.0f} ticks/s of {m.allowed:7.0f}"
                f" = {100 * m.rate / m.allowed:5.1f} %  ({m.ticks_a_frame:.1f} ticks,"
                f" {m.frame_bytes:.0f} bytes of answer a frame)"
            )
    click.echo("pseudo-terminal, device with the C core as a process, real time")
    for window in WINDOWS:
        rate = over_a_terminal(image, window, 100_000)
        click.echo(f"  window {window}: {rate:7.0f} ticks/s")


if __name__ == "__main__":
    main()
