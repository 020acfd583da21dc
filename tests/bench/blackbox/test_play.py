"""A run played on the box's own C code, and the edges that come back."""

from __future__ import annotations

import numpy as np
import pytest

from bench.blackbox.play import edges_of, greet, lines_of, play
from bench.blackbox.protocol import RECORD, BoxKind, wires_of
from bench.blackbox.unit import Limits, Unit, reference
from bench.blackbox.wire import Wire
from bench.device.behaviour import Behaviour
from bench.device.simulated import Device
from bench.link.frames import encode
from bench.link.host import DeviceError, Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import HEAD, Kind, Reason
from controller import Controller
from firmware_model import binding
from tests.blackbox_support import NEEDS_BOX, image, judge_of_square, square


def core() -> object:
    return Controller() if binding.available() else binding.Core()


class Lossy(MemoryLine):
    """Loses each seventh message of the host, and doubles each fifth."""

    count = 0

    def send(self, data: bytes) -> None:
        self.count += 1
        if self.count % 7:
            super().send(data * (2 if self.count % 5 == 0 else 1))


def test_edges_go_to_their_crank_events_and_strays_are_told() -> None:
    right = reference(square(), Unit(seed=4, noise=2))
    captured = lines_of(square().crank, square().cylinder, right)
    again = edges_of(square(), captured)
    assert (again.fuel == right.fuel).all()
    assert (again.spark == right.spark).all()
    assert (again.spark_us[right.spark] == right.spark_us[right.spark]).all()
    assert not again.stray.any()
    double = np.concatenate((captured, captured[50:51]))
    assert edges_of(square(), double).stray.sum() == 1


@NEEDS_BOX
def test_the_box_puts_out_what_the_run_says_and_the_right_controller_is_equal_run_after_run() -> None:
    wire = Wire(core(), image(), Limits(), 11)  # type: ignore[arg-type]
    host = Host(Lossy(wire), timeout_s=0.1)
    largest = greet(host).largest
    for _ in range(2):
        captured = play(host, largest, square())
        was, given = square().wires, wires_of(wire._log, square().wires.end)
        assert (given.crank == was.crank).all()
        assert (given.speed_pulses == was.speed_pulses).all()
        rows = np.searchsorted(given.at, was.at, side="right") - 1
        assert (given.dac[rows] == was.dac).all()
        assert (given.switches[rows] == was.switches).all()
        assert not judge_of_square().judge(edges_of(square(), captured)).found
    assert host.resent > 0
    assert wire._ticks > 10_000


@NEEDS_BOX
def test_the_box_refuses_what_makes_no_run() -> None:
    host = Host(MemoryLine(Wire(core(), image(), Limits(), 1)))  # type: ignore[arg-type]
    greet(host)
    host.ask(BoxKind.BEGIN)

    def record(at: int, what: int) -> bytes:
        return np.array([(at, what, 0, 0)], RECORD).tobytes()

    for body in (b"", b"1234567", record(5, 8), record(5, 1) + record(4, 1)):
        with pytest.raises(DeviceError) as refused:
            host.ask(BoxKind.QUEUE, body)
        assert refused.value.reason == Reason.MALFORMED
    for _ in range(8):
        host.ask(BoxKind.QUEUE, record(9, 1) * 127)
    with pytest.raises(DeviceError) as refused:
        host.ask(BoxKind.QUEUE, record(9, 1) * 9)
    assert refused.value.reason == Reason.TOO_MUCH
    host.ask(BoxKind.QUEUE, record(9, 1) * 8)  # 1024 in all


@NEEDS_BOX
def test_a_run_of_which_nothing_is_known_is_no_verdict() -> None:
    wire = Wire(core(), image(), Limits(), 1)  # type: ignore[arg-type]
    sound = wire._box.edge
    for _ in range(1100):
        sound(5, 1)  # a line that chatters before the run: the box runs out of room, and BEGIN forgets it
    host = Host(MemoryLine(wire))
    largest = greet(host).largest
    assert len(play(host, largest, square()))
    room = type(wire._box).room

    def more(self: object) -> int:
        return int(room.__get__(self)) + 500

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(type(wire._box), "room", property(more))
        with pytest.raises(LinkError, match="no room for"):
            play(host, largest, square())


def test_a_device_that_is_fed_is_no_box() -> None:
    host = Host(MemoryLine(Behaviour(Device(Controller))))
    with pytest.raises(LinkError, match="is no box"):
        greet(host)


@NEEDS_BOX
def test_foreign_frames_change_nothing() -> None:
    wire = Wire(core(), image(), Limits(), 1)  # type: ignore[arg-type]
    for payload in (HEAD.pack(0x21, 0, 0), HEAD.pack(0x24, 77, 0), HEAD.pack(0x01, 0, 0) + b"\1", b"abc"):
        wire.take(encode(payload), 0.0)
    wire.give(0.0)
    host = Host(MemoryLine(wire))
    greet(host)
    with pytest.raises(DeviceError, match="does not know"):
        host.ask(Kind.STATUS)
