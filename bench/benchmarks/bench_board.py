"""How fast the emulated board is: python -m bench.benchmarks.bench_board

The demo trace with as many ticks in a frame as fit: ticks a second of the wall clock, how many times real
time that is, and the processor time of the emulator for a tick, which a busy machine changes less.
"""

from __future__ import annotations

from pathlib import Path

import click

from bench.benchmarks.bench_link import prepared
from bench.calibration import load
from bench.device.emulated import emulated_board
from bench.link.host import Host
from bench.link.ports import SerialLine
from bench.link.reading import Reading
from bench.link.target import RemoteTarget
from bench.verify.compare import Options, compare
from bench.verify.source import TraceSource

WINDOWS = (1, 8)


@click.command()
@click.argument("trace", default="traces/clean_launch.csv", type=click.Path(path_type=Path))
@click.option("--calibration", default="traces/demo.toml", show_default=True)
def main(trace: Path, calibration: str) -> None:
    """Measure and print."""
    cal = load(calibration)
    _, _, inputs = Reading().inputs(trace, cal)
    with emulated_board() as board:
        target = RemoteTarget(Host(SerialLine(board.port)))
        target.load(cal.image)
        for window in WINDOWS:
            options = Options(window)
            steps, digest = prepared(cal.image, inputs, target.greeting.largest, options)
            begun, used = target.host.line.now(), board.cpu_s()
            tally = compare(target, iter(steps), TraceSource(inputs), digest, options)
            assert tally.error is None
            assert tally.difference is None
            seconds, used = target.host.line.now() - begun, board.cpu_s() - used
            real = len(inputs) * cal.tick_us / 1e6
            click.echo(
                f"window {window}: {len(inputs) / seconds:.0f} ticks/s, {real / seconds:.1f} times real time;"
                f" {1e3 * used / len(inputs):.3f} ms of processor time for a tick of {cal.tick_us / 1e3:g} ms"
            )
        target.host.line.close()


if __name__ == "__main__":
    main()
