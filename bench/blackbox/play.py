"""Playing a run on a box, and what it captured."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.blackbox.played import Played
from bench.blackbox.protocol import (
    COIL,
    EDGE,
    INJECTOR,
    MOST_US,
    BoxKind,
    State,
    most_records,
    records_of,
    unpack_room,
)
from bench.blackbox.unit import Edges
from bench.errors import UserError
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.protocol import Feature, Greeting, Records

_AFTER_US = 50_000  # a spark follows its crank event


def greet(host: Host) -> Greeting:
    """The box at the other end. Raises LinkError where it is none."""
    greeting = host.hello()
    if Feature.BOX not in greeting.features:
        what = f"{greeting.firmware} is no box, but a controller that is fed over the line"
        raise LinkError(what, host.line.name, "leave --black-box out")
    return greeting


def play(
    host: Host, largest: int, played: Played, progress: Callable[[float], None] = lambda share: None
) -> Records:
    """Play a run: EDGE[n], what was captured. Raises LinkError where the box could not keep up."""
    if played.end_us > MOST_US:
        raise UserError("the run is longer than half an hour", right="cut it")
    left = records_of(played.wires, played.calibration.cylinders)
    total, most = len(left), most_records(largest)
    room = unpack_room(host.ask(BoxKind.BEGIN))
    captured: list[Records] = []
    running, before = False, -1
    while True:
        while len(left) and room:
            some, left = left[: min(room, most)], left[min(room, most) :]
            room = unpack_room(host.ask(BoxKind.QUEUE, some.tobytes()))
            progress(1 - len(left) / total)
        if not running:
            host.ask(BoxKind.RUN)
            running = True
        state = State.unpack(host.ask(BoxKind.EDGES))
        _check(state, host)
        captured.append(state.edges)
        room = state.room
        ended = state.now_us > played.end_us + _AFTER_US or state.now_us == before
        if state.over and not len(left) and not len(state.edges) and ended:
            return np.concatenate(captured)
        before = state.now_us if state.over else -1


def _check(state: State, host: Host) -> None:
    what = ""
    if state.late:
        what = f"the box put {state.late} things out too late"
    elif state.empty:
        what = "the box's queue ran empty in the run"
    elif state.lost:
        what = f"the box had no room for {state.lost} edges"
    if what:
        right = "use a faster line, and end other programs"
        raise LinkError(f"{what}, so nothing is known of this run", host.line.name, right)


def edges_of(played: Played, captured: Records) -> Edges:
    """The edges that belong to each crank event: those of its cylinder before its next one; `stray` is where
    there was more than one, or one that belongs to none."""
    n = len(played.crank)
    fuel, spark = np.full(n, np.inf), np.full(n, np.inf)
    stray = np.zeros(n, dtype=bool)
    for place in range(min(played.calibration.cylinders, n)):
        own = np.flatnonzero(played.place == place)
        number = played.calibration.firing_order[place]
        for line, to in ((INJECTOR + number, fuel), (COIL + number, spark)):
            at = np.sort(captured["at"][captured["line"] == line].astype(np.int64))
            which = np.searchsorted(played.crank[own], at, side="right") - 1
            stray[own[0]] |= bool((which < 0).any())
            at, which = at[which >= 0], which[which >= 0]
            first = np.ones(len(which), dtype=bool)
            first[1:] = which[1:] != which[:-1]
            stray[own[which[~first]]] = True
            to[own[which[first]]] = at[first] - played.crank[own[which[first]]]
    return Edges(np.isfinite(fuel), fuel, np.isfinite(spark), spark, stray)


def lines_of(played_crank: Records, cylinders: Records, edges: Edges) -> Records:
    """What a controller's edges are on the lines that a box captures: EDGE[n], in order of time."""
    parts = []
    for line, on, after in ((INJECTOR, edges.fuel, edges.fuel_us), (COIL, edges.spark, edges.spark_us)):
        made = np.zeros(int(on.sum()), EDGE)
        made["at"] = (played_crank + np.where(on, after, 0).astype(np.int64))[on]
        made["line"] = (line + cylinders)[on]
        parts.append(made)
    both = np.concatenate(parts)
    return both[np.argsort(both["at"], kind="stable")]
