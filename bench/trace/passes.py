"""The passes of a trace: a log may hold burnout, staging, run, return road, and all of that three times.

A pass begins where the car drives off, or with the launch switch, or (with no speed) where the nose rises.
What it then does says what it was: a run stands first, gains speed steadily, lifts its nose or loads its
engine, and ends at the shutdown, where the speed leaves its greatest. The best one is taken unless a person
asks for another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.errors import UserError
from bench.trace import launching
from bench.trace.grid import on_grid
from bench.trace.launching import MOVING_KMH, STILL_KMH, Signals, Switches, departures, standing_again
from bench.trace.model import Trace
from bench.trace.roles import ARMED, ENGINE_SPEED, HEIGHT, LAUNCH, SPEED
from bench.trace.spans import spans
from bench.trace.text import plural

RUN_KMH = 80.0
"""A pass that does not get so fast is no run, if its nose stays down."""

_RUN_GAIN = 20.0  # km/h each second over the first two; a car that is driven gains less
_RUN_RISE_MM = 50.0
_SHUTDOWN = 0.03  # the speed has left its greatest by so much, and comes down by more after it
_CAME_DOWN = 0.10
_NO_CAR_KMH = 650.0
_FLAT_S = 2.0
_CHUNK = 1 << 18
_STOOD_STILL_S = 1.0
_FLAT = {"mm": 1.0, "V": 0.01, "count": 3.0}


@dataclass(frozen=True)
class Pass:
    """One pass, by ticks: where it begins, its shutdown or end, and whether it stood before and after. `rise`
    is the greatest height less that before, `top_kmh` the greatest speed, `gain` km/h each second over the
    first two seconds, `top_rpm` the greatest engine speed; None where that is not recorded."""

    number: int
    start: int
    end: int
    seconds: float
    stood: bool
    stands_after: bool
    rise: float | None
    top_kmh: float | None
    gain: float | None
    top_rpm: float | None
    score: float = 0.0

    def kind(self, unit: str) -> str:
        """What it was, in a word or two; `unit` is that of the rise."""
        if self.top_kmh is None:
            return "a pass"
        lifted = unit == "mm" and (self.rise or 0.0) >= _RUN_RISE_MM
        if (self.top_kmh >= RUN_KMH or lifted) and (self.gain or 0.0) >= _RUN_GAIN:
            return "a run"
        if (self.gain or 0.0) < _RUN_GAIN / 2 or self.seconds > 15:
            return "a drive"
        return "a burnout or a short move"

    def told(self, time_s: float, unit: str) -> str:
        """One line: when, what, and by what that is seen."""
        parts = [] if self.rise is None else [f"rises {self.rise:.3g} {unit}"]
        if self.top_kmh is not None:
            parts.append(f"{self.top_kmh:.0f} km/h" + (", back to 0" if self.stands_after else ""))
        if self.top_rpm is not None:
            parts.append(f"{self.top_rpm:.0f} rpm")
        return f"{time_s:.1f} s, {self.kind(unit)}: {', '.join(parts) or 'nothing recorded of it'}"


def find_passes(
    seen: Signals, made: Switches, rpm: npt.NDArray[Any] | None, height: npt.NDArray[Any]
) -> list[Pass]:
    """The passes of a trace in order, with their scores. `rpm` (None where it is not recorded) and `height`,
    in any unit, have an entry for each tick."""
    starts = _starts(seen, made)
    passes = []
    for i, start in enumerate(starts):
        stop = starts[i + 1] if i + 1 < len(starts) else seen.n
        passes.append(_measure(seen, i + 1, start, stop, height, rpm))
    most = max((one.rise for one in passes if one.rise is not None), default=0.0)
    revs = max((one.top_rpm for one in passes if one.top_rpm is not None), default=0.0)
    return [_scored(one, most, revs) for one in passes]


def _starts(seen: Signals, made: Switches) -> list[int]:
    """Where passes begin: launches, and the car driving off where no launch is near."""
    launches = [start for start, _ in spans((made.armed > 0) & (made.launch > 0))]
    if seen.speed is None:
        return launches
    near = seen.ticks(2.0)
    others = [at for at in departures(seen) if all(abs(at - launch) > near for launch in launches)]
    return sorted({*launches, *others})


def _measure(
    seen: Signals, number: int, start: int, stop: int, height: npt.NDArray[Any], rpm: npt.NDArray[Any] | None
) -> Pass:
    before = slice(max(0, start - seen.ticks(0.5)), max(start, 1))
    end, stands_after = stop, False
    stood, top, gain = True, None, None
    if seen.speed is not None:
        again = standing_again(seen, start, stop)
        stands_after = again is not None
        end = _shutdown(seen, start, stop if again is None else again)
        stood = bool((seen.speed[before] <= STILL_KMH).all())
        window = seen.speed[start:end]
        top = _greatest(window)
        two = seen.speed[start : start + seen.ticks(2.0)]
        gain = None if (fast := _greatest(two)) is None else fast / 2.0
    lifted, rest = _greatest(height[start:end]), _middle(height[before])
    rise = None if lifted is None or rest is None else lifted - rest
    top_rpm = None if rpm is None else _greatest(rpm[start:end])
    seconds = (end - start) * seen.tick_us / 1e6
    return Pass(number, start, end, seconds, stood, stands_after, rise, top, gain, top_rpm)


def _shutdown(seen: Signals, start: int, stop: int) -> int:
    """The tick at which the speed leaves its greatest to come down; `stop` where it does not."""
    assert seen.speed is not None
    speed = seen.speed[start:stop]
    top = _greatest(speed)
    if top is None or top < MOVING_KMH:
        return stop
    fast = speed >= (1 - _SHUTDOWN) * top
    last = len(fast) - 1 - int(np.argmax(fast[::-1]))
    if float(np.fmin.reduce(speed[last:])) > (1 - _CAME_DOWN) * top:
        return stop
    return start + last + 1


def _greatest(values: npt.NDArray[Any]) -> float | None:
    """The greatest number, less the last two in a hundred thousand, which may be a wrong reading."""
    known = int(np.count_nonzero(np.isfinite(values)))
    if known == 0:
        return None
    count = known // 50_000
    most = np.empty(0, values.dtype)
    for start in range(0, len(values), _CHUNK):
        part = np.asarray(values[start : start + _CHUNK])
        most = np.concatenate((most, part[np.isfinite(part)]))
        most = np.partition(most, max(0, len(most) - 1 - count))[-1 - count :]
    return float(most.min())


def _middle(values: npt.NDArray[Any]) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None


def _scored(one: Pass, most: float, revs: float) -> Pass:
    """How much it looks like a run: standing, then speed and lift or engine load, a steady gain to a
    finish."""
    score = 1.0 * one.stood
    score += 3.0 * min((one.top_kmh or 0.0) / 200.0, 1.0)
    score += 2.0 * min((one.gain or 0.0) / 60.0, 1.0)
    score += 2.0 * max(0.0, (one.rise or 0.0) / most if most > 0 else 0.0)
    score += 1.0 * ((one.top_rpm or 0.0) / revs if revs > 0 else 0.0)
    score += 1.0 * min(one.seconds / 4.0, 1.0)
    return replace(one, score=score)


def best_of(passes: Sequence[Pass], run: int | None, where: object) -> Pass | None:
    """The pass to take: the one asked for, or the best; None where there is none. Raises UserError for a
    number that the trace does not have."""
    if run is not None and not 1 <= run <= len(passes):
        what = f"--run {run}: the trace has {plural(len(passes), 'pass').replace('passs', 'passes')}"
        raise UserError(what, where, "`liftlatch trace show` numbers them")
    if run is not None:
        return passes[run - 1]
    return max(passes, key=lambda one: one.score, default=None)


def take_pass(
    trace: Trace,
    seen: Signals,
    made: Switches,
    rpm: npt.NDArray[Any] | None,
    height: npt.NDArray[Any],
    unit: str,
) -> list[str]:
    """Leave one pass of the trace in the switches, and say which and why not the others. An arming switch
    that parts them is taken as it is, unless a pass is asked for (`trace.run`)."""
    if seen.launch_at is not None and trace.run is None:
        return []
    found = find_passes(seen, made, rpm, height)
    taken = best_of(found, trace.run, trace.path)
    parted = seen.armed is not None and not seen.armed.all()
    if taken is None or (trace.run is None and (parted or (len(found) == 1 and seen.armed is not None))):
        return []
    keep_only(taken, seen, made)
    start = float(trace.time_s[0])
    notes = []
    if len(found) > 1:
        how = "asked for" if trace.run is not None else "the best"
        what = taken.told(start + taken.start * seen.tick_us / 1e6, unit)
        notes.append(f"run: pass {taken.number} of {len(found)}, {how}: {what}")
    if taken.end < seen.n and seen.armed is None:
        notes.append(f"run: it ends at the shutdown, {start + taken.end * seen.tick_us / 1e6:.3f} s")
    return notes + [
        f"passed over (--run {one.number}): {one.told(start + one.start * seen.tick_us / 1e6, unit)}"
        for one in found
        if one is not taken
    ]


def keep_only(taken: Pass, seen: Signals, made: Switches) -> None:
    """Let the controller launch for one pass alone. Where the arming is not recorded it ends at the
    shutdown."""
    near = seen.ticks(2.0)
    for start, stop in spans(made.launch > 0):
        if not taken.start - near <= start < max(taken.end, taken.start + 1):
            made.launch[start:stop] = 0
    if not made.launch[taken.start : taken.end].any():
        made.launch[taken.start : taken.end] = 1
    if seen.armed is None and taken.end < seen.n:
        made.armed[taken.end :] = 0
        made.launch[taken.end :] = 0


def doubts(seen: Signals, made: Switches, unit: str, height: npt.NDArray[Any]) -> list[str]:
    """What is most likely wrong with how a trace was read. `height` is in `unit`, one entry for each tick."""
    found = []
    if seen.launch is not None and seen.launch_at is None and len(seen.launch) and seen.launch[0]:
        found.append(
            "the launch switch is on in the first row: is its polarity right? A layout's"
            ' [launch] when = "off" or "released" turns it round'
        )
    if seen.n >= seen.ticks(_FLAT_S) and np.isfinite(height).any():
        moves = float(np.fmax.reduce(height) - np.fmin.reduce(height))
        if moves < _FLAT.get(unit, 0.0):
            found.append(f"the height never moves (by {moves:.3g} {unit} in all): is it the right column?")
    if seen.speed is not None:
        top = _greatest(seen.speed)
        if top is not None and top > _NO_CAR_KMH:
            found.append(
                f"the speed reaches {top:.0f} km/h, which no car does: is it an engine or shaft speed, or in"
                " another unit?"
            )
        found += _stands_in_a_run(seen, made)
    return found


def _stands_in_a_run(seen: Signals, made: Switches) -> list[str]:
    assert seen.speed is not None
    found = []
    on = (made.armed > 0) & (made.launch > 0)
    if seen.launch is not None and seen.launch_at is None:
        # as recorded: a car that stands again was disarmed for it
        on = (seen.launch > 0) & (True if seen.armed is None else seen.armed > 0)
    for start, stop in spans(on):
        still = [
            (first, last)
            for first, last in spans(seen.speed[start:stop] <= STILL_KMH)
            if (last - first) >= seen.ticks(_STOOD_STILL_S)
        ]
        if still and (seen.speed[start + still[0][0] + 1 : stop] >= MOVING_KMH).any():
            at = (start + still[0][0]) * seen.tick_us / 1e6
            seconds = (still[0][1] - still[0][0]) * seen.tick_us / 1e6
            found.append(
                f"the car stands still for {seconds:.1f} s in the middle of a run, {at:.1f} s into the trace:"
                " are the launch switch and the speed right?"
            )
    return found


def seen_in(trace: Trace, tick_us: int) -> tuple[Signals, npt.NDArray[Any], str]:
    """What a trace shows without a calibration, by ticks; its height (NaN where it is not known) and the
    unit."""
    usual = 1.0 / trace.rate_hz
    grid = on_grid(trace, tick_us, max(0.25, 5 * usual))
    channel = trace.channels[HEIGHT]
    height, unit = grid.values[HEIGHT], channel.unit
    if unit == "V" and channel.curve:
        volts, heights = zip(*channel.curve, strict=True)
        height, unit = np.interp(height, volts, heights), "mm"
    rest = _middle(height[: max(1, round(500_000 / tick_us))])
    lift = np.full(grid.n, np.nan, np.float32)
    if unit == "mm" and rest is not None:
        lift = (height - rest).astype(np.float32)
    speed = grid.values[SPEED].astype(np.float32) if SPEED in grid.values else None

    def switch(role: str) -> npt.NDArray[Any] | None:
        return (grid.values[role] > 0.5).astype(np.uint8) if role in grid.values else None

    disarm = max(1, round(100_000 / tick_us))
    seen = Signals(tick_us, disarm, grid.n, lambda: lift, speed, switch(ARMED), switch(LAUNCH))
    return seen, height, unit


def look_for_passes(trace: Trace, tick_us: int = 10_000) -> tuple[list[Pass], Pass | None, list[str], str]:
    """(the passes of a trace, the one to take, what is doubtful, the unit of their rise), without a
    calibration; a Pass is in ticks of `tick_us`."""
    seen, height, unit = seen_in(trace, tick_us)
    made = launching.find(seen)
    rpm = None
    if ENGINE_SPEED in trace.channels:
        only = replace(trace, channels={ENGINE_SPEED: trace.channels[ENGINE_SPEED]})
        rpm = on_grid(only, tick_us, max(0.25, 5 / trace.rate_hz)).values[ENGINE_SPEED]
    found = find_passes(seen, made, rpm, height)
    return found, best_of(found, trace.run, trace.path), doubts(seen, made, unit, height), unit
