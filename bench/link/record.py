"""liftlatch record: what a running device streams, as a trace."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.cautions import CAUTIONS
from bench.facts import head, json_option, print_json
from bench.options import ANY_FILE, Number, Whole, baud_option

if TYPE_CHECKING:
    from bench.link.host import Host
    from bench.link.protocol import Greeting, Streamed

SUMMARY_VERSION = 1

_HEADER = (
    "Time,Height,Speed,Engine speed,Shaft speed,Armed,Launch,Request reduction,Request retard,Request reason,"
    "Device reduction,Device retard,Device reason,Device faults\n"
    "s,count,km/h,rpm,rpm,,,%,deg,,%,deg,,\n"
)


class Recording:
    """Collects streamed ticks in order, with the tick numbers carried on beyond their 16 bits."""

    def __init__(self) -> None:
        self.messages: list[tuple[int, Streamed]] = []
        self.lost = 0
        self._next_number: int | None = None
        self._tick = 0

    def add(self, streamed: Streamed) -> None:
        """Take in one message; a jump of its number counts as messages lost."""
        if self._next_number is None:
            self._tick = 0
        else:
            last = self.messages[-1][1].first
            self._tick += (streamed.first - last) & 0xFFFF
            self.lost += (streamed.number - self._next_number) & 0xFFFF
        self._next_number = streamed.number + 1
        self.messages.append((self._tick, streamed))

    @property
    def ticks(self) -> int:
        """Ticks received."""
        return sum(len(streamed.inputs) for _, streamed in self.messages)

    def as_csv(self, tick_us: int) -> str:
        """The ticks as a CSV trace; the speed's cell is empty where the device had none."""
        from bench.link.protocol import ARMED, LAUNCH, SPEED_VALID

        rows = [_HEADER]
        for first, streamed in self.messages:
            for i, (inputs, outputs) in enumerate(zip(streamed.inputs, streamed.outputs, strict=True)):
                microseconds = (first + i * streamed.every) * tick_us
                switches = int(inputs["switches"])
                cells = (
                    f"{microseconds // 1_000_000}.{microseconds % 1_000_000:06d}",
                    inputs["counts"],
                    f"{inputs['speed'] / 10:.1f}" if switches & SPEED_VALID else "",
                    inputs["engine"],
                    inputs["shaft"],
                    1 if switches & ARMED else 0,
                    1 if switches & LAUNCH else 0,
                    f"{inputs['request_reduction'] / 10:.1f}",
                    f"{inputs['request_retard'] / 10:.1f}",
                    inputs["request_reason"],
                    f"{outputs['reduction'] / 10:.1f}",
                    f"{outputs['retard'] / 10:.1f}",
                    outputs["reason"],
                    outputs["faults"],
                )
                rows.append(",".join(str(cell) for cell in cells) + "\n")
        return "".join(rows)


@click.command(epilog=CAUTIONS)
@click.argument("file", type=ANY_FILE)
@click.option("--port", required=True, metavar="PORT", help="Serial port of the device, as in verify.")
@baud_option
@click.option("--seconds", type=Number(0.1), metavar="S", help="Stop after this time.")
@click.option(
    "--quiet", type=Number(0.1, 60), default=2.0, show_default=True, metavar="S",
    help="Stop once the device has sent nothing for this long.",
)  # fmt: skip
@click.option(
    "--every", type=Whole(1, 1000), default=1, show_default=True, metavar="N",
    help="Each N-th tick only, for a slow line.",
)  # fmt: skip
@json_option
def record(
    file: Path, port: str, baud: int, seconds: float | None, quiet: float, every: int, as_json: bool
) -> None:
    """Save what a running device streams to FILE, a new CSV trace that replay reads.

    Ends by --seconds, by silence, or by Ctrl-C; what was recorded until then is kept.
    """
    from bench.files import demand_new, write_whole
    from bench.link.host import Host
    from bench.link.line import LinkError
    from bench.link.ports import SerialLine
    from bench.link.protocol import OLDER_TEXT, Kind, pack_stream

    demand_new(file)
    host = Host(SerialLine(port, baud))
    greeting = host.hello()
    if greeting.tick_us == 0:
        raise LinkError("the device runs no calibration", port, "load one, for example by `liftlatch verify`")
    if greeting.older:
        click.echo(f"liftlatch: {OLDER_TEXT}", err=True)
    recording = Recording()
    host.ask(Kind.STREAM, pack_stream(every))
    stopped = False
    try:
        _listen(host, recording, seconds, quiet)
    except KeyboardInterrupt:
        stopped = True
    except LinkError as error:
        if not recording.messages:
            raise
        click.echo(f"liftlatch: {error}", err=True)
    if not recording.messages:
        raise LinkError("the device streamed nothing", port, "check that its firmware streams")
    write_whole(file, recording.as_csv(greeting.tick_us))
    _say(file, recording, greeting, every, as_json)
    if stopped:
        raise KeyboardInterrupt
    try:
        host.ask(Kind.STREAM, pack_stream(0))
    except LinkError:
        return  # what was recorded is complete
    finally:
        host.line.close()


def _say(file: Path, recording: Recording, greeting: Greeting, every: int, as_json: bool) -> None:
    from bench.console import make_console, print_text
    from bench.trace.text import shown_path

    if as_json:
        print_json({
            **head(SUMMARY_VERSION),
            "file": str(file),
            "firmware": greeting.firmware,
            "image_crc32": f"{greeting.image_crc:08x}",
            "older_calibration": greeting.older,
            "ticks": recording.ticks,
            "tick_us": greeting.tick_us,
            "every": every,
            "lost_messages": recording.lost,
        })  # fmt: skip
        return
    text = f"{shown_path(file)}: {recording.ticks} ticks of {greeting.tick_us} µs"
    if recording.lost:
        text += f"; {recording.lost} messages were lost on the way and are gaps now"
    print_text(make_console(), text, rest="  ")


def _listen(host: Host, recording: Recording, seconds: float | None, quiet: float) -> None:
    end = None if seconds is None else host.line.now() + seconds
    while True:
        left = quiet if end is None else min(quiet, end - host.line.now())
        if left <= 0:
            return
        streamed = host.listen(left)
        if streamed is None:
            return
        recording.add(streamed)
