"""The criteria that a hazard run is judged by.

Criterion 1, torque comes back: the command is lowered from one tick to the next to more than 10 % (of
all torque; of the map's greatest retard) below what the true lift demands. What it demands comes from
scipy's RegularGridInterpolator on the calibration's tables in floats, not from the controller's maps:
the value at the true lift, with the falling look-ahead's share where that is calibrated, and at the
controller's progress; 0 below the trigger. The lift is taken lower by what noise may do to it.

No controller can answer before it can know. So the demand counts that the true lift has made without a
break for as long as the chain needs: sample period, median and low-passes; from the failure to the
healing also `confirm` samples, in which the last height stays (H3, H4), and the failure's own delay. A
return that goes against the demand of its very tick only is counted apart ("within the chain").

Where the rules themselves end a promise (a fault kept for `fault_hold`, H6; the blind reduction's set time)
a return is counted apart as well ("after the promised time").

Criterion 2, what is promised besides: everything in `broken` below, a line for each promise.

Criterion 3, a cut that stays: out of sight, at fault or at the peak although the nose has been down and every
reading healthy for as long as H10 needs, the hold and the chain's delay on top.

Criterion 4, time lost by a clean car, whose nose stays below every ceiling: the reduction added up, in
seconds of no torque.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from controller.constants import (
    FAULT_AT_LAUNCH,
    FAULT_OUT_OF_SIGHT,
    FAULT_SENSOR,
    FAULT_STUCK,
    FAULT_UNUSED,
    HOLD,
    PEAK,
    REASON_BLIND,
    TREND_SAMPLES,
)

from .calibrations import REST_ABOVE_MM, REST_BELOW_MM, Calibrated
from .runs import Outputs, Run

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass
class Verdict:
    """What a run did: criterion 1 in three classes, criterion 2 as lines of text, 3, and 4 in s."""

    back: bool = False
    where: str = ""  # the first return of torque, for a reader
    within_chain: bool = False
    after_time: bool = False
    broken: list[str] = field(default_factory=list)
    stays: bool = False
    lost_s: float = 0.0


def judge(run: Run) -> Verdict:
    verdict = Verdict()
    _torque_back(run, verdict)
    verdict.stays = _stays(run)
    if run.phase == "clean":
        verdict.lost_s = float(run.out.reduction.sum()) / 1000 * run.c.tick_ms / 1000
    broken = verdict.broken
    _kept_and_blind(run, broken)
    _out_of_sight(run, broken)
    _look_ahead(run, broken)
    _at_launch(run, broken)
    CHECKS.get(run.failure, _nothing)(run, broken)
    return verdict


# Criterion 1


def demand(c: Calibrated, cells: Floats, lift_mm: Floats, progress: NDArray[np.int64]) -> Floats:
    """The map's value at lifts and progresses, bilinear, ends held; scipy is the outside truth."""
    look = RegularGridInterpolator((c.lift_axis, c.progress_axis), cells)
    at_lift = np.clip(lift_mm, c.lift_axis[0], c.lift_axis[-1])
    at_progress = np.clip(progress, c.progress_axis[0], c.progress_axis[-1])
    return np.asarray(look(np.column_stack([at_lift, at_progress])), dtype=np.float64)


def _torque_back(run: Run, verdict: Verdict) -> None:
    c, out, flight = run.c, run.out, run.flight
    lift = flight.lift_mm + c.falling_s * np.minimum(flight.lift_mm_s, 0) - c.error_mm
    if run.healthy.saturates or run.failure == "far_end":
        # A reading of the far end cannot tell how far beyond it the nose is (M3 warns of maps that ask more).
        lift = np.minimum(lift, (c.far_mm - c.rest_mm) * c.gain)
    ticks = np.arange(len(lift))
    lag = c.lag_ticks()
    longer = lag + run.readings.lag + c.confirm * c.period
    begins = run.readings.first * c.period
    ends = run.readings.end * c.period  # then the sensor heals
    failing = (ticks >= begins) & (ticks < ends + longer + (c.heal + c.agree) * c.period)
    failing &= run.failure not in ("none", "arming_open")
    elapsed_ms = (ticks - flight.launch) * c.tick_ms
    for name, cells, trigger, command, tenth in (
        ("reduction", c.reduction, c.trigger, out.reduction, 100.0),
        ("retard", c.retard, c.retard_trigger, out.retard, float(c.retard.max()) / 10),
    ):
        asked = demand(c, cells, lift, out.progress)
        asked[asked < trigger] = 0
        asked[: flight.launch] = 0
        lowered = np.zeros(len(command), dtype=bool)
        lowered[1:] = command[1:] < command[:-1]
        known = np.where(failing, _least(asked, longer), _least(asked, lag))
        back = lowered & (command < known - tenth)
        was_blind = np.concatenate([[False], out.reason[:-1] == REASON_BLIND])
        excused = (was_blind & (elapsed_ms >= c.blind_until_ms)) | (ticks >= _keep_ends(run))
        if np.any(back & ~excused):
            verdict.back = True
            t = int(np.argmax(back & ~excused))
            told = f"tick {t}: {name} {command[t - 1]} to {command[t]}, asked {known[t]:.0f}"
            verdict.where = verdict.where or told
        verdict.after_time |= bool(np.any(back & excused))
        verdict.within_chain |= bool(np.any(lowered & (command < asked - tenth) & ~back))


def _keep_ends(run: Run) -> int:
    """The first tick at which a fault has been kept for `fault_hold`, or became one of out of sight: what H6
    and H5 promise ends there."""
    c, out = run.c, run.out
    faulted, hidden = _bits(out, FAULT_SENSOR), _bits(out, FAULT_OUT_OF_SIGHT)
    for t in _rising_edges(faulted, run.flight.launch):
        taken = out.latch[t - 1] > 0 or out.retard_latch[t - 1] > 0
        if taken and hidden[t - 1]:
            return t
        if taken and t >= run.readings.first * c.period and _until(faulted, t) >= t + c.fault_hold:
            return t + c.fault_hold
    return len(faulted)


def _least(values: Floats, ticks: int) -> Floats:
    """The least of each value and the `ticks` before it."""
    padded = np.concatenate([np.zeros(ticks), values])
    return np.asarray(sliding_window_view(padded, ticks + 1).min(axis=1))


# Criterion 3


def _stays(run: Run) -> bool:
    c, out, flight = run.c, run.out, run.flight
    ahead = flight.lift_mm + c.rising_s * np.maximum(flight.lift_mm_s, 0)
    noise = c.error_mm + 4 * c.rising_s * c.speed_noise(c.look_ms) * c.gain
    quiet = np.repeat(run.readings.true, c.period)[: len(ahead)]
    quiet &= (ahead + noise < c.lift_axis[0]) & (run.armed != 0)
    lowest = flight.lift_mm / c.gain - 3 * float(c.noise_at(np.array([c.rest_mm]))[0])
    quiet &= (lowest > -REST_BELOW_MM + 8) & (np.arange(len(ahead)) >= flight.launch)
    needs = c.lag_ticks() + run.readings.lag + (c.confirm + c.agree) * c.period
    needs += c.return_ticks + max(0, c.hold - c.return_ticks)
    last = np.maximum.accumulate(np.where(quiet, -1, np.arange(len(quiet))))  # the last tick not quiet
    due = quiet & (np.arange(len(quiet)) - last > needs) & (out.reduction > 0)
    wrong = _bits(out, FAULT_SENSOR | FAULT_OUT_OF_SIGHT)
    return bool(np.any(due & (wrong | np.isin(out.state, (PEAK, HOLD)))))


# Criterion 2, for every run


def _bits(out: Outputs, bit: int) -> Bools:
    return np.asarray((out.faults & bit) != 0)


def _rising_edges(bits: Bools, begin: int) -> list[int]:
    edges = np.flatnonzero(bits[1:] & ~bits[:-1]) + 1
    return [int(t) for t in edges if t > begin]


def _until(bits: Bools, begin: int) -> int:
    """The first tick from `begin` on at which the bit is off."""
    off = np.flatnonzero(~bits[begin:])
    return begin + int(off[0]) if len(off) else len(bits)


def _kept_and_blind(run: Run, broken: list[str]) -> None:
    """H6: kept for `fault_hold`, then let go at the fault's rate; with less than the blind reduction latched
    that acts too. Out of sight becomes a fault only when that time is over (H5)."""
    c, out = run.c, run.out
    faulted, hidden = _bits(out, FAULT_SENSOR), _bits(out, FAULT_OUT_OF_SIGHT)
    elapsed_ms = (np.arange(len(faulted)) - run.flight.launch) * c.tick_ms
    for t in _rising_edges(faulted, run.flight.launch):
        end = _until(faulted, t)
        if out.latch[t - 1] > 0 or out.retard_latch[t - 1] > 0:
            for y, rate in ((out.latch, c.fault_rate), (out.retard_latch, c.fault_retard_rate)):
                keeps = min(t + (0 if hidden[t - 1] else c.fault_hold), end)
                if np.any(y[t:keeps] != y[t - 1]):
                    broken.append(f"H6: tick {t}: a fault with {y[t - 1]} taken does not keep it")
                gone = np.arange(keeps, end)
                line = y[t - 1] - (gone - keeps + 1) * rate
                if np.any(np.abs(y[gone] - np.maximum(line, 0)) > 1):
                    broken.append(f"H6: tick {t}: the release after the fault's hold leaves its rate")
        if out.latch[t - 1] < c.blind:
            acts = np.arange(t, end)
            acts = acts[elapsed_ms[acts] < c.blind_until_ms - 1]
            least = np.minimum(c.blind, np.floor((acts - t + 1) * c.blind_growth))
            if np.any(out.reduction[acts] < least):
                broken.append(f"H6: tick {t}: a fault with less than the blind reduction latched gives none")
            _blind_ends(run, t, end, broken)
    drops = out.reduction[1:] < out.reduction[:-1] - c.fault_rate - 1
    drops &= out.reason[:-1] == REASON_BLIND
    if np.any(drops):
        broken.append("H6: the blind reduction falls faster than the fault's rate")


def _blind_ends(run: Run, begin: int, end: int, broken: list[str]) -> None:
    """The blind reduction has gone some time after its set time, while the fault goes on."""
    c, out = run.c, run.out
    gone_ms = c.blind_until_ms + (c.blind / c.fault_rate + 2) * c.tick_ms
    t = max(begin, run.flight.launch + int(np.ceil(gone_ms / c.tick_ms)))
    if t < end and np.any(out.reduction[t:end] > out.latch[t:end]):
        broken.append(f"H6: tick {t}: the blind reduction does not end")


def _out_of_sight(run: Run, broken: list[str]) -> None:
    """H5: demand at least the greatest, nothing given back, ends by samples near the end only."""
    c, out = run.c, run.out
    hidden = _bits(out, FAULT_OUT_OF_SIGHT)
    if not np.any(hidden):
        return
    for cells, command in ((c.reduction, out.reduction), (c.retard, out.retard)):
        top = np.full(len(hidden), c.lift_axis[-1])
        greatest = demand(c, cells, top, out.progress)  # the maps rise with lift
        if np.any(hidden & (command < greatest - 1)):
            broken.append("H5: out of sight asks for less than the map's greatest")
        if np.any(hidden[1:] & hidden[:-1] & (command[1:] < command[:-1])):
            broken.append("H5: torque given back while out of sight")
    may = _near_agreeing(run, 0.25) | _returned(run) | _jump_was_wrong(run)
    must = _near_agreeing(run, -0.25)
    gives_up = [t + c.fault_hold for t in _rising_edges(hidden, 0)]
    for t in np.flatnonzero(hidden[1:] != hidden[:-1]) + 1:
        if hidden[t - 1] and any(abs(t - end) <= 1 for end in gives_up):
            continue  # after the fault's hold time it is a fault
        if t % c.period:
            broken.append(f"H5: tick {t}: out of sight changes between samples")
        elif hidden[t - 1] and not may[t // c.period]:
            broken.append(f"H5: tick {t}: out of sight ends without a sample that could end it")
    sampled = hidden[:: c.period]
    if np.any(sampled[1:] & sampled[:-1] & must[1:]):
        broken.append("H5: out of sight does not end by samples near the end")


def _near_agreeing(run: Run, slack_mm: float) -> Bools:
    """Whether the last `agree` samples were seen near the end and agreed with one another."""
    c, counts = run.c, run.readings.counts
    height = c.height_of(counts)
    near = c.seen(counts) & (height >= c.near_mm - slack_mm)
    joins = np.concatenate([[False], np.abs(np.diff(height)) <= c.step_mm + slack_mm])
    result = near.copy()
    for back in range(1, c.agree):
        result[back:] &= near[:-back] & joins[1 : len(joins) - back + 1]
        result[:back] = False
    return result


def _in_a_row(good: Bools, count: int) -> Bools:
    """Whether each value and the `count` - 1 before it are true."""
    padded = np.concatenate([np.zeros(count - 1, dtype=bool), good])
    return np.asarray(sliding_window_view(padded, count).all(axis=1))


def _returned(run: Run) -> Bools:
    """H10: whether the last `return` samples could have been a nose at rest; a rest height learned may be a
    little beside the calibrated one."""
    c, counts = run.c, run.readings.counts
    height = c.height_of(counts)
    at_rest = (height - c.rest_mm >= -REST_BELOW_MM - 10) & (height - c.rest_mm <= REST_ABOVE_MM + 10)
    close = np.concatenate(
        [[False], np.abs(np.diff(height)) <= c.allowance_mm + c.rate_mm * c.period / 4 + 0.25]
    )
    chain = _in_a_row(c.seen(counts) & at_rest, c.returns) & _in_a_row(close, c.returns - 1)
    longest = 3 * c.returns  # of a chain that began where no nose could be
    views = sliding_window_view(np.concatenate([np.full(longest - 1, counts[0]), counts]), longest)
    return np.asarray(chain & (np.ptp(views, axis=1) > 2))


def _jump_was_wrong(run: Run) -> Bools:
    """H11: whether the last `heal` samples agree, and the `return` before them span more than the constant
    part, as those around a jump do."""
    c, counts = run.c, run.readings.counts
    height = c.height_of(counts)
    joins = np.concatenate([[False], np.abs(np.diff(height)) <= c.step_mm + 0.25])
    agree = _in_a_row(c.seen(counts), c.heal) & _in_a_row(joins, c.heal - 1)
    shown = np.concatenate([np.full(c.returns + c.heal - 1, height[0]), height])
    before = sliding_window_view(shown, c.returns + c.heal)[: len(height)]
    return np.asarray(agree & (np.ptp(before, axis=1) > c.allowance_mm))


def _look_ahead(run: Run, broken: list[str]) -> None:
    """H9: a sample that is not used never lowers the place at which the maps are entered."""
    unused = _bits(run.out, FAULT_UNUSED)
    if np.any(unused[1:] & (run.out.entry[1:] < run.out.entry[:-1])):
        broken.append("H9: a lost sample lowers the lift the maps are entered with")


def _at_launch(run: Run, broken: list[str]) -> None:
    """H6: a fault present at launch is an output bit for the whole run."""
    said = _bits(run.out, FAULT_AT_LAUNCH)
    launch = run.flight.launch
    present = bool(_bits(run.out, FAULT_SENSOR)[launch])
    if np.any(said[:launch]) or np.any(said[launch:] != present):
        broken.append("H6: a fault present at launch is not said through the run, or said without one")


# Criterion 2, by failure


def _nothing(run: Run, broken: list[str]) -> None:
    return


def _no_fault(run: Run, broken: list[str]) -> None:
    """A healthy sensor: used from power-up to the end, or out of sight, never at fault."""
    c, out = run.c, run.out
    acquired = c.heal * c.period
    wrong = _bits(out, FAULT_SENSOR) & (np.arange(len(out.faults)) >= acquired)
    wrong |= _bits(out, FAULT_STUCK) & (np.maximum(out.latch, out.retard_latch) == 0)
    if np.any(wrong):
        broken.append(f"H4: tick {np.flatnonzero(wrong)[0]}: a healthy sensor is called faulty")


def _same_as_twin(run: Run, broken: list[str]) -> None:
    """L8: an arming input open for less than 100 ms changes nothing."""
    assert run.twin is not None
    for name, values in vars(run.out).items():
        if np.any(values != vars(run.twin)[name]):
            broken.append(f"L8: a short opening of the arming input changes {name}")


def _confirmed(run: Run, broken: list[str]) -> None:
    """H4: at `confirm` samples not used, said at the latest; near the end, where those of a row that is still
    shorter than `agree` do not count (H5), at that many."""
    c, out, r = run.c, run.out, run.readings
    bad = row = 0
    told = _bits(out, FAULT_SENSOR | FAULT_OUT_OF_SIGHT)[:: c.period]
    for s in range(r.first, r.end):
        row = 0 if r.true[s] else row + 1
        bad = max(bad - 1, 0) if r.true[s] else bad + (row >= c.agree)
        if bad >= c.confirm:
            if not told[s]:
                broken.append(f"H4: sample {s}: {bad} samples not used and no fault")
            break
    _hidden_at_once(run, broken)
    _heals(run, broken)
    _launch_bit(run, broken)


def _hidden_at_once(run: Run, broken: list[str]) -> None:
    """H5: `agree` samples lost near the end, or with a trend that reaches it in the time waited."""
    c, r = run.c, run.readings
    s = r.first
    used = ~_bits(run.out, FAULT_UNUSED)[:: c.period]
    faulted = _bits(run.out, FAULT_SENSOR)[:: c.period]
    if r.true[s] or s * c.period < run.flight.launch or faulted[s - 1] or not used[s - 1]:
        return
    height = c.height_of(r.counts)
    last = height[s - 1]
    waits = None
    if last >= c.near_mm + 0.25:
        waits = c.agree
    elif s > TREND_SAMPLES and used[s - TREND_SAMPLES : s].all():
        rise = last - height[s - TREND_SAMPLES]
        if rise > 0.5:
            waits = int(np.ceil((c.far_mm - last + 0.25) * (TREND_SAMPLES - 1) / (rise - 0.25)))
            waits = None if waits > c.confirm - 1 else max(waits, c.agree)
    if c.seen(r.counts[s : s + 1])[0] and height[s] >= c.near_mm - 0.25:
        return
    if waits is None or s + waits > r.end or r.true[s : s + waits].any():
        return
    if not _bits(run.out, FAULT_OUT_OF_SIGHT)[(s + waits - 1) * c.period]:
        broken.append(f"H5: sample {s + waits - 1}: lost where the nose leaves the range, not out of sight")


def _heals(run: Run, broken: list[str]) -> None:
    """H4: `heal` samples used in a row end the fault; upwards they are used after `agree` at most."""
    c, r = run.c, run.readings
    if not 0 < r.first < r.end < len(r.counts) or r.true[r.first : r.end].any():
        return
    faulted = _bits(run.out, FAULT_SENSOR)[:: c.period]
    if faulted[r.end - 1] and not faulted[r.end : r.end + c.heal - 1].all():
        broken.append(f"H4: sample {r.end}: healed by fewer than {c.heal} samples")
    heals = r.end + c.agree - 1 + c.heal
    if heals > len(r.counts):
        return
    after = r.counts[r.end : heals]
    height = c.height_of(after)
    last = c.height_of(r.counts[r.first - 1 : r.first])[0]
    usable = c.seen(after).all() and np.all(np.diff(height) > -c.allowance_mm)
    usable &= height.min() > last - c.allowance_mm
    begun_used = not _bits(run.out, FAULT_UNUSED)[(r.first - 1) * c.period]
    hidden = _bits(run.out, FAULT_OUT_OF_SIGHT)[r.end * c.period - 1]
    if usable and begun_used and not hidden and faulted[heals - 1]:
        broken.append(f"H4: sample {heals - 1}: {c.heal} samples used in a row do not heal")


def _launch_bit(run: Run, broken: list[str]) -> None:
    """H6: lost since long before launch is said at launch."""
    c, r, launch = run.c, run.readings, run.flight.launch
    at = launch // c.period
    lost = r.first + c.confirm < at < r.end and not r.true[r.first : at + 1].any()
    if lost and not _bits(run.out, FAULT_AT_LAUNCH)[launch]:
        broken.append("H6: lost since before launch and no fault said at launch")


def _refused(run: Run, broken: list[str]) -> None:
    """H3: one sample beyond the allowance is not used; a fall while torque is taken is a fault at once."""
    c, out, r = run.c, run.out, run.readings
    height = c.height_of(r.counts)
    unused = _bits(out, FAULT_UNUSED)
    told = _bits(out, FAULT_SENSOR | FAULT_OUT_OF_SIGHT)
    for s in range(max(r.first, 1), r.end):
        t = s * c.period
        change = height[s] - height[s - 1]
        if r.true[s] or not r.true[s - 1] or unused[t - 1] or abs(change) <= c.step_mm + 0.25:
            continue
        taking = out.latch[t - 1] > 0 or out.retard_latch[t - 1] > 0
        if not unused[t]:
            broken.append(f"H3: sample {s}: one sample beyond the allowance is used")
        elif change < 0 and taking and c.seen(r.counts[s : s + 1])[0] and not told[t]:
            broken.append(f"H3: sample {s}: a fall beyond the allowance with torque taken is no fault")
        else:
            continue
        return
    if run.failure == "constant_below":
        _hidden_at_once(run, broken)


def _stuck(run: Run, broken: list[str]) -> None:
    """H8: a frozen reading is said after its time; with nothing taken it gives the blind reduction."""
    c, out, r = run.c, run.out, run.readings
    if c.stuck == 0 or not c.seen(r.counts[r.first : r.first + 1])[0]:
        return
    moving = run.flight.speed > c.stuck_speed
    start = max(r.first * c.period, int(np.argmax(moving)) if moving.any() else len(moving))
    due = start + (c.stuck + 2) * c.period
    end = r.end * c.period
    if due >= min(end, len(moving)):
        return
    if _bits(out, FAULT_UNUSED)[start : due + 1].any():
        return
    if not _bits(out, FAULT_STUCK)[due : min(end, len(moving))].all():
        broken.append(f"H8: tick {due}: a frozen reading is not called stuck")
    taken = np.maximum(out.latch, out.retard_latch)
    height = c.height_of(r.counts[r.first : r.first + 1])[0]
    if taken[max(start - 1, 0) : end].any() or height >= c.near_mm - 0.25:
        return
    acts = np.arange(due, min(end, len(moving), run.flight.launch + int((c.blind_until_ms - 1) / c.tick_ms)))
    least = np.minimum(c.blind, np.floor((acts - due + 1) * c.blind_growth))
    if np.any(out.reduction[acts] < least):
        broken.append(f"H8: tick {due}: a stuck reading with nothing taken gives no blind reduction")
    _blind_ends(run, due, end, broken)


def _far(run: Run, broken: list[str]) -> None:
    """H3: readings that agree are used upwards whatever the distance: the demand of the far end comes."""
    c, out, r = run.c, run.out, run.readings
    launch = run.flight.launch
    start = max(r.first * c.period, launch)
    due = start + (c.agree + c.heal) * c.period + 2 * c.lag_ticks()
    end = min(r.end * c.period, len(out.faults))
    if due >= end or start == 0 or _bits(out, FAULT_SENSOR)[start - 1]:
        return
    lift = np.full(len(out.faults), (c.far_mm - c.rest_mm) * c.gain - 8)
    asked = demand(c, c.reduction, lift, out.progress)
    if out.reduction[due] < 0.9 * asked[due]:
        broken.append(f"H3: tick {due}: agreeing samples far above the last height are not used")


CHECKS = {
    "none": _no_fault,
    "arming_open": _same_as_twin,
    "lost_high": _confirmed,
    "zero_volt": _confirmed,
    "mostly_dead": _confirmed,
    "intermittent": _confirmed,
    "constant_below": _refused,
    "spikes_down": _refused,
    "spikes_up": _refused,
    "spikes_alternating": _refused,
    "wander_beyond": _refused,
    "stuck": _stuck,
    "far_end": _far,
}
