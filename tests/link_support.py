"""What the tests of link, device and verify share: a run with a bit of everything, and devices in memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.calibration.image import pack
from bench.device.behaviour import Behaviour
from bench.device.model import Device, Facts
from bench.device.stepper import Core
from bench.link.host import Host
from bench.link.memory import MemoryLine
from bench.link.protocol import ARMED, INPUT, LAUNCH, SPEED_VALID, Records
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
