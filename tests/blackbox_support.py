"""Runs for the tests of the black box, and a box with a controller at a pseudo-terminal."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

import pytest

from bench.blackbox.judge import Judge
from bench.blackbox.played import Played, played
from bench.blackbox.stories import story
from bench.blackbox.unit import Edges, Limits, Unit, run_core, seen
from bench.blackbox.wire import Wire
from bench.calibration import load
from bench.device.serve import serve
from bench.link.ports import PtyLine
from firmware_model.probe import box
from tests import ROOT

PLAIN = ROOT / "traces" / "plain.toml"
NEEDS_BOX = pytest.mark.skipif(box.available() is not None, reason=str(box.available()))

MORE = 100
"""A second ensemble for tests, smaller than that of the command."""


@cache
def image() -> bytes:
    return load(PLAIN).image


@cache
def square() -> Played:
    return played(story("square", image()), image())


@cache
def judge_of_square() -> Judge:
    return Judge(square(), Limits(), more=MORE)


def edges_of_core(core: Any, unit: Unit, run: Played) -> Edges:
    """What a controller does in a unit."""
    assert core.load(run.image) == 0
    return run_core(run.calibration, unit, seen(run.wires, run.calibration, unit), core)


@contextmanager
def box_at_a_port(core: Any, seed: int = 1) -> Iterator[str]:
    """A box with a controller at its wires; the name of its port."""
    line, going = PtyLine(), threading.Event()
    going.set()
    wire = Wire(core, image(), Limits(), seed)
    serving = threading.Thread(target=serve, args=(line, wire, going.is_set))
    serving.start()
    try:
        yield line.name
    finally:
        going.clear()
        serving.join(10)
        assert not serving.is_alive()
