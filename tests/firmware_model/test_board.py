"""The firmware on the emulated board: equal to the reference, bugs found, tick watched, calibration kept."""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from bench.calibration import CalibrationFile, load
from bench.calibration.image import pack
from bench.device.bugs import BUGS
from bench.device.emulated import INSTRUCTION_NS, EmulatedBoard, emulated_board
from bench.link.frames import encode
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.ports import SerialLine
from bench.link.protocol import INPUT, STALLED, Kind, Records, Status, StepAnswer, message, pack_step
from bench.link.reading import Reading
from bench.link.target import RemoteTarget
from bench.options import EMULATED_BOARDS
from bench.trace.choice import ColumnChoice
from bench.verify.compare import Options, Tally, compare, plan
from bench.verify.source import TraceSource
from controller.constants import REASON_OUTSIDE_FIRST
from firmware_model.board import build
from tests import RECORDINGS, ROOT
from tests.bench.verify.test_verify import EXPECTED
from tests.bench.verify.test_verify_command import PROGRAM, device, liftlatch, one_line
from tests.firmware_model.test_core_code import without_comments
from tests.link_support import IMAGE, local, remote, run_inputs
from tests.replay_support import SLOW_FILE
from tests.support import values
from tests.tools import need_board, need_emulated

TRACE = ROOT / "traces" / "clean_launch.csv"
CALIBRATION = ROOT / "traces" / "demo.toml"
DEMO = sorted((ROOT / "traces").glob("*.csv"))
RECORDED = ("laser_sin_08", "laser_sin_10", "laser_sin_12")


@pytest.fixture(scope="module")
def shared() -> Iterator[EmulatedBoard]:
    need_board()
    with emulated_board() as board:
        yield board


@pytest.fixture
def target(shared: EmulatedBoard) -> Iterator[RemoteTarget]:
    """A conversation of its own with the board, which keeps what it has stored."""
    yield from conversation(shared)


def conversation(board: EmulatedBoard) -> Iterator[RemoteTarget]:
    line = SerialLine(board.port)
    try:
        target = RemoteTarget(Host(line, timeout_s=2))
        target.disarm()  # whoever spoke with it before may have left it armed
        yield target
        with suppress(LinkError):
            target.leave()
    finally:
        line.close()


def fresh(bug: str | None = None, passes: int = 100_000) -> Iterator[RemoteTarget]:
    """A board that was just switched on."""
    need_board()
    with emulated_board(bug, passes) as board:
        yield from conversation(board)


def compared(target: RemoteTarget, inputs: Records | None = None, image: bytes = IMAGE) -> Tally:
    assert target.load(image) == 0
    inputs = run_inputs(1500) if inputs is None else inputs
    options = Options(window=8)
    steps = list(plan(TraceSource(inputs), local(image), target.greeting.largest, options))
    digest = local(image).start()
    return compare(target, iter(steps), TraceSource(inputs), digest, options)


def test_a_run_is_equal_tick_by_tick(target: RemoteTarget) -> None:
    tally = compared(target)
    assert (tally.difference, tally.error, tally.ticks) == (None, None, 1500)
    status = target.status()
    assert (status.late, status.overruns) == (0, 0)
    assert status.worst_tick_ns > 100 * INSTRUCTION_NS
    assert status.worst_event_ns > 10 * INSTRUCTION_NS
    assert 100 < status.stack_bytes < 512


@pytest.mark.slow
@pytest.mark.parametrize("bug", EXPECTED)
def test_a_bug_in_the_firmware_is_found_at_its_first_tick(bug: str) -> None:
    """The tick that follows from the inputs, and what the same bug in the reference does there."""
    inputs, image, tick = EXPECTED[bug][0]()
    for target in fresh(bug):
        assert target.greeting.firmware == f"LM3S6965, {bug}"
        found = compared(target, inputs, image)
    assert found.error is None
    assert found.difference is not None
    assert found.difference.tick == tick
    assert found.difference == compared(remote(BUGS[bug])[0], inputs, image).difference


def test_the_named_bugs_are_those_of_the_reference() -> None:
    assert set(build.WRAPPED) - {"slow-tick", "known-loop", "tick-cost", "interrupted"} == set(BUGS)


@pytest.mark.slow
def test_the_contract_of_a_device_holds(shared: EmulatedBoard) -> None:
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/contract", "--device"]
    done = subprocess.run([*command, shared.port], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert re.search(r"^[1-9]\d* passed", done.stdout.splitlines()[-1]), done.stdout


def test_garbage_does_not_throw_it_off(target: RemoteTarget) -> None:
    noise = random.Random(5)
    assert target.load(IMAGE) == 0
    target.start()
    before = target.status()
    damaged = before.crc + before.stuffing + before.long + before.short
    for _ in range(30):
        target.host.line.send(noise.randbytes(noise.randrange(1, 300)) + b"\0")
        half = encode(message(Kind.STATUS, target.host.session, 0))
        target.host.line.send(half[: noise.randrange(len(half))])
    target.host.line.send(b"\x01" * 3000 + b"\0")
    inputs = run_inputs(200)
    assert (target.run(0, inputs).outputs == local().run(0, inputs).outputs).all()
    status = target.status()
    assert status.crc + status.stuffing + status.long + status.short - damaged >= 30
    assert (status.malformed, status.overruns) == (before.malformed, 0)


# -- what is measured


@pytest.mark.slow
def test_instructions_are_counted_exactly() -> None:
    """A loop of two instructions a pass between the timer's readings: two more a pass are counted."""
    counts = {}
    for passes in (10, 11, 1000, 30_000):
        for target in fresh("known-loop", passes):
            target.load(IMAGE)
            target.start()
            target.run(0, run_inputs(100))
            counts[passes] = round(target.status().worst_tick_ns / INSTRUCTION_NS)
    around = counts[10] - 20
    assert 10 <= around <= 100  # call, return and the copying of the outputs
    assert counts == {passes: around + 2 * passes for passes in counts}


@pytest.mark.slow
def test_a_timer_that_interrupts_ticks_sees_whole_sets() -> None:
    """The board's timer, twenty times a millisecond, with lift_acting, lift_event and lift_spark in it."""
    inputs = np.zeros(1500, INPUT)
    of = np.arange(1500) % 239
    inputs["request_reduction"], inputs["request_retard"] = 4 * of + 4, 3 * of + 1
    inputs["request_reason"] = REASON_OUTSIDE_FIRST + of
    for target in fresh("interrupted"):
        assert target.load(IMAGE) == 0
        target.start()
        last = target.run(0, inputs).outputs[-1]
        assert last["hold_left"] > 300
        assert last["elapsed_ms"] == 0


@pytest.mark.slow
def test_a_tick_that_takes_too_long_is_counted() -> None:
    """2 * 10000 instructions of 64 ns are more than a tick of 1 ms; the outputs are right all the same."""
    for target in fresh("slow-tick", 10_000):
        tally = compared(target)
        assert (tally.difference, tally.error) == (None, None)
        status = target.status()
        assert status.late == 1
        assert status.worst_tick_ns > 10_000 * 2 * INSTRUCTION_NS


@pytest.mark.slow
def test_a_stalled_host_brings_the_safe_state_and_hears_of_it(target: RemoteTarget) -> None:
    def step(first: int) -> StepAnswer:
        body = pack_step(first, run_inputs(600)[first : first + 10], False)
        return StepAnswer.unpack(target.host.ask(Kind.STEP, body))

    def acting(status: Status) -> tuple[int, int]:
        return status.reduction, status.retard

    assert target.load(pack(values(stall_ms=1500, safe_reduction=800, safe_retard=40))) == 0
    stalls = target.status().stalls
    target.start()
    time.sleep(1.8)
    assert not step(0).flags & STALLED  # nobody had begun
    assert (acting(target.status()), target.status().stalls) == ((0, 0), stalls)
    # The board's clock falls behind on a busy machine.
    until = time.monotonic() + 60
    while target.status().stalls == stalls and time.monotonic() < until:
        time.sleep(0.2)
    assert (acting(target.status()), target.status().stalls) == ((800, 40), stalls + 1)
    back = step(10)
    assert back.flags & STALLED
    assert acting(target.status()) == (back.outputs[-1]["reduction"], back.outputs[-1]["retard"])
    assert not step(20).flags & STALLED


# -- what is kept


def test_a_calibration_survives_a_reset(target: RemoteTarget) -> None:
    images = [pack(values(hold_ticks=ticks)) for ticks in (301, 302, 303)]
    for image in images:
        assert target.load(image) == 0
        target.reset()
        assert target.greeting.image_crc == int.from_bytes(image[8:12], "little")
        assert target.greeting.tick_us == 1000
    assert target.load(images[2][:-1] + bytes([images[2][-1] ^ 1])) == 4
    target.reset()
    assert target.greeting.image_crc == int.from_bytes(images[2][8:12], "little")
    target.start()
    inputs = run_inputs(200)
    assert (target.run(0, inputs).outputs == local(images[2]).run(0, inputs).outputs).all()


def test_a_board_just_switched_on_has_none() -> None:
    for target in fresh():
        assert (target.greeting.image_crc, target.greeting.tick_us) == (0, 0)


# -- the board layer


def test_the_board_layer_is_thin() -> None:
    """Start-up, linker script, timer, serial port, what stands in for flash, main: lines that are neither
    empty nor comment."""
    shared = [path for path in build.BOARD.glob("*.*") if path.suffix in (".c", ".h", ".ld")]
    files = [*shared, *(build.BOARD / build.USUAL).iterdir()]
    left_out = ("bugs.c", "start_rv32.c")
    texts = [without_comments(path.read_text()) for path in files if path.name not in left_out]
    assert len(texts) == 9
    assert sum(bool(line.strip()) for text in texts for line in text.splitlines()) < 300


def test_it_builds_for_a_core_without_a_divider() -> None:
    need_board()
    assert build.build(cpu="cortex-m0plus").stat().st_size > 0


# -- the other boards

OTHERS = [name for name in build.BOARDS if name != build.USUAL]


@pytest.fixture(scope="module", params=OTHERS)
def other(request: pytest.FixtureRequest) -> Iterator[tuple[str, EmulatedBoard]]:
    need_emulated(request.param)
    with emulated_board(board=request.param) as board:
        yield request.param, board


@pytest.mark.slow
@pytest.mark.parametrize("name", [path.stem for path in DEMO])
def test_every_demo_trace_is_equal_on_the_other_boards(
    other: tuple[str, EmulatedBoard], name: str, tmp_path: Path
) -> None:
    calibration, inputs = read(name, tmp_path)
    for target in conversation(other[1]):
        tally = compared(target, inputs, calibration.image)
        assert (tally.difference, tally.error, tally.ticks) == (None, None, len(inputs))
        assert tally.digests == tally.frames
        status = target.status()
        assert (status.late, status.overruns) == (0, 0)
        assert status.worst_tick_ns > 100 * INSTRUCTION_NS
        assert 100 < status.stack_bytes < 1024


@pytest.mark.slow
def test_the_other_boards_keep_a_calibration(other: tuple[str, EmulatedBoard]) -> None:
    image = pack(values(hold_ticks=301))
    for target in conversation(other[1]):
        assert target.load(image) == 0
        target.reset()
        assert target.greeting.image_crc == int.from_bytes(image[8:12], "little")
        assert not target.greeting.older


def test_the_commands_know_every_board() -> None:
    assert list(build.BOARDS) == list(EMULATED_BOARDS)
    assert EMULATED_BOARDS[0] == build.USUAL


@pytest.mark.parametrize("name", build.BOARDS)
def test_a_board_has_less_than_120_lines_of_its_own(name: str) -> None:
    """Lines that are neither empty nor comment; start-up, ring, flash and main are shared."""
    folder = build.BOARD / build.BOARDS[name].folder
    texts = [without_comments(path.read_text()) for path in folder.iterdir()]
    assert len(texts) == 3
    assert sum(bool(line.strip()) for text in texts for line in text.splitlines()) < 120


@pytest.mark.slow
def test_what_was_built_is_kept_and_tidied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    need_board()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(build, "_KEPT", 2)
    first = build.build()
    built = first.stat().st_mtime_ns
    assert first.is_relative_to(tmp_path)
    assert build.build() == first
    assert first.stat().st_mtime_ns == built
    for passes in (5, 6):
        build.build("known-loop", passes)
    assert len(list(first.parent.parent.iterdir())) == 2


# -- the command line


def gone(port: str) -> bool:
    """Whether nobody holds the other end of a port; a moment is given for it."""
    until = time.monotonic() + 5
    while time.monotonic() < until:
        if not emulators(port):
            return True
        time.sleep(0.05)
    return False


def emulators(port: str) -> list[str]:
    """Process ids of the emulators whose pseudo-terminal is this port."""
    number = port.rpartition("/")[2]
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if "qemu-system" not in (process / "comm").read_text() + "":
                continue
            for fd in (process / "fdinfo").iterdir():
                if re.search(rf"^tty-index:\s+{number}$", fd.read_text(), re.MULTILINE):
                    found.append(process.name)
        except OSError:
            continue
    return found


@pytest.mark.slow
def test_a_device_in_one_terminal_and_verify_in_another() -> None:
    need_board()
    with device("--emulated") as port:
        assert emulators(port)
        done = liftlatch("verify", TRACE, "--calibration", CALIBRATION, "--port", port, "--window", "8")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "LM3S6965, frames up to 1024 bytes, window 8" in done.stdout
        assert re.search(r"clean_launch\.csv: equal, 7\d{3} ticks", done.stdout)
    assert gone(port)


@pytest.mark.slow
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_no_emulator_is_left_behind(end: signal.Signals) -> None:
    need_board()
    command = [*PROGRAM, "verify", *map(str, DEMO), "--calibration", str(CALIBRATION), "--emulated"]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    said = process.stdout.readline()
    port = said.partition(":")[0]
    assert port.startswith("/dev/"), said
    assert emulators(port)
    time.sleep(0.5)
    process.send_signal(end)
    assert process.wait(20) == (130 if end == signal.SIGINT else -end)
    process.stdout.close()
    assert gone(port)


def test_missing_packages_are_named(tmp_path: Path) -> None:
    for program in ("setpriv", "taskset"):
        os.symlink(f"/usr/bin/{program}", tmp_path / program)
    command = [*PROGRAM, "verify", str(TRACE), "--calibration", str(CALIBRATION), "--emulated"]
    path = os.environ | {"PATH": str(tmp_path)}
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, env=path)
    assert "apt-get install qemu-system-arm gcc-arm-none-eabi" in one_line(done)


# -- all of it


def read(name: str, folder: Path) -> tuple[CalibrationFile, Records]:
    """A demo trace, or a real recording with a calibration slow enough for it: (calibration, inputs)."""
    if name not in RECORDED:
        front = name == "front_wheel_speed"
        calibration = load(ROOT / "traces" / ("demo_front_wheel.toml" if front else "demo.toml"))
        return calibration, Reading().inputs(ROOT / "traces" / f"{name}.csv", calibration)[2]
    path = RECORDINGS / f"{name}.csv"
    if not path.exists():
        pytest.skip(f"the recording {path.name} is not here")
    file = folder / "slow.toml"
    file.write_text(SLOW_FILE)
    calibration = load(file)
    choice = ColumnChoice({"time": "1:s", "height": "2:m"}, height_offset_mm=250)
    return calibration, Reading(choice=choice).inputs(path, calibration)[2]


@pytest.mark.slow
@pytest.mark.parametrize("name", [*(path.stem for path in DEMO), *RECORDED])
def test_every_trace_is_equal(target: RemoteTarget, shared: EmulatedBoard, name: str, tmp_path: Path) -> None:
    """Also: the emulator works less than a tick's time for a tick, so it keeps up with real time."""
    calibration, inputs = read(name, tmp_path)
    begun = shared.cpu_s()
    tally = compared(target, inputs, calibration.image)
    assert (tally.difference, tally.error, tally.ticks) == (None, None, len(inputs))
    assert tally.digests == tally.frames
    assert (shared.cpu_s() - begun) / len(inputs) < calibration.tick_us / 1e6
