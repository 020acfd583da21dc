"""What deserves attention: of the recording, of the sensor, and of the calibration on this trace."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.replay.findings import Findings, Launch, Mask, Replay
from bench.replay.readiness import Remark, Seen, readiness
from bench.trace.packed import each_packed
from bench.trace.spans import spans
from bench.trace.text import percent
from controller import constants as c

_REVERSALS_PER_S = 10.0
_REST_OFF_MM = 10.0
_STOOD_S = 0.5
_LITTLE = 0.02
_IN_RANGE = 0.1
# A wheel in the air slows down: over a flight so long a rise beyond noise is not its own, and a fall that the
# landing makes good at once is hardly the car's.
_FLIGHT_S = 0.3
_ROSE_KMH = 5.0
_FELL_KMH = 10.0


def make_remarks(s: Replay, found: Findings) -> list[Remark]:
    """All remarks, the most important first."""
    if not s.runs:
        text = "No launch was found, so nothing was asked for by the lift: give --launch-at, or a speed."
        return [Remark("no_launch", text)]
    return [*_launches(s, found), *_sensor(s, found), *_axes(s), *_speed(s, found), *_command(s, found)]


def _launches(s: Replay, found: Findings) -> Iterator[Remark]:
    for launch in found.launches:
        number = launch.number
        yield from readiness(_seen(s, launch), s.calibration, f"Launch {number}")
        off = _rest_off(s, launch)
        if off is not None and abs(off) > _REST_OFF_MM:
            where, wrong = ("higher", "great") if off > 0 else ("lower", "small")
            yield Remark(
                "rest_height",
                f"Launch {number}: the nose stood {abs(off):.0f} mm {where} than the rest height in use"
                f" ({launch.rest_mm:g} mm), so every lift is shown that much too {wrong}.",
            )


def _seen(s: Replay, launch: Launch) -> Seen:
    """A launch and what stood before it, from the end of the run before."""
    first = s.runs[launch.number - 2][1] if launch.number > 1 else s.inputs.lead
    part = slice(first, launch.end_tick)
    read = s.inputs.arrays
    return Seen(
        s.tick_s,
        read["counts"][part],
        each_packed(_kmh, read["speed_valid"][part], read["speed"][part]),
        read["armed"][part],
        each_packed(lambda lift: lift / 16, s.ticks["lift"][part]),
        s.ticks["faults"][part],
        launch.tick - first,
    )


def _kmh(valid: npt.NDArray[Any], speed: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """The speed signal, NaN where there is none."""
    return np.where(valid != 0, speed / 10, np.nan)


def _rest_off(s: Replay, launch: Launch) -> float | None:
    """How far from the rest height in use the nose stood before a launch, mm; None where it did not stand."""
    part = slice(max(launch.tick - round(_STOOD_S / s.tick_s), s.inputs.lead), launch.tick)
    good = ~s.bit(c.FAULT_SENSOR | c.FAULT_OUT_OF_SIGHT, part)
    height = s.ticks["height"][part][good] / 16
    if len(height) * s.tick_s < _STOOD_S / 2 or height.max() - height.min() > 2 * _REST_OFF_MM:
        return None
    return float(np.median(height)) - launch.rest_mm


def _sensor(s: Replay, found: Findings) -> Iterator[Remark]:
    far, near_end = max(s.calibration.row("sensor_height")), s.calibration.number("near_end")
    ended = s.seconds(s.launched & (s.ticks["height"] >= far - near_end))
    held = s.launched & s.bit(c.FAULT_OUT_OF_SIGHT)
    if held.any():
        yield Remark("out_of_sight", _held(s, held, far, near_end))
    elif ended:
        text = f"The height was within {near_end / 16:.0f} mm of the sensor's end for {ended:.3f} s."
        yield Remark("sensor_at_end", text)
    lost = s.seconds(s.launched & s.inputs.lost)
    if lost:
        yield Remark("no_height", f"The trace has no height for {lost:.3f} s of the runs.")
    for fault in found.faults:
        if (
            fault["bit"] in (c.FAULT_SENSOR, c.FAULT_STUCK, c.FAULT_INPUT, c.FAULT_TICK)
            and fault["in_runs_s"]
        ):
            text = f"{fault['text'].capitalize()}: {fault['in_runs_s']:.3f} s of the runs."
            yield Remark(f"fault_{fault['name']}", text)


def _held(s: Replay, held: Mask, far: int, near_end: int) -> str:
    """What the controller believed, beside what the recording reads."""
    where = spans(held)
    since = s.since_launch(where[0][0], s.run_of(where[0][0]))
    times = f", {len(where)} times" if len(where) > 1 else ""
    text = (
        f"The controller held the nose for out of sight for {s.seconds(held):.3f} s{times}, from"
        f" {since:.2f} s on"
    )
    counts = s.inputs.arrays["counts"][held]
    cal = s.calibration
    inside = (counts >= cal.number("window_low")) & (counts <= cal.number("window_high"))
    low = inside & (cal.counts_to_height(counts) < (far - near_end) / 16)
    share = float(low.mean())
    if share > _IN_RANGE:
        return f"{text}, although the recording reads heights in range for {percent(share)} of it."
    return f"{text}; the recording reads no height below the sensor's end of {far / 16:.0f} mm there."


def _axes(s: Replay) -> Iterator[Remark]:
    """Where the maps' axes do not cover the data, or there was no speed to enter them with."""
    by_speed = s.calibration.progress_unit == "km/h"
    run_ticks = int(np.count_nonzero(s.launched))
    for name, column, unit in (
        (f"progress ({s.calibration.progress_unit})", "progress", 10 if by_speed else 1),
        ("lift (mm)", "entry", 16),
    ):
        last = s.calibration.row("progress_axis" if column == "progress" else "lift_axis")[-1]
        above = s.launched & (s.ticks[column] > last)
        share = np.count_nonzero(above) / run_ticks
        if share > _LITTLE:
            reached = int(s.ticks[column][above].max())
            yield Remark(
                f"{column}_beyond_axis",
                f"The maps' axis of {name} ends at {last / unit:g}, but it reached {reached / unit:.0f}:"
                f" {100 * share:.0f} % of the run used the end values.",
            )
    no_speed = s.launched & s.bit(c.FAULT_SPEED)
    if by_speed and no_speed.any():
        without = percent(np.count_nonzero(no_speed) / run_ticks)
        text = f"There was no valid speed for {without} of the run; the calibrated curve stood in."
        yield Remark("no_valid_speed", text)


def _speed(s: Replay, found: Findings) -> Iterator[Remark]:
    """A speed that behaves as the other kind of wheel than the calibration says, with the nose up."""
    if s.calibration.progress_unit != "km/h":
        return
    front = s.calibration.number("speed_source") == c.FRONT_WHEEL_SPEED
    read = s.inputs.arrays
    speed = each_packed(_kmh, read["speed_valid"], read["speed"])
    for lift in found.lifts:
        stop = lift.tick + round(lift.in_air_s / s.tick_s)
        up = speed[lift.tick : stop]
        after = speed[stop : stop + round(_FLIGHT_S / s.tick_s)]
        if lift.launch is None or lift.in_air_s < _FLIGHT_S or np.isnan(up).any():
            continue
        # A wheel that turns again before the lift has ended is past its flight.
        first, last, least = float(up[0]), float(up[len(up) * 2 // 3]), float(up.min())
        if front and last - first > _ROSE_KMH:
            yield Remark(
                "not_a_front_wheel",
                f"The speed rose from {first:.0f} to {last:.0f} km/h with the nose up, which a front wheel in"
                ' the air does not: is it the car\'s? Then speed_from = "car".',
            )
            return
        back = float(np.nanmax(after, initial=0.0)) - least if len(after) else 0.0
        if not front and first - least > _FELL_KMH and back > _FELL_KMH:
            yield Remark(
                "a_front_wheel",
                f"The speed fell from {first:.0f} to {least:.0f} km/h with the nose up and was back after the"
                ' landing, as a front wheel\'s is: then speed_from = "front_wheel".',
            )
            return


def _kept(s: Replay) -> Iterator[Remark]:
    """Runs whose torque was never given back, because of the sensor."""
    for number, (start, stop) in enumerate(s.runs, 1):
        reason = s.ticks["reason"][start:stop]
        if reason[-1] != c.REASON_KEPT:
            continue
        other = np.flatnonzero(reason != c.REASON_KEPT)
        seconds = s.seconds(stop - start - (int(other[-1]) + 1 if len(other) else 0))
        taken = int(s.ticks["reduction"][stop - 1]) / 10
        yield Remark(
            "kept_to_the_end",
            f"Launch {number}: a fault of the height sensor kept torque taken for the last {seconds:.3f} s of"
            f" the run, {taken:.1f} % at its end.",
        )


def _command(s: Replay, found: Findings) -> Iterator[Remark]:
    yield from _kept(s)
    yield from _reached(s)
    latched = [item for item in found.interventions if item.latched]
    if latched and s.calibration.number("hold_ticks") and not any(item.hold_ran_out for item in latched):
        yield Remark(
            "hold_never_ran_out", "The hold never ran out: what was taken was still held at the end."
        )
    limit = s.calibration.number("reduction_limit")
    capped = s.seconds(s.ticks["latched"] > limit)
    if capped:
        yield Remark("capped", f"The limit of {limit / 10:g} % cut the lift's reduction for {capped:.3f} s.")
    reduced = found.torque["reduced_s"]
    if reduced and found.command_reversals / reduced > _REVERSALS_PER_S:
        ahead = s.calibration.number("look_rising_q12") or s.calibration.number("look_falling_q12")
        why = ", the price of the look-ahead on a noisy sensor" if ahead else ""
        yield Remark(
            "many_reversals",
            f"The command changed direction {found.command_reversals} times in {reduced:.3f} s of"
            f" reduction{why}.",
        )


def _reached(s: Replay) -> Iterator[Remark]:
    """How much of the map's reduction the lift asked for."""
    cells = s.calibration.map_cells("reduction_map")
    full = int(cells.max())
    seen = s.launched & ~s.bit(c.FAULT_OUT_OF_SIGHT)
    demand = int(s.ticks["demand"][seen].max(initial=0))
    greatest = int(s.ticks["lift"][s.launched].max()) / 16
    if full and demand == 0:
        # the last row without a reduction
        row = max(int((cells > 0).any(axis=1).argmax()) - 1, 0)
        least = s.calibration.row("lift_axis")[row] / 16
        why = (
            f"the map's reduction begins at {least:g} mm"
            if greatest <= least
            else "that is below the trigger"
        )
        text = f"The lift asked for no reduction: it reached {greatest:.0f} mm, and {why}."
        yield Remark("reduction_never_reached", text)
    elif demand < full:
        yield Remark(
            "full_reduction_never_reached",
            f"The lift asked for {demand / 10:.1f} % at most of the map's {full / 10:.1f} %, at up to"
            f" {greatest:.0f} mm.",
        )
