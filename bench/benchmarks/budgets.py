"""What the firmware costs on the emulated board: `python -m bench.benchmarks.budgets`.

Sizes are those of the compiler's own tools; stack is its call graph, and paint found overwritten at run time;
times are instructions, which the emulated board counts exactly. The committed table is
firmware_model/board/budgets.md, and the costliest tick that a search has found lies beside it.
"""

from __future__ import annotations

import base64
import json
import random
import re
import subprocess
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import numpy as np

from bench.calibration import load
from bench.calibration.image import Values, pack
from bench.device.emulated import INSTRUCTION_NS, emulated_board
from bench.files import write_whole
from bench.link.host import Host
from bench.link.ports import SerialLine
from bench.link.protocol import INPUT, Records, Status
from bench.link.reading import Reading
from bench.link.target import RemoteTarget
from bench.verify.compare import FIRST_TICK
from controller import Calibration, read
from controller.image import FIELDS
from firmware_model import size
from firmware_model.board import build

TABLE = build.BOARD / "budgets.md"
WORST = build.BOARD / "worst_tick.json"
TRACES = Path(__file__).resolve().parents[2] / "traces"

_HEAD = """# What the firmware costs

Bytes, and instructions of the core. Compiled with {compiler}, `-O2`. Instructions are counted by the
emulated board: its clock advances by {ns} ns for each, and the firmware reads it before and after
`lift_step` with `lift_outputs`, and before and after `lift_event` with `lift_spark`. The search started
from a calibration with every curve, axis and filter at its largest. Stack is the compiler's call graph,
without what its library needs for a division on a Cortex-M0+; what the painted stack shows at run time is
no more. Written by `python -m bench.benchmarks.budgets --write`; a test fails when a number grows.

"""
_COLUMNS = ("what", "Cortex-M3", "Cortex-M0+", "must stay below")


@dataclass(frozen=True)
class Row:
    """One line of the table: values for Cortex-M3 and M0+ (None: not measured), and what they must stay
    below."""

    what: str
    m3: int
    m0: int | None = None
    limit: int | None = None

    @property
    def text(self) -> str:
        """The line as Markdown."""
        cells = ("–" if cell is None else f"{cell}" for cell in (self.m3, self.m0, self.limit))
        return f"| {self.what} | {' | '.join(cells)} |"


_BOARDS_HEAD = """
## The emulated boards

Bytes of flash, of RAM without stack and kept image, the most stack seen, and the instructions of the worst
tick over all demo traces. The nRF51 has frames of 512 bytes and a window of 2.

"""
_BOARD_COLUMNS = ("board", "processor", "flash", "RAM", "stack", "worst tick")


@dataclass(frozen=True)
class BoardRow:
    """What one emulated board costs."""

    board: str
    processor: str
    flash: int
    ram: int
    stack: int
    tick: int

    @property
    def text(self) -> str:
        """The line as Markdown."""
        cells = (self.board, self.processor, self.flash, self.ram, self.stack, self.tick)
        return f"| {' | '.join(map(str, cells))} |"


def parse_boards(text: str) -> list[BoardRow]:
    """The rows of the boards' table as it is committed."""
    rows = []
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == len(_BOARD_COLUMNS) and cells[2].isdigit():
            rows.append(BoardRow(cells[0], cells[1], *map(int, cells[2:])))
    return rows


def board_sizes(name: str) -> tuple[int, int]:
    """(flash, RAM) of a board's firmware, by the compiler's own tools."""
    board = build.BOARDS[name]
    tool = board.compiler.removesuffix("gcc")
    listed = _said(f"{tool}size", "-A", str(build.build(board=name)))
    found = dict(re.findall(r"^\.(text|bss)\s+(\d+)", listed, re.MULTILINE))
    return int(found["text"]), int(found["bss"])


def board_row(name: str, said: Callable[[str], None] = lambda text: None) -> BoardRow:
    """What a board costs: its sizes, and what it tells after all demo traces."""
    with conversation(board=name) as target:
        for path in sorted(TRACES.glob("*.csv")):
            said(f"{name}: {path.name}")
            front = path.stem == "front_wheel_speed"
            calibration = load(TRACES / ("demo_front_wheel.toml" if front else "demo.toml"))
            run(target, calibration.image, Reading().inputs(path, calibration)[2])
        status: Status = target.status()
    flash, ram = board_sizes(name)
    processor = build.BOARDS[name].processor
    return BoardRow(name, processor, flash, ram, status.stack_bytes, _instructions(status.worst_tick_ns))


def parse(text: str) -> list[Row]:
    """The rows of a table as it is committed."""
    rows = []
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == len(_COLUMNS) and cells[1].isdigit():
            numbers = [None if cell == "–" else int(cell) for cell in cells[1:]]
            rows.append(Row(cells[0], numbers[0] or 0, numbers[1], numbers[2]))
    return rows


def render(rows: list[Row], boards: list[BoardRow]) -> str:
    """The table with what is said above it."""
    compiler = _said(build.COMPILER, "--version").splitlines()[0]
    head = _HEAD.format(compiler=compiler, ns=INSTRUCTION_NS)
    columns = [f"| {' | '.join(_COLUMNS)} |", "|---|---:|---:|---:|"]
    table = head + "\n".join([*columns, *(row.text for row in rows)]) + "\n"
    lines = [
        f"| {' | '.join(_BOARD_COLUMNS)} |",
        "|---|---|---:|---:|---:|---:|",
        *(row.text for row in boards),
    ]
    return table + _BOARDS_HEAD + "\n".join(lines) + "\n"


def _said(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@dataclass(frozen=True)
class _Sizes:
    code: int
    constants: int
    stack: dict[str, int]
    deepest: int
    controller: int
    link: int
    flash: int
    ram: int


def sizes() -> list[Row]:
    """What the compiler and its tools say."""
    m3, m0 = (_sizes(cpu) for cpu in build.CPUS)
    return [
        Row("core: code and constants", m3.code, m0.code, 12 * 1024),
        Row("core: constants of these", m3.constants, m0.constants),
        Row("core: state", m3.controller, m0.controller, 1024),
        Row("core: deepest stack of a tick", m3.stack["lift_step"], m0.stack["lift_step"], 512),
        Row("core: deepest stack of an event", m3.stack["lift_event"], m0.stack["lift_event"], 512),
        Row("link: state, frames of 1024 bytes, window of 8", m3.link, m0.link),
        Row("firmware: flash", m3.flash, m0.flash),
        Row("firmware: RAM without stack and kept image", m3.ram, m0.ram),
        Row("firmware: deepest stack, interrupts on top", m3.deepest, m0.deepest, 512),
    ]


def _sizes(cpu: str) -> _Sizes:
    tool = build.COMPILER.removesuffix("gcc")
    graph: list[str] = []
    code = constants = 0
    with TemporaryDirectory(prefix="liftlatch-size-") as folder:
        for made in build.compile_files(Path(folder), cpu, "-fcallgraph-info=su"):
            # Functions of one file alone are named with their file there; their names differ here anyway.
            text = made.with_suffix(".ci").read_text()
            graph += re.sub(r'"[^" ]*:(\w+)[.\w]*"', r'"\1"', text).splitlines()
            if made.name.startswith("core-"):
                listed = _said(f"{tool}size", "-A", str(made))
                code += sum(map(int, re.findall(r"^\.text\S*\s+(\d+)", listed, re.MULTILINE)))
                constants += sum(map(int, re.findall(r"^\.rodata\S*\s+(\d+)", listed, re.MULTILINE)))
    frames, calls = size.read_graph(graph)
    firmware = str(build.build(cpu=cpu))
    sections = dict(re.findall(r"^\.(text|bss)\s+(\d+)", _said(f"{tool}size", "-A", firmware), re.MULTILINE))
    symbols = _said(f"{tool}nm", "-S", firmware)
    held = {
        name: int(bytes_, 16) for bytes_, name in re.findall(r" (\w+) [bB] (\w+)$", symbols, re.MULTILINE)
    }
    return _Sizes(
        code + constants,
        constants,
        size.deepest(frames, calls, ["lift_step", "lift_event"]),
        _deepest(frames, calls),
        held["board_controller"],
        held["link"],
        int(sections["text"]),
        int(sections["bss"]),
    )


# What is called through pointers; an interrupt pushes 8 words; from the first to the second of these the
# interrupts are locked.
_THROUGH_POINTERS = {
    "lift_frame_send": {"uart_write"},
    "event": {"timer_begin", "timer_end"},
    "lift_link_receive": {
        "keep",
        "timer_begin",
        "timer_end",
        "board_stack_bytes",
        "board_lock",
        "board_unlock",
    },
    "lift_store_write": {"erase", "write"},
}
_INTERRUPT_BYTES = 32
_LOCKED = {"lift_step", "lift_outputs", "lift_event", "lift_spark"}


def _deepest(frames: dict[str, int], calls: dict[str, set[str]]) -> int:
    """The deepest stack of a whole firmware by its call graph, with an interrupt where one can come."""
    calls = dict(calls)
    for caller, called in _THROUGH_POINTERS.items():
        if "__indirect_call" not in calls[caller] or not called <= set(frames):
            raise ValueError(f"{caller} calls something else through pointers now")
        calls[caller] = calls[caller] - {"__indirect_call"} | called
    if any("__indirect_call" in called for called in calls.values()):
        raise ValueError("something new is called through pointers")
    locked = size.deepest(frames, calls, ["reset"])["reset"]
    open_calls = {caller: called - _LOCKED for caller, called in calls.items()}
    interrupts = size.deepest(frames, calls, ["uart_interrupt", "timer_interrupt"])
    unlocked = size.deepest(frames, open_calls, ["reset"])["reset"]
    return max(locked, unlocked + _INTERRUPT_BYTES + max(interrupts.values()))


@contextmanager
def conversation(bug: str | None = None, board: str = build.USUAL) -> Iterator[RemoteTarget]:
    """A conversation with an emulated board of its own; arguments as in firmware_model.board.build."""
    with emulated_board(bug, board=board) as running:
        line = SerialLine(running.port)
        try:
            yield RemoteTarget(Host(line, timeout_s=2))
        finally:
            line.close()


def run(target: RemoteTarget, image: bytes, inputs: Records) -> Records:
    """OUTPUT records[n] for INPUT records[n] and a calibration image."""
    if target.load(image):
        raise ValueError("image refused")
    target.start()
    return target.run(FIRST_TICK, inputs).outputs


def _instructions(ns: int) -> int:
    return round(ns / INSTRUCTION_NS)


def times(said: Callable[[str], None] = lambda text: None) -> list[Row]:
    """What the emulated board says of all demo traces, and of the costliest tick that was found."""
    with conversation() as target:
        for path in sorted(TRACES.glob("*.csv")):
            said(path.name)
            front = path.stem == "front_wheel_speed"
            calibration = load(TRACES / ("demo_front_wheel.toml" if front else "demo.toml"))
            run(target, calibration.image, Reading().inputs(path, calibration)[2])
        traces: Status = target.status()
        said(WORST.name)
        image, inputs = read_worst()
        run(target, image, inputs)
        worst: Status = target.status()
    tick, event = "worst tick, instructions", "worst cylinder event, instructions"
    return [
        Row(f"{tick}: all demo traces", _instructions(traces.worst_tick_ns), None, 2500),
        Row(f"{tick}: found by search", _instructions(worst.worst_tick_ns), None, 2500),
        Row(f"{event}: all demo traces", _instructions(traces.worst_event_ns)),
        Row(f"{event}: found by search", _instructions(worst.worst_event_ns)),
    ]


# -- the search


def read_worst() -> tuple[bytes, Records]:
    """(image, inputs) of the costliest tick found."""
    found = json.loads(WORST.read_text())
    packed = zlib.decompress(base64.b64decode(found["inputs"]))
    return pack(found["values"]), np.frombuffer(packed, INPUT)


def _write_worst(values: Values, inputs: Records) -> None:
    packed = base64.b64encode(zlib.compress(inputs.tobytes(), 9)).decode()
    write_whole(WORST, json.dumps({"values": values, "inputs": packed}) + "\n")


def largest(values: Values) -> Values:
    """A calibration with every curve, axis and filter at its largest, from any legal one."""
    sixteen, eight = range(16), range(8)
    changed: Values = {
        "sensor_points": 8,
        "sensor_counts": [0, 500, 1000, 1500, 2000, 2500, 3000, 4095],
        "sensor_height": [0, 900, 1900, 2900, 3900, 4900, 5900, 8000],
        "median_samples": 5,
        "lowpass_q12": 1000,
        "look_rising_q12": 20000,
        "look_falling_q12": 20000,
        "look_lowpass_q12": 900,
        "gain_q12": 5000,
        "speed_source": 1,
        "run_points": 16,
        "run_ms": [500 * i for i in sixteen],
        "run_speed": [150 * i for i in sixteen],
        "lift_points": 16,
        "lift_axis": [8100 + 100 * i for i in sixteen],
        "progress_points": 16,
        "progress_axis": [1000 * i for i in sixteen],
        "reduction_map": [(37 * i + 11 * j) % 1001 for i in sixteen for j in sixteen],
        "retard_map": [(13 * i + 29 * j) % 1001 for i in sixteen for j in sixteen],
        "stuck_samples": 1000,
        "release_q16": 100,
        "retard_release_q16": 100,
        "cylinders": 12,
        "firing_order": list(range(1, 13)),
    }
    for who in ("engine", "shaft"):
        changed |= {
            f"{who}_points": 16,
            f"{who}_ms": [400 * i for i in sixteen],
            f"{who}_rpm": [1000 + i for i in sixteen],
            f"{who}_line_points": 8,
            f"{who}_over_rpm": [100 * i for i in eight],
            f"{who}_reduction": [100 * i for i in eight],
            f"{who}_retard": [100 * i for i in eight],
            f"{who}_release_q16": 1000,
            f"{who}_retard_release_q16": 5,
        }
    return values | changed


def out_and_back(ticks: int = 1500) -> Records:
    """Inputs of a run whose nose goes out of sight and comes back, with everybody asking."""
    number = np.arange(ticks)
    inputs = np.zeros(ticks, INPUT)
    heights = np.interp(number, [0, 300, 700, 900, ticks], [1063, 1063, 4010, 4090, 4090])
    inputs["counts"] = np.where((number > 900) & (number < 1200), 4095, heights)
    inputs["speed"] = np.clip(8 * (number - 100), 0, 19000)
    inputs["engine"] = inputs["shaft"] = 1690
    inputs["switches"] = np.where(number < 100, 3, 7)
    inputs["request_reduction"] = inputs["request_retard"] = 500
    inputs["request_reason"] = 20
    inputs["events"] = number % 3
    return inputs


def _mutate(values: Values, inputs: Records, rng: random.Random) -> tuple[Values, Records]:
    """A few fields or stretches of inputs changed."""
    changed, given = dict(values), inputs.copy()
    for _ in range(rng.randint(1, 4)):
        if rng.random() < 0.5:
            name, _, count, least, greatest = rng.choice(FIELDS)
            old = changed[name]
            if isinstance(old, list):
                place = rng.randrange(count)
                filled = [*old, *[least] * (count - len(old))]
                filled[place] = _near(filled[place], least, greatest, rng)
                changed[name] = filled
            else:
                changed[name] = _near(old, least, greatest, rng)
        else:
            start = rng.randrange(len(given))
            part = slice(start, start + rng.choice([1, 3, 20, 200, 1000]))
            name = rng.choice(INPUT.names or ())
            most = {"counts": 4095, "speed": 20000, "switches": 7, "events": 5}.get(name, 32767)
            before = int(given[name][start])
            now = _near(before, 0, most, rng)
            ramp = name == "counts" and rng.random() < 0.5
            given[name][part] = np.linspace(before, now, len(given[part])) if ramp else now
    return changed, given


def _near(value: int, least: int, greatest: int, rng: random.Random) -> int:
    size = rng.choice([1, 10, 100, 1000, greatest - least])
    return min(greatest, max(least, value + rng.randint(-size, size)))


def search(seconds: float, seed: int, said: Callable[[str], None]) -> int:
    """Look for a costlier tick for so long, from the one found so far on; the instructions it takes.

    Climbs: a few fields and inputs are changed at a time, and what does not make the worst tick cheaper is
    kept. Keeps what it finds in WORST.
    """
    rng = random.Random(seed)
    tried = 0
    if WORST.exists():
        image, inputs = read_worst()
        values = json.loads(WORST.read_text())["values"]
    else:
        first = load(TRACES / "demo.toml").values
        values, inputs = largest(first), out_and_back()
        image = pack(values)
    with conversation("tick-cost") as target:
        best = int(run(target, image, inputs)["hold_left"].max())
        begun = best
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            changed, given = _mutate(values, inputs, rng)
            try:
                image = pack(changed)
            except ValueError:
                continue
            if read(image, Calibration()):
                continue
            tried += 1
            cost = int(run(target, image, given)["hold_left"].max())
            if cost > best:
                said(f"{_instructions(cost)} instructions after {tried} tries")
                _write_worst(changed, given)
            if cost >= best:
                best, values, inputs = cost, changed, given
    if best == begun and not WORST.exists():
        _write_worst(values, inputs)
    said(f"{tried} tries")
    return _instructions(best)


@click.command()
@click.option("--write", is_flag=True, help="Write the committed table.")
@click.option("--search", "seconds", type=float, metavar="S", help="Look for a costlier tick first, so long.")
@click.option("--seed", type=int, default=0, show_default=True, help="Of the search.")
def main(write: bool, seconds: float | None, seed: int) -> None:
    """Measure what the firmware costs and print the table."""

    def said(text: str) -> None:
        click.echo(text, err=True)

    if seconds is not None:
        search(seconds, seed, said)
    table = render([*sizes(), *times(said)], [board_row(name, said) for name in build.BOARDS])
    if write:
        write_whole(TABLE, table)
    click.echo(table, nl=False)


if __name__ == "__main__":
    main()
