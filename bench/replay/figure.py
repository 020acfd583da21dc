"""The figure of a replay: the run, tick by tick, for the page and for the picture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from itertools import islice
from typing import Any

import numpy as np

from bench.document.blocks import (
    Bands,
    Events,
    Jump,
    Line,
    Note,
    Panel,
    Place,
    Row,
    Series,
    Shade,
    Strip,
    Style,
    Zero,
)
from bench.document.columns import NONE, Column
from bench.document.patterns import REASON_BARS, STATE_BARS, fault_bars
from bench.replay import codes
from bench.replay.decimate import Stretch, Ticks
from bench.replay.figure_data import (
    NAMED_FAULTS,
    end_of_sensor,
    fault_names,
    rotation_ceiling,
    state_name,
    torque_taken,
    window,
)
from bench.replay.findings import Findings, Launch, Replay
from bench.replay.logged_figure import disagrees, logged_columns, logged_rows, reduction_lines, retard_lines
from bench.trace.packed import distinct, each
from controller import constants as c

NAME = "run"

_CEILINGS: dict[str, tuple[str, Style]] = {
    "full": ("full reduction", "limit"),
    "reduction_from": ("reduction from", "limit-dashed"),
    "retard_from": ("retard from", "limit-dotted"),
}
_ROTATIONS = "Engine and shaft speed"
_WHO = "What the latch does, who set the reduction"
_AROUND_S = 0.3
_SEEN_KMH = 5
_PEAKS = 4  # lifts whose height stands in a picture
_SHADES = (
    Shade("out of sight", "faults", c.FAULT_OUT_OF_SIGHT),
    Shade("height not believed", "faults", c.FAULT_SENSOR),
)


class Axis:
    """Where on the axis (seconds of the trace) things are, and the ways there."""

    def __init__(self, s: Replay, found: Findings) -> None:
        self.s = s
        self.launches = found.launches
        self.windows = [window(s, found, launch) for launch in found.launches]

    def at(self, tick: int) -> float:
        return round(self.s.inputs.time_s(tick), 6)

    def tick(self, launch: int | None, since_launch_s: float) -> int:
        start = self.s.inputs.lead if launch is None else self.launches[launch - 1].tick
        return start + round(since_launch_s / self.s.tick_s)

    def launch(self, number: int) -> Jump:
        start, stop = self.windows[number - 1]
        return Jump(NAME, self.at(start), self.at(stop), self.at(self.launches[number - 1].tick))

    def part(self, tick: int, duration_s: float, at: int) -> Jump:
        stop = tick + round(duration_s / self.s.tick_s)
        return Jump(
            NAME, self.at(tick) - _AROUND_S, self.at(stop) + _AROUND_S, self.at(at),
            (self.at(tick), self.at(stop)),
        )  # fmt: skip

    def lift(self, lift: dict[str, Any]) -> Jump:
        peak = self.tick(lift["launch"], lift["peak_since_launch_s"])
        return self.part(lift["tick"], lift["in_air_s"], peak)

    def cut(self, cut: dict[str, Any]) -> Jump:
        peak = self.tick(cut["launch"], cut["peak_since_launch_s"])
        return self.part(cut["tick"], cut["duration_s"], peak)

    def fault(self, span: dict[str, Any]) -> Jump:
        return self.part(span["tick"], span["duration_s"], span["tick"])


def strip(s: Replay, found: Findings, facts: dict[str, Any], axis: Axis, part: Ticks) -> Strip:
    """The whole run for the page, with the places to go to."""
    many = len(found.launches) > 1
    zeros = [
        Zero(axis.at(one.tick), f"s since launch {one.number}" if many else "s since the launch")
        for one in found.launches
    ]
    first, stop = axis.windows[0] if axis.windows else (0, s.run.n)
    lifts = [lift for lift in facts["lifts"] if lift["launch"] == 1]
    highest = max(lifts, key=lambda lift: lift["peak_lift_mm"], default=None)
    cursor = axis.lift(highest).at if highest else axis.at(found.launches[0].tick) if zeros else None
    return Strip(
        NAME,
        "The run, tick by tick",
        {"run": _series(s, part)},
        list(_panels(s, part)),
        (axis.at(first), axis.at(stop)),
        axis="s of the trace",
        cursor=cursor,
        zeros=zeros,
        places=_places(facts, axis),
    )


def picture(s: Replay, found: Findings, launch: Launch | None) -> list[Strip]:
    """One run, or the whole trace where `launch` is None: the part worth seeing. The height at the sensor is
    left out, which is the lift once more."""
    first, stop = window(s, found, launch) if launch else (0, s.run.n)
    part = Stretch(first, stop)
    zero = s.inputs.time_s(launch.tick if launch else s.inputs.lead)
    lift, reduction, *panels, _ = _panels(s, part)
    assert isinstance(lift, Panel)
    assert isinstance(reduction, Panel)
    number = launch.number if launch else None
    lifts = [one for one in found.lifts if one.launch == number]
    peaks = [
        Note(zero + one.peak_since_launch_s, f"{'over ' if one.beyond else ''}{one.peak_lift_mm:.0f} mm")
        for one in sorted(lifts, key=lambda one: -one.peak_lift_mm)[:_PEAKS]
    ]
    taken = s.ticks["reduction"][first:stop]
    most = int(taken.argmax())
    greatest = [Note(s.inputs.time_s(first + most), f"{taken[most] / 10:.0f} %")] if taken[most] else []
    return [
        Strip(
            NAME,
            "",
            {"run": _series(s, part)},
            [
                replace(lift, notes=peaks, shades=_SHADES),
                replace(reduction, notes=greatest),
                *(_beside(panel, found) if isinstance(panel, Events) else panel for panel in panels),
            ],
            (s.inputs.time_s(first), s.inputs.time_s(stop)),
            axis="s of the trace",
            zeros=[Zero(zero, "s since the launch" if launch else "s")],
        )
    ]


def live(s: Replay, bounds: tuple[int, int, int]) -> Strip:
    """A run for a page on which settings move: ticks [first, stop), time counted from a third one."""
    first, stop, zero = bounds
    part = Stretch(first, stop)
    lift, reduction, retard, bands = islice(_panels(s, part), 4)
    assert isinstance(lift, Panel)
    assert isinstance(reduction, Panel)
    assert isinstance(retard, Panel)
    assert isinstance(bands, Bands)
    asked = any(s.calibration.number(f"{name}_points") for name in ("engine", "shaft"))
    rotations = [panel for panel in _speeds(s) if asked and panel.title == _ROTATIONS]
    begin = (first - zero) * s.tick_s
    return Strip(
        NAME,
        "The replayed run",
        {"run": replace(_series(s, part), first=begin)},
        [
            replace(lift, lines=_without(lift, "end"), height=150, bottom=None, shades=_SHADES),
            replace(reduction, lines=_without(reduction, "latched", "taken"), height=120),
            replace(retard, lines=_without(retard, "retard_demand"), height=90),
            *(replace(panel, height=100) for panel in rotations),
            replace(
                bands, title=_WHO, rows=[row for row in bands.rows if row.column not in ("askers", "faults")]
            ),
        ],
        (begin, (stop - zero) * s.tick_s),
        axis="seconds since the launch" if s.runs else "seconds from the trace's start",
    )


def _without(panel: Panel, *columns: str) -> list[Line]:
    return [line for line in panel.lines if line.column not in columns]


def _beside(events: Events, found: Findings) -> Events:
    shares = [one["share"] for one in found.events["cylinders"]]
    texts = ["" if share is None else f"{100 * share:.1f} %" for share in shares]
    return replace(events, beside=texts, beside_title="skipped in all runs")


def _series(s: Replay, part: Ticks) -> Series:
    first = s.inputs.start_s + part.first * s.tick_s
    return Series(_columns(s, part), first, s.tick_s, "tick" if part.thinned else "")


def _columns(s: Replay, part: Ticks) -> dict[str, Column]:
    """What is drawn of each tick: the numbers of ticks.csv, and of the inputs."""
    t, a, calibration = s.ticks, s.inputs.arrays, s.calibration
    by_speed = calibration.progress_unit == "km/h"

    def column(name: str, per: int = 1, unit: str = "", decimals: int = 0) -> Column:
        return Column(lambda: part.of(t[name] if name in t else a[name]), per, unit, decimals)

    def read() -> Any:
        return each(partial(_height_read, s), part.of(a["counts"]), part.of(s.inputs.lost))

    def speed() -> Any:
        return np.where(part.of(a["speed_valid"]) > 0, part.of(a["speed"]).astype(np.int32), NONE)

    columns = {
        "lift": column("lift", 16, "mm", 1),
        "entry": column("entry", 16, "mm", 1),
        "height": column("height", 16, "mm", 1),
        "read": Column.of(read, 1, "mm", 1),
        "end": Column.of(lambda: end_of_sensor(s, part.of(t["rest"]).astype(np.int32)), 0, "mm"),
        **{name: column(name, 10, "%", 1) for name in ("demand", "latched", "reduction")},
        "taken": Column.of(
            lambda: part.computed(lambda start, stop: torque_taken(s, start, stop)), 1, "%", 0
        ),
        **{name: column(name, 10, "°", 1) for name in ("retard_demand", "retard")},
        **{
            name: Column(lambda name=name: part.codes(t[name]))  # type: ignore[misc]
            for name in ("state", "reason", "askers", "faults")
        },
        "progress": column("progress", 10 if by_speed else 1, calibration.progress_unit, int(by_speed)),
        "speed": Column(speed, 10, "km/h", 1),
        "engine": column("engine", 1, "rpm"),
        "shaft": column("shaft", 1, "rpm"),
    }
    columns |= logged_columns(s, part)
    for number, name in enumerate(("retard_from", "reduction_from", "full")):

        def level(number: int = number) -> Any:
            return each(partial(_ceiling, s, number), part.of(t["progress"]))

        if _known(s, name):
            columns[name] = Column.of(level, 0, "mm", 1)
    for name in ("engine", "shaft"):
        if calibration.number(f"{name}_points"):

            def ceiling(name: str = name) -> Any:
                return part.computed(lambda start, stop: rotation_ceiling(s, name, slice(start, stop)))

            columns[f"{name}_ceiling"] = Column.of(ceiling, 0, "rpm", 0)
    if part.thinned:
        columns["tick"] = Column(part.ticks, 1 / s.tick_s)
    return columns


def _height_read(s: Replay, counts: Any, lost: Any) -> Any:
    return np.where(lost > 0, np.nan, s.calibration.counts_to_height(counts))


def _ceiling(s: Replay, number: int, progress: Any) -> Any:
    scale = 10 if s.calibration.progress_unit == "km/h" else 1
    return s.calibration.ceilings.at(progress / scale)[number]


def _known(s: Replay, ceiling: str) -> bool:
    return bool(np.isfinite(getattr(s.calibration.ceilings, ceiling)).any())


def _panels(s: Replay, part: Ticks) -> Iterator[Panel | Bands | Events]:
    yield _lift(s)
    yield from _commands(s)
    yield _bands(s)
    if s.inputs.has_engine:
        yield _events(s, part)
    yield from _speeds(s)
    yield Panel(
        "Height at the sensor",
        "mm",
        [Line("as read", "read", "dots"), Line("used", "height", "main")],
        height=130,
    )


def _lift(s: Replay) -> Panel:
    lines = [Line("lift", "lift")]
    if (s.ticks["entry"] != s.ticks["lift"]).any():
        lines.append(Line("with look-ahead", "entry", "second"))
    lines += [Line(label, name, style) for name, (label, style) in _CEILINGS.items() if _known(s, name)]
    lines.append(Line("sensor's end", "end", "pale", scaled=False))
    return Panel("Lift at the front axle", "mm", lines, height=290, bottom=0.0, least_top=60.0)


def _commands(s: Replay) -> Iterator[Panel]:
    latched = (s.ticks["latched"] != s.ticks["reduction"]).any()
    taken = "torque taken, an estimate" + (", by the log" if s.torque_from == "log" else "")
    yield Panel(
        "Reduction of the cylinder events",
        "%",
        [
            Line("live demand of the lift", "demand", "fill"),
            Line("commanded", "reduction", "main", stepped=True),
            *([Line("latch of the lift", "latched", "third", stepped=True)] if latched else []),
            *reduction_lines(s),
            Line(taken, "taken", "second"),
        ],
        height=190,
        bottom=0.0,
        least_top=10.0,
    )
    yield Panel(
        "Retard",
        "degrees of crank",
        [
            Line("live demand of the lift", "retard_demand", "fill"),
            Line("commanded", "retard", "main", stepped=True),
            *retard_lines(s),
        ],
        height=100,
        bottom=0.0,
        least_top=5.0,
    )


def _events(s: Replay, part: Ticks) -> Events:
    order = s.calibration.row("firing_order")
    place = np.zeros(max(order) + 1, np.uint8)
    place[order] = np.arange(len(order))
    some = part.events(s.run.event_tick)
    return Events(
        "Cylinder events, in firing order",
        Column(s.run.event_tick[some]),
        Column(place[s.run.event_cylinder[some]]),
        Column(s.run.event_bits[some]),
        [str(cylinder) for cylinder in order],
        s.inputs.start_s,
        s.tick_s,
    )


def _speeds(s: Replay) -> Iterator[Panel]:
    unit = s.calibration.progress_unit
    lines = [Line("as the maps see it", "progress")]
    if unit == "km/h" and _own_speed(s):
        lines.append(Line("speed signal", "speed", "second"))
    yield Panel("Progress", unit, lines, height=110, bottom=0.0)
    styles: tuple[tuple[str, Style], ...] = (("engine", "main"), ("shaft", "third"))
    rotations = [
        line for name, style in styles if s.inputs.arrays[name].any() for line in _rotation(s, name, style)
    ]
    if rotations:
        yield Panel(_ROTATIONS, "rpm", rotations, height=150, bottom=0.0)


def _own_speed(s: Replay) -> bool:
    """Whether the speed signal and the progress differ enough to be seen."""

    def differs(valid: Any, speed: Any, progress: Any) -> Any:
        return (valid > 0) & (np.abs(speed.astype(np.int32) - progress) > 10 * _SEEN_KMH)

    a = s.inputs.arrays
    return bool(each(differs, a["speed_valid"], a["speed"], s.ticks["progress"]).any())


def _rotation(s: Replay, name: str, style: Style) -> Iterator[Line]:
    yield Line(f"{name} speed", name, style)
    if s.calibration.number(f"{name}_points"):
        dash: Style = "limit-dashed" if name == "engine" else "limit-dotted"
        yield Line(f"its ceiling ({name})", f"{name}_ceiling", dash)


def _bands(s: Replay) -> Bands:
    t = s.ticks
    rows = [
        Row("latch", "state", STATE_BARS, {code: state_name(code) for code in STATE_BARS}),
        Row("set by", "reason", REASON_BARS, {r: codes.reason_name(r) for r in _codes(t["reason"])}),
    ]
    rows += logged_rows(s)
    asked = int(np.bitwise_or.reduce(t["askers"]))
    askers = {bit: name for bit, name in codes.ASKERS.items() if asked & bit}
    if len(askers) > 1:
        rows += [
            Row(name.split()[0], "askers", {bit: "plain"}, {bit: "asks"}, mask=bit)
            for bit, name in askers.items()
        ]
    faults = {code: fault_names(code) for code in _codes(t["faults"] & NAMED_FAULTS)}
    rows.append(Row("faults", "faults", fault_bars(faults), faults, mask=NAMED_FAULTS))
    unused = {c.FAULT_UNUSED: "not used"}
    if (t["faults"] & c.FAULT_UNUSED).any():
        rows.append(Row("sample", "faults", {c.FAULT_UNUSED: "dash"}, unused, mask=c.FAULT_UNUSED))
    return Bands(f"{_WHO}, faults", rows)


def _codes(values: Any) -> list[int]:
    """The numbers above 0 that occur in whole numbers."""
    return [code for code in distinct(values) if code > 0]


def _places(facts: dict[str, Any], axis: Axis) -> list[Place]:
    """Everything that happened, in the order of the trace."""
    found: list[tuple[int, Place]] = []
    many = len(facts["launches"]) > 1
    for one in facts["launches"]:
        detail = (
            f"lift {one['greatest_lift_mm']:z.0f} mm, {one['greatest_reduction_permille'] / 10:.1f} % taken"
        )
        title = f"{one['number']} at {one['time_s']:.3f} s"
        found.append((one["tick"], Place(title, detail, axis.launch(one["number"]), "launch")))
    for one in facts["lifts"]:
        over = "over " if one["beyond"] else ""
        title = f"{over}{one['peak_lift_mm']:.0f} mm for {one['in_air_s']:.3f} s"
        found.append((one["tick"], Place(title, _since(one, many), axis.lift(one), "lift")))
    for one in facts["interventions"]:
        most, retard = one["peak_reduction_permille"] / 10, one["peak_retard_ddeg"] / 10
        title = f"{most:.1f} %, {retard:.1f}°: {one['reason']}"
        detail = f"{_since(one, many)}, {one['duration_s']:.3f} s"
        found.append((one["tick"], Place(title, detail, axis.cut(one), "cut")))
    for fault in facts["faults"]:
        if fault["bit"] & NAMED_FAULTS:
            for span in fault["first"]:
                if span["tick"] <= axis.s.inputs.lead:
                    continue  # from power-up every sensor is at fault for a moment
                detail = f"{_since(span, many)}, {span['duration_s']:.3f} s"
                found.append((span["tick"], Place(fault["text"], detail, axis.fault(span), "fault")))
    for one in (facts["logged"] or {}).get("stretches", ()):
        title = f"the log disagrees: {disagrees(one)}"
        detail = f"{_since(one, many)}, {one['duration_s']:.3f} s"
        found.append(
            (one["tick"], Place(title, detail, axis.part(one["tick"], one["duration_s"], one["tick"])))
        )
    return [place for _, place in sorted(found, key=lambda one: one[0])]


def _since(one: dict[str, Any], many: bool) -> str:
    if one["launch"] is None:
        return f"at {one['since_launch_s']:.3f} s of the trace"
    return f"{one['since_launch_s']:.3f} s after launch{' ' + str(one['launch']) if many else ''}"
