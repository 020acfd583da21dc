"""What a setting does, as the page draws it: the replayed run, and the predicted one where there is a car.

Everything is worked out by the same replay and the same model of the car as the commands use; the page only
draws. Times are in ms since the launch shown, lifts in mm, progress in the ceilings' own unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.document.window import AFTER_S, LEAST_S
from bench.replay import codes
from bench.replay.figure_data import window
from bench.replay.findings import Findings, Intervention, Launch, Replay, find
from bench.replay.inputs import Inputs, Options, from_trace
from bench.replay.logged import Logged, Tolerance, known, lay_log
from bench.replay.logged_agreement import Overlay, agreement, delay_text
from bench.replay.readiness import LOUD, readiness
from bench.replay.remarks import make_remarks
from bench.replay.run import core_to_use, run
from bench.trace.spans import spans
from bench.trace.text import plural, shown
from bench.vehicle.harm import harm, of_run
from bench.vehicle.results import MARKS_FT, Outcome, seen_in
from bench.vehicle.track import Track
from controller import constants as c

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.trace.model import Trace
    from bench.vehicle.car import VehicleFile

Ints = npt.NDArray[Any]

_COLUMNS = 350  # of each a curve's least and greatest are drawn
_LINE_POINTS = 80  # of a ceiling over time, which has no spikes
_ROUND_S = 0.5  # the time axis ends at a multiple of this, so that it stands still while a handle moves
_MAPS = ("lift_points", "progress_points", "lift_axis", "progress_axis", "reduction_map", "retard_map")
_OF_THE_DESK = {
    *_MAPS, "hold_ticks", "hold_from", "release_q16", "trigger", "look_rising_q12", "look_falling_q12",
}  # fmt: skip
_LOUD = ("no_launch", *LOUD)  # remarks that nobody may overlook
_HARM_FT = 660  # where the model's times are set side by side
_PREDICTED_MARKS = (60, 330, 660, 1000, 1320)


@dataclass(frozen=True)
class View:
    """Which launch is shown (from 1; 0 where there is none), and whether to the end of its run."""

    launch: int = 1
    whole: bool = False


class Source:
    """What stays while a person works: the recorded run, and perhaps a car."""

    def __init__(self, trace: Trace, options: Options, vehicle: VehicleFile | None) -> None:
        self.trace = trace
        self.options = options
        self.vehicle = vehicle
        self.core, self.remark = core_to_use(None)
        self._inputs: tuple[dict[str, Any], Inputs, Logged | None] | None = None
        self._without: tuple[int, Outcome] | None = None
        self._present: tuple[str, Outcome] | None = None

    def _inputs_for(self, cal: CalibrationFile) -> tuple[Inputs, Logged | None]:
        """The controller's inputs and what the car's own did; anew only where something else than the desk's
        settings differs."""
        given = {name: value for name, value in cal.values.items() if name not in _OF_THE_DESK}
        if self._inputs is None or self._inputs[0] != given:
            inputs = from_trace(self.trace, cal, self.options)
            self._inputs = given, inputs, lay_log(self.trace, inputs, "replay")[0]
        return self._inputs[1:]

    def replay(self, cal: CalibrationFile) -> Replay:
        """The recorded run under a calibration."""
        inputs, logged = self._inputs_for(cal)
        return Replay(inputs, run(self.core, cal.image, inputs.arrays), cal, logged)

    def predict(self, cal: CalibrationFile) -> tuple[Outcome, Outcome] | str:
        """The car without and with the controller, driven as `liftlatch predict` does unless told
        otherwise; or why it is not."""
        from bench.vehicle.run import run as drive
        from bench.vehicle.run import slow

        assert self.vehicle is not None
        reason = slow()
        if reason:
            return f"no prediction while a setting moves: {reason}"
        car = self.vehicle.car
        track = Track(1, car.sensor_noise)
        if self._without is None or self._without[0] != cal.tick_us:
            self._without = (cal.tick_us, drive(car, cal, track, False))
        return self._without[1], drive(car, cal, track, True)

    def present(self, cal: CalibrationFile) -> Outcome:
        """The car with the calibration of the file, driven once."""
        from bench.vehicle.run import run as drive

        assert self.vehicle is not None
        if self._present is None or self._present[0] != cal.digest:
            car = self.vehicle.car
            self._present = (cal.digest, drive(car, cal, Track(1, car.sensor_noise), True))
        return self._present[1]


def work_out(
    source: Source, cal: CalibrationFile, view: View, present: CalibrationFile | None = None
) -> dict[str, Any]:
    """The picture of a calibration, as plain values for JSON; `present` is that of the file, which the model
    is told to be worse than."""
    s = source.replay(cal)
    found = find(s)
    number = min(max(view.launch, 1), len(found.launches))
    launch = found.launches[number - 1] if found.launches else None
    mine = [i for i in found.interventions if launch is None or i.launch == number]
    picture = _Picture(s, launch, _window(s, found, launch, view.whole))
    remarks = make_remarks(s, found)
    predicted = _predicted(source, cal, present)
    return {
        "image_crc32": f"{cal.crc:08x}",
        "tick_ms": cal.tick_us / 1000,
        "launches": [{"number": one.number, "time_s": one.time_s} for one in found.launches],
        "launch": number,
        "whole": view.whole,
        "window_ms": picture.bounds_ms(),
        "curves": picture.curves(),
        "bands": picture.bands(),
        "path": picture.path(),
        "ceilings": ceilings(cal),
        "figures": _figures(s, found, launch, mine),
        "loud": [*(predicted or {}).get("harm", []), *(r.text for r in remarks if r.code in _LOUD)],
        "looks": [*(predicted or {}).get("readiness", []), *(r.text for r in remarks if r.code not in _LOUD)],
        "warnings": list(cal.warnings),
        "notes": [*source.trace.notes, *s.inputs.notes],
        "predicted": predicted,
    }


def ceilings(cal: CalibrationFile) -> dict[str, Any]:
    """The ceilings, given or read off the maps: progress in the file's unit and lifts in mm (None where a
    map never cuts)."""
    lines = cal.ceilings
    off = cal.built.map_off
    return {
        "progress": _plain(lines.progress / cal.built.progress_size),
        "retard_from": _plain(lines.retard_from),
        "reduction_from": _plain(lines.reduction_from),
        "reduction_full": _plain(lines.full),
        "given": cal.built.ceilings_mm is not None,
        "off_percent": None if off is None else round(100 * off.off, 1),
        "sensor_end_mm": round(cal.far_lift_mm, 1),
    }


def _plain(values: npt.NDArray[np.float64]) -> list[float | None]:
    return [None if math.isnan(v) else round(v, 3) for v in values.tolist()]


def _window(s: Replay, found: Findings, launch: Launch | None, whole: bool) -> tuple[int, int, int]:
    """The ticks drawn, [first, last), and the tick from which time counts."""
    if launch is None:
        return 0, s.run.n, s.inputs.lead
    first, stop = window(s, found, launch)
    if whole:
        return first, launch.end_tick, launch.tick
    shown_s = math.ceil((stop - launch.tick) * s.tick_s / _ROUND_S) * _ROUND_S
    return first, min(launch.end_tick, launch.tick + round(shown_s / s.tick_s)), launch.tick


def thinned(values: Ints, columns: int = _COLUMNS) -> Ints:
    """Indices of the points that a curve needs: in each of so many columns its least and its greatest, and
    where it is level only the ends."""
    n = len(values)
    if n > 4 * columns:
        width = -(-n // columns)
        padded = np.concatenate((values, np.full(-n % width, values[-1]))).reshape(-1, width)
        starts = np.arange(len(padded)) * width
        found = np.concatenate(([0], starts + padded.argmin(1), starts + padded.argmax(1), [n - 1]))
        kept = np.unique(np.minimum(found, n - 1))
    else:
        kept = np.arange(n)
    if len(kept) < 3:
        return kept
    at = values[kept]
    level = (at[1:-1] == at[:-2]) & (at[1:-1] == at[2:])
    return kept[np.concatenate(([True], ~level, [True]))]


class _Picture:
    def __init__(self, s: Replay, launch: Launch | None, window: tuple[int, int, int]) -> None:
        self.s = s
        self.launch = launch
        self.first, self.last, self.zero = window
        self.part = slice(self.first, self.last)
        self.ms = s.tick_s * 1000

    def at_ms(self, ticks: Any) -> Any:
        return np.round((np.asarray(ticks) - self.zero) * self.ms, 1)

    def bounds_ms(self) -> list[float]:
        return [float(self.at_ms(self.first)), float(self.at_ms(self.last))]

    def curve(self, values: Ints, scale: float) -> dict[str, Any]:
        """One column over time; `scale` is what one unit of it is."""
        kept = thinned(values)
        shown = values[kept].astype(np.float64) * scale
        return {"t": self.at_ms(kept + self.first).tolist(), "v": np.round(shown, 2).tolist()}

    def curves(self) -> dict[str, Any]:
        t = self.s.ticks
        found = {
            "lift": self.curve(t["lift"][self.part], 1 / 16),
            "demand": self.curve(t["demand"][self.part], 0.1),
            "reduction": self.curve(t["reduction"][self.part], 0.1),
            "retard": self.curve(t["retard"][self.part], 0.1),
            **self._ceilings(),
        }
        ahead = t["entry"][self.part]
        if np.any(ahead != t["lift"][self.part]):
            found["ahead"] = self.curve(ahead, 1 / 16)
        for name in ("reduction", "retard"):
            if name in self.s.logged_ticks:
                found[f"logged_{name}"] = self.curve(known(self.s.logged_ticks[name])[self.part], 0.1)
        return found

    def _ceilings(self) -> dict[str, Any]:
        """How high the nose may go at each moment, by how far the run has come."""
        cal = self.s.calibration
        start = self.launch.tick if self.launch else self.first
        ticks = np.unique(np.linspace(start, max(start, self.last - 1), _LINE_POINTS).astype(np.int64))
        progress = self._progress(ticks)
        lines = cal.ceilings.at(progress)
        t = self.at_ms(ticks).tolist()
        names_of = ("retard_from", "reduction_from", "reduction_full")
        return {name: {"t": t, "v": _plain(line)} for name, line in zip(names_of, lines, strict=True)}

    def _progress(self, ticks: Any) -> npt.NDArray[np.float64]:
        scale = 1.0 if self.s.calibration.progress_unit == "ms" else 0.1
        return np.asarray(self.s.ticks["progress"][ticks] * scale, dtype=np.float64)

    def path(self) -> dict[str, Any]:
        """The run's own lift over progress, as it lies behind the ceilings, and whether torque was taken."""
        start = self.launch.tick if self.launch else self.first
        kept = start + thinned(self.s.ticks["lift"][start : self.last])
        progress = self._progress(kept) / self.s.calibration.built.progress_size
        return {
            "t": self.at_ms(kept).tolist(),
            "p": np.round(progress, 2).tolist(),
            "v": np.round(self.s.ticks["lift"][kept] / 16, 1).tolist(),
            "cut": (self.s.ticks["reduction"][kept] > 0).astype(int).tolist(),
        }

    def bands(self) -> dict[str, Any]:
        """Stretches of time: who set the reduction, what the latch did, out of sight, faults."""
        t, part = self.s.ticks, self.part
        taking = t["reduction"][part] > 0
        reason, state = t["reason"][part], t["state"][part]
        who = [
            {"from": a, "to": b, "name": codes.reason_name(int(number))}
            for number in np.unique(reason[taking])
            for a, b in self._spans((reason == number) & taking)
        ]
        latch = [
            {"from": a, "to": b, "name": codes.STATES[number].replace("_", " ")}
            for number in (c.HOLD, c.RELEASE, c.KEPT, c.FAULT_RELEASE)
            for a, b in self._spans(state == number)
        ]
        fault = c.FAULT_SENSOR | c.FAULT_FALL | c.FAULT_STUCK
        return {
            "reason": sorted(who, key=lambda span: span["from"]),
            "latch": sorted(latch, key=lambda span: span["from"]),
            "sight": self._spans(self.s.bit(c.FAULT_OUT_OF_SIGHT, part)),
            "fault": self._spans(self.s.bit(fault, part)),
        }

    def _spans(self, mask: Ints) -> list[Any]:
        return [self.at_ms(np.array(span) + self.first).tolist() for span in spans(mask)][:300]


def _figures(
    s: Replay, found: Findings, launch: Launch | None, mine: list[Intervention]
) -> list[dict[str, Any]]:
    """The answers in words: key, title, the bare number (None where there is none), text, and more of it."""
    figures: list[dict[str, Any]] = []

    def add(key: str, title: str, value: float | None, text: str, more: str = "") -> None:
        figures.append({"key": key, "title": title, "value": value, "text": text, "more": more})

    cuts = [i for i in mine if i.peak_reduction_permille]
    if cuts:
        most = max(cuts, key=lambda i: i.peak_reduction_permille)
        text = f"{most.peak_reduction_permille / 10:.1f} %"
        more = f"{most.peak_since_launch_s:.3f} s after the launch, {shown(most.reason)}"
        add("cut", "Peak cut", most.peak_reduction_permille / 10, text, more)
    else:
        add("cut", "Peak cut", 0.0, "none", "no torque is cut in this run")
    if mine:
        last = mine[-1]
        end = round(last.since_launch_s + last.duration_s, 6)
        begun = f"first taken at {mine[0].since_launch_s:.3f} s"
        if last.open_end:
            add("back", "All given back", None, "not yet", f"still on when the trace ends; {begun}")
        else:
            add("back", "All given back", end, f"{end:.3f} s", f"after the launch; {begun}")
    else:
        add("back", "All given back", None, "nothing taken")
    again = mine[1:]
    when = ", ".join(f"{i.since_launch_s:.3f} s" for i in again[:4]) + (" …" if len(again) > 4 else "")
    add(
        "again", "Second interventions", len(again), str(len(again)) if again else "none",
        f"at {when}" if again else "",
    )  # fmt: skip
    if launch is not None:
        share = f"{100 * launch.share_taken:.1f} % of the run"
        add("taken", "Torque-time taken", launch.full_cut_s, f"{launch.full_cut_s:.3f} s", share)
    retard = max((i.peak_retard_ddeg for i in mine), default=0) / 10
    add("retard", "Greatest retard", retard, f"{retard:.1f}°")
    add(
        "changes", "Changes of the command", found.command_changes, str(found.command_changes),
        plural(found.command_reversals, "change") + " of direction",
    )  # fmt: skip
    left = found.torque["estimated_share_left"]
    if left is not None:
        runs = "" if len(found.launches) == 1 else "over all runs; "
        add("left", "Torque left", 100 * left, f"{100 * left:.1f} %", f"{runs}an estimate")
    if launch is not None:
        _agreement(s, add)
        lift = launch.greatest_lift_mm
        add("lift", "Highest nose", lift, f"{lift:.0f} mm", "as recorded; no setting changes a recording")
    return figures


def _agreement(s: Replay, add: Callable[..., None]) -> None:
    """How far this setting's commands are those that the car's own controller gave, where a log has them."""
    if s.logged is None:
        return
    logged = agreement(Overlay(s, s.logged, Tolerance()))
    if logged["agree_share"] is None:
        return
    within = logged["tolerance"]
    more = (
        f"within {within['reduction_percent']:g} % and {within['retard_deg']:g}°, over all runs;"
        f" {delay_text(logged)}"
    )
    share = 100 * logged["agree_share"]
    add("car", "As the car's own", share, f"{share:.1f} %", more)


def _predicted(
    source: Source, cal: CalibrationFile, present: CalibrationFile | None
) -> dict[str, Any] | None:
    if source.vehicle is None:
        return None
    driven = source.predict(cal)
    if isinstance(driven, str):
        return {"why_not": driven}
    without, controlled = driven
    until = _until(without, controlled)
    others = [of_run("no control", without, _HARM_FT)]
    if present is not None and present.image != cal.image:
        others.insert(0, of_run("the calibration of the file", source.present(present), _HARM_FT))
    worse = harm(of_run("this setting", controlled, _HARM_FT), others)
    return {
        "harm": [f"In the model: {text}" for text in worse],
        "until_ms": until,
        "without": _driven(without, cal, until),
        "with": _driven(controlled, cal, until),
        "rows": _rows(without, controlled),
        "readiness": [one.text for one in readiness(seen_in(controlled), cal, "Predicted run")],
    }


def _until(*outcomes: Outcome) -> float:
    """Where the picture ends: shortly after the last landing, in ms."""
    ends = [LEAST_S]
    for outcome in outcomes:
        flying = np.flatnonzero(outcome.columns["gap"] > 0)
        if len(flying):
            ends.append(float(outcome.columns["time"][flying[-1]]) + AFTER_S)
    return min(1000 * math.ceil(max(ends) / _ROUND_S) * _ROUND_S, 8000.0)


def _driven(outcome: Outcome, cal: CalibrationFile, until_ms: float) -> dict[str, Any]:
    columns = outcome.columns
    time = columns["time"] * 1000
    inside = (time >= -1e-6) & (time <= until_ms)
    lift = columns["lift"][inside] * 1000
    kept = thinned(lift)
    time = time[inside]
    by_time = cal.progress_unit == "ms"
    progress = time if by_time else columns["velocity"][inside] * 3.6
    return {
        "t": np.round(time[kept], 1).tolist(),
        "v": np.round(lift[kept], 1).tolist(),
        "p": np.round(progress[kept] / cal.built.progress_size, 2).tolist(),
        "cut": (columns["reduction"][inside][kept] > 0).astype(int).tolist(),
    }


def _rows(without: Outcome, controlled: Outcome) -> list[dict[str, Any]]:
    """Figures side by side: title, unit, decimals, without and with (None where a run did not get there)."""
    rows = []

    def add(key: str, title: str, unit: str, digits: int, values: list[float]) -> None:
        pair = [None if math.isnan(v) else round(v, digits) for v in values]
        rows.append({
            "key": key, "title": title, "unit": unit, "digits": digits, "without": pair[0], "with": pair[1]
        })  # fmt: skip

    both = (without, controlled)
    add("peak_lift", "Highest nose", "mm", 0, [o.score("peak_lift") * 1000 for o in both])
    add("landing_speed", "Comes down at", "m/s", 2, [o.score("landing_speed") for o in both])
    for feet in _PREDICTED_MARKS:
        times = [o.at_mark("nose_time", feet) for o in both]
        if feet in (MARKS_FT[0], MARKS_FT[2], MARKS_FT[-1]):
            add(f"time_{feet}", f"{feet} ft", "s", 3, times)
    add("bar_force", "Hardest on the bar", "kN", 1, [o.score("bar_force") / 1000 for o in both])
    add("turned_over", "Turned over", "", 0, [o.score("turned_over") for o in both])
    return rows
