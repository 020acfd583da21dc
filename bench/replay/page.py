"""The page of a replay: the answer in words, the run to look into, and everything it was made from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bench.document.blocks import (
    Bands,
    Block,
    Bullets,
    Cell,
    Events,
    Jump,
    Line,
    Page,
    Panel,
    Place,
    Row,
    Section,
    Series,
    Strip,
    Table,
    Text,
    Zero,
)
from bench.document.cal import calibration_section
from bench.document.columns import NONE, Column
from bench.document.made import made
from bench.document.page import write_page
from bench.document.reasons import REASON_BARS, STATE_BARS, fault_bars
from bench.replay import names
from bench.replay.drawn import (
    MEAN_S,
    NAMED_FAULTS,
    end_of_sensor,
    fault_names,
    rotation_curve,
    state_name,
    torque_taken,
    window,
)
from bench.replay.findings import Findings, Stepped
from bench.replay.kept import Kept
from bench.trace.text import plural
from controller import constants as c

_AROUND_S = 0.3
_SEEN_KMH = 5
_FIGURE = "run"


def write(path: Path, facts: dict[str, Any], s: Stepped, found: Findings) -> None:
    """Write the page of a replay; `facts` is what summary.json holds."""
    write_page(path, page(facts, s, found))


def page(facts: dict[str, Any], s: Stepped, found: Findings) -> Page:
    """The page of a replay."""
    where = _Where(s, found)
    kept = Kept(s.run.n, where.windows)
    blocks: list[Block] = [_strip(s, found, where, kept, facts)]
    if kept.thinned:
        blocks.insert(0, Text([kept.said]))
    sections = [Section("The run", blocks)]
    tables = list(_tables(facts, where))
    if tables:
        sections.append(Section("In figures", tables, wide=False))
    told: list[Block] = [Bullets(facts["notes"], "Understood and assumed of the trace")]
    sections.append(Section("What the trace is", told))
    sections.append(calibration_section(s.calibration))
    trace, ticks = facts["trace"], facts["ticks"]
    return Page(
        what="replay",
        title=f"{Path(trace['file']).name} with {s.calibration.path.name}",
        alarm=[look["text"] for look in facts["look_at"] if look["code"] == "fault_at_launch"],
        answer=list(_answer(facts)),
        key=_key(facts),
        sections=sections,
        cautions=[facts["cautions"]],
        made=[
            *made(facts, facts["command_line"]),
            ("Trace", f"{trace['file']}: {trace['form']}, {trace['rows']} rows, {trace['duration_s']:.3f} s"),
            ("Its SHA-256", trace["sha256"]),
            ("Calibration", facts["calibration"]["file"]),
            ("Its SHA-256", facts["calibration"]["sha256"]),
            (
                "Its image",
                f"version {facts['calibration']['image_version']},"
                f" CRC-32 {facts['calibration']['image_crc32']}",
            ),
            (
                "Stepped",
                f"{ticks['count']} ticks of {ticks['tick_us'] / 1000:g} ms by"
                f" {'the C core' if facts['engine'] == 'c' else 'the reference'}",
            ),
            ("Torque estimate", f"{facts['torque_law']}; drawn as a mean over {1000 * MEAN_S:.0f} ms"),
        ],
    )


class _Where:
    """Where on the axis (seconds of the trace) things are, and the places to go to."""

    def __init__(self, s: Stepped, found: Findings) -> None:
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
        return Jump(_FIGURE, self.at(start), self.at(stop), self.at(self.launches[number - 1].tick))

    def part(self, tick: int, duration_s: float, at: int) -> Jump:
        stop = tick + round(duration_s / self.s.tick_s)
        return Jump(
            _FIGURE, self.at(tick) - _AROUND_S, self.at(stop) + _AROUND_S, self.at(at),
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


# --- words


def _answer(facts: dict[str, Any]) -> Iterator[str]:
    """The answer in sentences, the most important first."""
    launches = facts["launches"]
    if launches:
        yield f"{_rose(facts)} {_took(facts)}"
        yield f"{_why(facts)} {_faults(facts)}"
    looks = [look["text"] for look in facts["look_at"] if look["code"] != "fault_at_launch"]
    yield from looks


def _rose(facts: dict[str, Any]) -> str:
    launches, lifts = facts["launches"], [lift for lift in facts["lifts"] if lift["launch"] is not None]
    highest = max(launches, key=lambda launch: launch["greatest_lift_mm"])
    which = f" in launch {highest['number']} of {len(launches)}" if len(launches) > 1 else ""
    over = any(lift["beyond"] for lift in lifts if lift["launch"] == highest["number"])
    more = "more than " if over else ""
    if not lifts:
        return (
            f"The nose rose by {highest['greatest_lift_mm']:z.0f} mm at most{which}, never above"
            f" {facts['lift_threshold_mm']:g} mm."
        )
    peak = max(lifts, key=lambda lift: lift["peak_lift_mm"])
    air = sum(lift["in_air_s"] for lift in lifts)
    when = f", {peak['peak_since_launch_s']:.2f} s after the launch" if len(launches) == 1 else ""
    times = "" if len(lifts) == 1 else f" in {len(lifts)} lifts"
    if any(lift["unknown_s"] for lift in lifts):
        times += " (the height was not believed for part of it)"
    return (
        f"The nose rose by {more}{highest['greatest_lift_mm']:.0f} mm at most{which}{when}, and the front was"
        f" up for {air:.2f} s{times}."
    )


def _took(facts: dict[str, Any]) -> str:
    torque = facts["torque"]
    most = max(launch["greatest_reduction_permille"] for launch in facts["launches"])
    several = "s" if len(facts["launches"]) > 1 else ""
    if not torque["reduced_s"]:
        return "No cylinder event was asked to be skipped." + (
            " Only the spark was retarded." if torque["retarded_s"] else ""
        )
    return (
        f"The controller skipped up to {most / 10:.1f} % of the cylinder events, {torque['full_cut_s']:.3f} s"
        f" of full torque in all ({100 * torque['share_taken']:.1f} % of the run{several})."
    )


_BECAUSE = {
    "lift": "the lift",
    "out of sight": "a nose out of the sensor's sight",
    "kept (fault)": "a fault of the sensor, which kept what was taken",
    "blind (fault)": "a lost sensor (the blind reduction)",
    "engine curve": "an engine above its curve",
    "shaft curve": "a shaft above its curve",
}


def _why(facts: dict[str, Any]) -> str:
    """Who set the reduction, in a sentence."""
    reasons = facts["reasons"]
    if not reasons:
        return "Nobody set a reduction."
    texts = [_BECAUSE.get(reason["name"], f"a request from {reason['name']}") for reason in reasons]
    if len(reasons) > 1:
        shares = [f"{100 * reason['share']:.0f} %" for reason in reasons]
        texts = [f"{text} ({share})" for text, share in zip(texts, shares, strict=True)]
        texts = [", ".join(texts[:-1]), texts[-1]]
    return f"It cut because of {' and '.join(texts)}."


def _faults(facts: dict[str, Any]) -> str:
    faults = _faults_in_runs(facts)
    if not faults:
        return "There was no fault in the runs."
    return "Faults in the runs: " + ", ".join(f"{f['text']} ({f['in_runs_s']:.3f} s)" for f in faults) + "."


def _faults_in_runs(facts: dict[str, Any]) -> list[dict[str, Any]]:
    by_speed = facts["calibration"]["progress_unit"] == "km/h"
    return [f for f in facts["faults"] if f["in_runs_s"] and (by_speed or f["name"] != "speed")]


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    launches, torque = facts["launches"], facts["torque"]
    if not launches:
        return []
    over = "> " if any(lift["beyond"] for lift in facts["lifts"]) else ""
    count = len(facts["interventions"])
    key = [
        (
            f"{over}{max(launch['greatest_lift_mm'] for launch in launches):z.0f} mm",
            "greatest lift at the axle",
        ),
        (
            f"{max(launch['greatest_reduction_permille'] for launch in launches) / 10:.1f} %",
            "greatest reduction",
        ),
        (f"{torque['full_cut_s']:.3f} s", "torque-time taken"),
        (str(count), "intervention" if count == 1 else "interventions"),
    ]
    if facts["events"]["count"]:
        key.append((f"{facts['events']['skipped']} of {facts['events']['count']}", "cylinder events skipped"))
    return key


# --- tables


def _tables(facts: dict[str, Any], where: _Where) -> Iterator[Table]:
    """The tables of the run, each row a way to its place in the figure."""
    if facts["launches"]:
        yield Table(
            (("launch", True), ("trace s", True), ("run s", True), ("rest mm", True), ("greatest lift", True),
             ("reduction", True), ("torque-time", True), ("of the run", True)),
            [
                (
                    Cell(str(one["number"]), jump=where.launch(one["number"])), f"{one['time_s']:.3f}",
                    f"{one['run_s']:.3f}", f"{one['rest_mm']:.1f}", f"{one['greatest_lift_mm']:z.0f} mm",
                    f"{one['greatest_reduction_permille'] / 10:.1f} %", f"{one['full_cut_s']:.3f} s",
                    f"{100 * one['share_taken']:.1f} %",
                )
                for one in facts["launches"]
            ],
            "Launches",
            "Torque-time: the reduction added up over the run, in seconds of no torque at all.",
        )  # fmt: skip
    if facts["lifts"]:
        yield Table(
            (("run", True), ("start s", True), ("in air s", True), ("peak lift", True), ("peak height", True),
             ("at s", True)),
            [_lift_row(one, where) for one in facts["lifts"]],
            f"Lifts above {facts['lift_threshold_mm']:g} mm, seconds since launch",
            f"A lift ends below {facts['lift_ends_below_mm']:g} mm."
            f" Threshold: {facts['lift_threshold_from']}." + _marks(facts["lifts"]),
        )  # fmt: skip
    if facts["interventions"]:
        yield Table(
            (("run", True), ("start s", True), ("lasted s", True), ("reduction", True), ("retard", True),
             ("at peak s", True), ("hold s", True), ("release s", True), ("reason", False)),
            [
                (
                    Cell(_run(one), jump=where.cut(one)), f"{one['since_launch_s']:.3f}",
                    f"{one['duration_s']:.3f}{'+' if one['open_end'] else ''}",
                    f"{one['peak_reduction_permille'] / 10:.1f} %", f"{one['peak_retard_ddeg'] / 10:.1f}°",
                    f"{one['at_peak_s']:.3f}", f"{one['hold_s']:.3f}" if one["hold_s"] else "–",
                    f"{one['release_s']:.3f}", one["reason"],
                )
                for one in facts["interventions"]
            ],
            "Interventions, seconds since launch",
            "+ still on when the trace ends." if _open(facts["interventions"]) else "",
        )  # fmt: skip
    if facts["reasons"]:
        yield Table(
            (("who", False), ("set the reduction s", True), ("share", True)),
            [
                (one["name"], f"{one['time_s']:.3f}", f"{100 * one['share']:.0f} %")
                for one in facts["reasons"]
            ],
            "Why it cut",
            f"The command changed {plural(facts['command_changes'], 'time')} and changed direction"
            f" {plural(facts['command_reversals'], 'time')}.{_left(facts)}",
        )
    if len(facts["askers"]) > 1:
        yield Table(
            (("who", False), ("asked s", True)),
            [(one["name"], f"{one['asked_s']:.3f}") for one in facts["askers"]],
            "Asked for a reduction or a retard",
        )
    if facts["events"]["count"]:
        yield Table(
            (("cylinder", True), ("events", True), ("skipped", True), ("share", True)),
            [
                (
                    str(one["cylinder"]), str(one["events"]), str(one["skipped"]),
                    f"{100 * (one['share'] or 0):.1f} %",
                )
                for one in facts["events"]["cylinders"]
            ],
            "Cylinder events of the runs, in firing order",
        )  # fmt: skip
    faults = _faults_in_runs(facts)
    if faults:
        yield Table(
            (("fault", False), ("times", True), ("in runs s", True)),
            [
                (
                    Cell(one["text"], jump=where.fault(one["first"][0])), str(one["times"]),
                    f"{one['in_runs_s']:.3f}",
                )
                for one in faults
            ],
            "Faults in the runs",
        )  # fmt: skip


def _run(one: dict[str, Any]) -> str:
    return "–" if one["launch"] is None else str(one["launch"])


def _lift_row(one: dict[str, Any], where: _Where) -> list[str | Cell]:
    over = "over " if one["beyond"] else ""
    air = f"{one['in_air_s']:.3f}{'?' if one['unknown_s'] else ''}{'+' if one['open_end'] else ''}"
    return [
        Cell(_run(one), jump=where.lift(one)), f"{one['since_launch_s']:.3f}", air,
        f"{over}{one['peak_lift_mm']:.0f} mm", f"{over}{one['peak_height_mm']:.0f} mm",
        f"{one['peak_since_launch_s']:.3f}",
    ]  # fmt: skip


def _marks(lifts: list[dict[str, Any]]) -> str:
    text = ""
    if any(one["unknown_s"] for one in lifts):
        text += " ? The height was not believed for part of the time, so the nose may have landed earlier."
    if _open(lifts):
        text += " + still up when the trace ends."
    return text


def _open(found: list[dict[str, Any]]) -> bool:
    return any(one["open_end"] for one in found)


def _left(facts: dict[str, Any]) -> str:
    torque = facts["torque"]
    if torque["estimated_share_left"] is None:
        return ""
    source = "skipped events and retard" if torque["estimate_from"] == "events" else "command, no events"
    return (
        f" Torque left over the runs, an estimate: {100 * torque['estimated_share_left']:.1f} % ({source})."
    )


# --- the figure


def _strip(s: Stepped, found: Findings, where: _Where, kept: Kept, facts: dict[str, Any]) -> Strip:
    many = len(found.launches) > 1
    zeros = [
        Zero(where.at(one.tick), f"s since launch {one.number}" if many else "s since the launch")
        for one in found.launches
    ]
    if where.windows:
        view = (where.at(where.windows[0][0]), where.at(where.windows[0][1]))
    else:
        view = (where.at(0), where.at(s.run.n))
    lifts = [lift for lift in facts["lifts"] if lift["launch"] == 1]
    highest = max(lifts, key=lambda lift: lift["peak_lift_mm"], default=None)
    cursor = where.lift(highest).at if highest else where.at(found.launches[0].tick) if zeros else None
    return Strip(
        _FIGURE,
        "The run, tick by tick",
        {"run": Series(_columns(s, kept), s.inputs.start_s, s.tick_s, "tick" if kept.thinned else "")},
        list(_panels(s, kept)),
        view,
        axis="s of the trace",
        cursor=cursor,
        zeros=zeros,
        places=_places(facts, where),
    )


def _columns(s: Stepped, kept: Kept) -> dict[str, Column]:
    """What is drawn of each tick: the numbers of ticks.csv, and of the inputs."""
    t, a, calibration = s.ticks, s.inputs.arrays, s.calibration
    by_speed = calibration.progress_unit == "km/h"

    def column(name: str, per: int = 1, unit: str = "", decimals: int = 0) -> Column:
        return Column(lambda: kept.of(t[name] if name in t else a[name]), per, unit, decimals)

    def read() -> Any:
        heights = calibration.counts_to_height(kept.of(a["counts"]))
        return np.where(kept.of(s.inputs.lost) > 0, np.nan, heights)

    def speed() -> Any:
        return np.where(kept.of(a["speed_valid"]) > 0, kept.of(a["speed"]).astype(np.int32), NONE)

    columns = {
        "lift": column("lift", 16, "mm", 1),
        "entry": column("entry", 16, "mm", 1),
        "height": column("height", 16, "mm", 1),
        "read": Column.of(read, 1, "mm", 1),
        "end": Column.of(lambda: end_of_sensor(s, kept.of(t["rest"]).astype(np.int32)), 0, "mm"),
        **{name: column(name, 10, "%", 1) for name in ("demand", "latched", "reduction")},
        "taken": Column.of(
            lambda: kept.computed(lambda start, stop: torque_taken(s, start, stop)), 1, "%", 0
        ),
        **{name: column(name, 10, "°", 1) for name in ("retard_demand", "retard")},
        **{
            name: Column(lambda name=name: kept.codes(t[name]))  # type: ignore[misc]
            for name in ("state", "reason", "askers", "faults")
        },
        "progress": column("progress", 10 if by_speed else 1, calibration.progress_unit, int(by_speed)),
        "speed": Column(speed, 10, "km/h", 1),
        "engine": column("engine", 1, "rpm"),
        "shaft": column("shaft", 1, "rpm"),
    }
    for number, name in enumerate(("retard_from", "reduction_from", "full")):

        def level(number: int = number) -> Any:
            return calibration.ceilings.at(kept.of(t["progress"]) / (10 if by_speed else 1))[number]

        if np.isfinite(_ceilings(s)[number]).any():
            columns[name] = Column.of(level, 0, "mm", 1)
    for name in ("engine", "shaft"):
        if calibration.number(f"{name}_points"):

            def curve(name: str = name) -> Any:
                return kept.computed(lambda start, stop: rotation_curve(s, name, slice(start, stop)))

            columns[f"{name}_curve"] = Column.of(curve, 0, "rpm", 0)
    if kept.thinned:
        columns["tick"] = Column(kept.ticks, 1 / s.tick_s)
    return columns


def _ceilings(s: Stepped) -> tuple[Any, Any, Any]:
    c = s.calibration.ceilings
    return c.retard_from, c.reduction_from, c.full


def _panels(s: Stepped, kept: Kept) -> Iterator[Panel | Bands | Events]:
    t, a, calibration = s.ticks, s.inputs.arrays, s.calibration
    ceilings = calibration.ceilings
    yield Panel(
        "Lift at the front axle",
        "mm",
        [
            Line("lift", "lift"),
            *([Line("with look-ahead", "entry", "second")] if (t["entry"] != t["lift"]).any() else []),
            *([Line("full reduction", "full", "limit")] if np.isfinite(ceilings.full).any() else []),
            *(
                [Line("reduction from", "reduction_from", "limit-dashed")]
                if np.isfinite(ceilings.reduction_from).any()
                else []
            ),
            *(
                [Line("retard from", "retard_from", "limit-dotted")]
                if np.isfinite(ceilings.retard_from).any()
                else []
            ),
            Line("sensor's end", "end", "pale", scaled=False),
        ],
        height=290,
        bottom=0.0,
        least_top=60.0,
    )
    latched = (t["latched"] != t["reduction"]).any()
    yield Panel(
        "Reduction of the cylinder events",
        "%",
        [
            Line("live demand of the lift", "demand", "fill"),
            Line("commanded", "reduction", "main", stepped=True),
            *([Line("latch of the lift", "latched", "third", stepped=True)] if latched else []),
            Line("torque taken, an estimate", "taken", "second"),
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
        ],
        height=100,
        bottom=0.0,
        least_top=5.0,
    )
    yield _bands(s)
    if s.inputs.has_engine:
        order = calibration.row("firing_order")
        place = np.zeros(max(order) + 1, np.uint8)
        place[order] = np.arange(len(order))
        some = kept.events(s.run.event_tick)
        yield Events(
            "Cylinder events, in firing order",
            Column(s.run.event_tick[some]),
            Column(place[s.run.event_cylinder[some]]),
            Column(s.run.event_bits[some]),
            [str(cylinder) for cylinder in order],
            s.inputs.start_s,
            s.tick_s,
        )
    by_speed = calibration.progress_unit == "km/h"
    yield Panel(
        "Progress",
        calibration.progress_unit,
        [
            Line("as the maps see it", "progress"),
            *([Line("speed signal", "speed", "second")] if by_speed and _own_speed(s) else []),
        ],
        height=110,
        bottom=0.0,
    )
    rotations = [
        line
        for name, look in (("engine", "main"), ("shaft", "third"))
        if a[name].any()
        for line in _rotation(s, name, look)
    ]
    if rotations:
        yield Panel("Engine and shaft speed", "rpm", rotations, height=150, bottom=0.0)
    yield Panel(
        "Height at the sensor",
        "mm",
        [Line("as read", "read", "dots"), Line("used", "height", "main")],
        height=130,
    )


def _own_speed(s: Stepped) -> bool:
    """Whether the speed signal and the progress differ enough to be seen."""
    valid = s.inputs.arrays["speed_valid"] > 0
    off = np.abs(s.inputs.arrays["speed"][valid].astype(np.int32) - s.ticks["progress"][valid])
    return bool((off > 10 * _SEEN_KMH).any())


def _rotation(s: Stepped, name: str, look: Any) -> Iterator[Line]:
    yield Line(f"{name} speed", name, look)
    if s.calibration.number(f"{name}_points"):
        dash: Any = "limit-dashed" if name == "engine" else "limit-dotted"
        yield Line(f"its curve ({name})", f"{name}_curve", dash)


def _bands(s: Stepped) -> Bands:
    t = s.ticks
    rows = [
        Row("latch", "state", STATE_BARS, {code: state_name(code) for code in STATE_BARS}),
        Row("set by", "reason", REASON_BARS, {r: names.reason_name(r) for r in _codes(t["reason"])}),
    ]
    asked = int(np.bitwise_or.reduce(t["askers"]))
    askers = {bit: name for bit, name in names.ASKERS.items() if asked & bit}
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
    return Bands("What the latch does, who set the reduction, faults", rows)


def _codes(values: Any) -> list[int]:
    """The numbers above 0 that occur in whole numbers below 65536."""
    return [int(code) for code in np.flatnonzero(np.bincount(values, minlength=1)) if code]


def _places(facts: dict[str, Any], where: _Where) -> list[Place]:
    """Everything that happened, in the order of the trace."""
    found: list[tuple[int, Place]] = []
    many = len(facts["launches"]) > 1
    for one in facts["launches"]:
        detail = (
            f"lift {one['greatest_lift_mm']:z.0f} mm, {one['greatest_reduction_permille'] / 10:.1f} % taken"
        )
        title = f"{one['number']} at {one['time_s']:.3f} s"
        found.append((one["tick"], Place(title, detail, where.launch(one["number"]), "launch")))
    for one in facts["lifts"]:
        over = "over " if one["beyond"] else ""
        title = f"{over}{one['peak_lift_mm']:.0f} mm for {one['in_air_s']:.3f} s"
        found.append((one["tick"], Place(title, _since(one, many), where.lift(one), "lift")))
    for one in facts["interventions"]:
        most, retard = one["peak_reduction_permille"] / 10, one["peak_retard_ddeg"] / 10
        title = f"{most:.1f} %, {retard:.1f}°: {one['reason']}"
        detail = f"{_since(one, many)}, {one['duration_s']:.3f} s"
        found.append((one["tick"], Place(title, detail, where.cut(one), "cut")))
    for fault in facts["faults"]:
        if fault["bit"] & NAMED_FAULTS:
            for span in fault["first"]:
                if span["tick"] <= where.s.inputs.lead:
                    continue  # from power-up every sensor is at fault for a moment
                detail = f"{_since(span, many)}, {span['duration_s']:.3f} s"
                found.append((span["tick"], Place(fault["text"], detail, where.fault(span), "fault")))
    return [place for _, place in sorted(found, key=lambda one: one[0])]


def _since(one: dict[str, Any], many: bool) -> str:
    if one["launch"] is None:
        return f"at {one['since_launch_s']:.3f} s of the trace"
    return f"{one['since_launch_s']:.3f} s after launch{' ' + str(one['launch']) if many else ''}"
