"""What the tests of link, device and verify share: a run with a bit of everything, and devices in memory."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bench.calibration.image import pack
from bench.device.behaviour import Behaviour
from bench.device.simulated import Device, Facts
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records
from bench.link.stepper import Core
from bench.link.target import LocalTarget, RemoteTarget
from controller import Controller
from tests.support import counts_of, values

IMAGE = pack(values())


def run_inputs(n: int = 1500) -> Records:
    """Launch at tick 100; the nose rises beyond the last point of the maps, stays and comes down; n >= 100
    ticks."""
    ticks = np.arange(n)
    height = np.interp(ticks, [0, 300, 700, 900, 1300, n + 1300], [130, 130, 480, 480, 130, 130])
    inputs = np.zeros(n, INPUT)
    inputs["counts"] = [counts_of(mm) for mm in height]
    inputs["speed"] = np.clip(ticks - 100, 0, 1500)
    inputs["engine"] = 6000
    inputs["shaft"] = np.clip(4 * ticks, 0, 5000)
    inputs["switches"] = np.where(ticks < 100, SPEED_VALID | ARMED, SPEED_VALID | ARMED | LAUNCH)
    inputs["events"] = np.diff(ticks * 2 // 5, prepend=0)  # 400 a second: 8 cylinders at 6000 rpm
    return inputs


def remote(
    make: Callable[[], Core] = Controller,
    *,
    facts: Facts | None = None,
    rates: dict[str, float] | None = None,
    seed: int = 0,
    baud: int | None = None,
    unplug_after_s: float | None = None,
    reset_at: int | None = None,
    timeout_s: float = 0.5,
) -> tuple[RemoteTarget, Device, MemoryLine]:
    """A host connected with a device in memory."""
    device = Device(make, facts, reset_at)
    line = MemoryLine(Behaviour(device, rates, seed), baud, unplug_after_s)
    return RemoteTarget(Host(line, 7, timeout_s)), device, line


def local(image: bytes = IMAGE) -> LocalTarget:
    """The reference, loaded and started."""
    target = LocalTarget(Controller())
    assert target.load(image) == 0
    target.start()
    return target


class InC:
    """The C side (link_device.c) as a process, with the face of bench.device.simulated.Device."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.stream_every = 0

    def _do(self, command: bytes) -> bytes:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(command)
        self._process.stdin.flush()
        head = self._process.stdout.read(4)
        assert len(head) == 4, f"it ended ({self._process.wait()}); a sanitizer's words are above"
        return self._process.stdout.read(int.from_bytes(head, "little"))

    def receive(self, data: bytes) -> bytes:
        return self._do(b"F" + len(data).to_bytes(2, "little") + data)

    def tell_time(self, now_ms: int) -> None:
        self._do(b"T" + (now_ms & 0xFFFFFFFF).to_bytes(4, "little"))

    def show(self, tick: bytes) -> bytes:
        return self._do(b"S" + len(tick).to_bytes(2, "little") + tick)

    def can_keep(self, yes: bool) -> None:
        self._do(b"K" + bytes([yes]))

    def power_up(self) -> None:
        """The supply goes off and on."""
        self._do(b"P")

    def event(self, cylinder: int) -> int:
        """What the crank's own interrupt is told for a cylinder."""
        return self._do(b"E" + bytes([cylinder]))[0]

    def keep_at_an_odd_place(self) -> None:
        """From now on a calibration is kept, but not at a multiple of 4."""
        self._do(b"K\2")

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        assert self._process.wait(10) == 0
        assert self._process.stdout is not None
        self._process.stdout.close()


class Untimed(Device):
    """The model without the one thing of it that is not a function of its inputs."""

    _worst_tick_ns = property(lambda self: 0, lambda self, value: None)  # type: ignore[assignment]
