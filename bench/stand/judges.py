"""What each step of the stand test looks at. The numbers that would be right are the calibration's; what was
done is the device's own account of each tick."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bench.replay import codes
from bench.stand.seen import Bools, Finding, Seen
from bench.trace.spans import spans
from bench.trace.text import percent
from controller import constants as c

_REST_MM = 10.0  # a car on stands need not stand quite as on its wheels
_CURVE_MM = 0.2  # rounding of counts and of sixteenths
_UNUSED_SHARE = 0.02
_DONE = codes.OUT_OF_SERVICE


def sensor(seen: Seen) -> Iterator[Finding]:
    """Alive: it moves, within its window, and the controller uses it."""
    counts = seen.inputs["counts"]
    different = len(np.unique(counts))
    yield Finding("the reading moves", "several readings", f"{different} different", different > 1)
    lost = float(seen.lost.mean())
    yield Finding("it lies inside its window", "always", _share_of(lost), not lost)
    last = int(seen.out("faults")[-1]) & _DONE
    words = ", ".join(text for bit, (_, text) in codes.FAULTS.items() if last & bit) or "none"
    yield Finding("the sensor is in service at the end", "no fault", words, not last)
    acquired = ~seen.faults(c.FAULT_ACQUIRING)
    unused = float(seen.faults(c.FAULT_UNUSED)[acquired].mean()) if acquired.any() else 1.0
    yield Finding(
        "its readings are used", f"all but {percent(_UNUSED_SHARE)}", f"not used: {percent(unused)}",
        unused <= _UNUSED_SHARE,
    )  # fmt: skip


def rest(seen: Seen) -> Iterator[Finding]:
    """The rest height, and the curve that leads to it."""
    cal = seen.calibration
    right = cal.number("rest") / 16
    told = seen.out("rest")
    off = np.abs(told / 16 - right)
    learned = cal.number("learn_window") > 0
    allowed = cal.number("learn_tolerance") / 16 if learned else 0.0
    yield Finding(
        "the rest height that it uses", f"{right:g} mm" + (f" within {allowed:g} mm" if learned else ""),
        f"{told[-1] / 16:g} mm", bool((off <= allowed).all()), _first(off > allowed),
    )  # fmt: skip
    height = float(np.median(seen.out("height"))) / 16
    near = abs(height - right) <= _REST_MM
    yield Finding(
        "the height of the standing car", f"{right:g} mm within {_REST_MM:g}", f"{height:.1f} mm", near
    )
    used = ~seen.faults(c.FAULT_UNUSED | _DONE)
    curve = cal.counts_to_height(seen.inputs["counts"])
    apart = np.abs(seen.out("height") / 16 - curve)
    if cal.number("sample_ticks") > 1:  # between samples the last one stays
        curve_of = np.array(
            [apart[max(0, i - cal.number("sample_ticks") + 1) : i + 1].min() for i in range(seen.n)]
        )
        apart = curve_of
    worst = float(apart[used].max()) if used.any() else float("nan")
    yield Finding(
        "the height that it makes of a reading", "the calibrated curve's", f"{worst:.2f} mm off at most",
        worst <= _CURVE_MM, _first(used & (apart > _CURVE_MM)),
    )  # fmt: skip
    taken = int(np.count_nonzero(seen.out("reduction")))
    yield Finding(
        "nothing is taken",
        "0 ticks",
        f"in {taken} ticks" if taken else "never",
        taken == 0,
        _first(seen.out("reduction") > 0),
    )


def arming(seen: Seen) -> Iterator[Finding]:
    """A run begins with the launch while armed, and ends when the arming switch has been off long enough."""
    runs = spans(seen.out("launched") != 0)
    yield Finding("there was a launch and a disarm", "one or more", f"{len(runs)}", bool(runs))
    ready = seen.armed & seen.launch
    wrong = [start for start, _ in runs if start and not (ready[start] and not ready[start - 1])]
    begun = f"{len(runs) - len(wrong)} of {len(runs)} runs"
    yield Finding(
        "a run begins in the tick of the launch, while armed", "always",
        begun, bool(runs) and not wrong, wrong[0] if wrong else None,
    )  # fmt: skip
    idle = (seen.out("launched") != 0) & ~seen.armed
    early = (seen.out("launched") == 0) & ready
    yield Finding("armed and launched is a run", "always", _always(early), not early.any(), _first(early))
    need = seen.calibration.number("disarm_ticks")
    off = [stop - start for start, stop in spans(idle) if stop < seen.n and not seen.armed[stop]]
    yield Finding(
        "a run ends after the switch was off for", seen.ms(need),
        ", ".join(seen.ms(one + 1) for one in off) or "no run ended",
        bool(off) and all(one + 1 == need for one in off),
    )  # fmt: skip
    elapsed = seen.out("elapsed_ms")
    slips = [
        stop - 1 for start, stop in runs
        if abs(elapsed[stop - 1] - elapsed[start] - (stop - 1 - start) * seen.tick_ms) > 1
    ]  # fmt: skip
    timed = f"{len(runs) - len(slips)} of {len(runs)} runs"
    yield Finding(
        "the time since launch goes with the ticks", "within 1 ms, in all", timed,
        bool(runs) and not slips, slips[0] if slips else None,
    )  # fmt: skip


def lift(seen: Seen) -> Iterator[Finding]:
    """Reduction and retard begin and are full where the ceilings say."""
    cal = seen.calibration
    reduction, retard, asks = seen.asked()
    wrong = asks & (seen.out("demand") != reduction)
    yield Finding(
        "the reduction asked for at each lift", "as the maps have it", _of(wrong, asks),
        bool(asks.any()) and not wrong.any(), _first(wrong),
    )  # fmt: skip
    wrong = asks & (seen.out("retard_demand") != retard)
    yield Finding(
        "the retard asked for at each lift", "as the maps have it", _of(wrong, asks),
        bool(asks.any()) and not wrong.any(), _first(wrong),
    )  # fmt: skip
    yield from _ceilings(seen)
    top, end = float(seen.out("lift").max()) / 16, cal.far_lift_mm
    least = 0.9 * min(end, float(np.nanmax(cal.ceilings.full)))
    yield Finding(
        "the nose went through the range", f"to {least:.0f} mm or more", f"{top:.0f} mm", top >= least
    )


def _of(wrong: Bools, of: Bools) -> str:
    return f"{wrong.sum()} of {of.sum()} ticks differ"


def _ceilings(seen: Seen) -> Iterator[Finding]:
    """Where the reduction begins and is full, on the way up, against the lines that a person drew."""
    cal = seen.calibration
    entry, demand = seen.out("entry") / 16, seen.out("demand")
    progress = seen.out("progress") / (1 if cal.number("progress_axis_kind") else 10)
    greatest = int(cal.map_cells("reduction_map").max())
    begins = _first(demand > 0)
    if begins is None:
        yield Finding("the reduction begins", "on the way up", "it never began", False)
        return
    _, first, full = (float(line[begins]) for line in cal.ceilings.at(progress))
    # The maps may lie beside the lines by so much of the greatest; the trigger swallows a little more.
    loose = _difference_share(seen) + cal.number("trigger") / max(greatest, 1)
    slack = loose * (full - first) + 1
    at = float(entry[begins])
    yield Finding(
        "the reduction begins at a lift of", f"{first:.0f} mm within {slack:.0f}", f"{at:.0f} mm",
        first - slack <= at <= first + slack + _step_mm(seen, begins), begins,
    )  # fmt: skip
    fulls = _first(demand >= greatest)
    if fulls is None:
        reached = float(entry.max())
        above = reached > float(np.nanmin(cal.ceilings.at(progress)[2])) + slack
        seen_text = f"{100 * demand.max() / max(greatest, 1):.0f} % of it at {reached:.0f} mm, the highest"
        yield Finding("the reduction is full", "not reached, or full", seen_text, not above)
        return
    full = float(cal.ceilings.at(progress)[2][fulls])
    at = float(entry[fulls])
    yield Finding(
        "the reduction is full at a lift of", f"{full:.0f} mm within {slack:.0f}", f"{at:.0f} mm",
        full - slack <= at <= full + slack + _step_mm(seen, fulls), fulls,
    )  # fmt: skip


def _difference_share(seen: Seen) -> float:
    shown = {(one.section, one.base): one for one in seen.calibration.shown}
    entry = shown.get(("ceilings", "largest_difference"))
    return float(entry.quantity.value) / 100 if entry and entry.quantity else 0.05


def _step_mm(seen: Seen, tick: int) -> float:
    """How far the entry went in the last sample before a tick: it cannot be seen more finely."""
    entry = seen.out("entry") / 16
    before = max(0, tick - seen.calibration.number("sample_ticks"))
    return abs(float(entry[tick] - entry[before]))


def hold(seen: Seen) -> Iterator[Finding]:
    """From the last tick at the peak, or with any demand, until less is taken: the hold and one tick."""
    cal = seen.calibration
    right = cal.number("hold_ticks")
    landing = cal.number("hold_from") == c.FROM_LANDING
    latched, demand = seen.out("latched"), seen.out("demand")
    undisturbed = ~seen.faults(_DONE | c.FAULT_OUT_OF_SIGHT) & (seen.out("launched") != 0)
    held, ends = [], []
    for fell in (np.flatnonzero(latched[1:] < latched[:-1]) + 1).tolist():
        peak = latched[fell - 1]
        if seen.out("state")[fell - 1] == c.RELEASE:
            continue
        counts = (demand > 0) if landing else (demand == peak)
        before = np.flatnonzero(counts[:fell])
        if len(before) and undisturbed[before[-1] : fell + 1].all():
            held.append(fell - int(before[-1]) - 1)
            ends.append(fell)
    off = [end for ticks, end in zip(held, ends, strict=True) if ticks != right]
    unlike = [ticks for ticks in held if ticks != right]
    yield Finding(
        "the strongest reduction was held and let go", "once or more", f"{len(held)} times", bool(held)
    )
    yield Finding(
        f"the hold, from the last tick {'with any demand' if landing else 'at the peak'}", seen.ms(right),
        seen.ms(unlike[0] if unlike else held[0]) if held else "none", bool(held) and not off,
        off[0] if off else None,
    )  # fmt: skip
    back = _held_back(seen)
    yield Finding("while it holds nothing comes back", "never", _never(back), not back.any(), _first(back))


def _held_back(seen: Seen) -> Bools:
    """Ticks that say they hold, with less taken than in the tick before."""
    state, latched = seen.out("state"), seen.out("latched")
    lower = np.zeros(seen.n, np.bool_)
    lower[1:] = (state[1:] == c.HOLD) & (latched[1:] < latched[:-1])
    return lower


def release(seen: Seen) -> Iterator[Finding]:
    """After the hold: in one step or at the rate, and never below what is asked for."""
    rate = seen.calibration.number("release_q16")
    state, latched, demand = seen.out("state"), seen.out("latched"), seen.out("demand")
    releasing = state == c.RELEASE
    over = np.isin(state[:-1], (c.PEAK, c.HOLD)) & np.isin(state[1:], (c.RELEASE, c.REST))
    yield Finding("a release was seen", "one or more", f"{over.sum()}", bool(over.any()))
    below = releasing & (latched < demand)
    yield Finding(
        "it never goes below what is asked for",
        "never",
        _never(below),
        not below.any(),
        _first(below),
    )
    fell = np.zeros(seen.n)
    fell[1:] = latched[:-1] - latched[1:]
    if rate:
        per_tick = rate / 65536
        fast = releasing & (fell > np.ceil(per_tick) + 0.5)
        words = f"{per_tick / 10 * 1000 / seen.tick_ms:.0f} % a second at most"
    else:
        fast = releasing & (latched > demand)
        words = "in one step, to what is asked for"
    yield Finding("how it is given back", words, _always(fast), not fast.any(), _first(fast))


def unplugged(seen: Seen) -> Iterator[Finding]:
    """A sensor that is lost: told in time, kept what is taken, and healthy again when it is back."""
    cal = seen.calibration
    least = cal.number("confirm_samples") * cal.number("sample_ticks")
    pulled = [(a, b) for a, b in spans(seen.lost) if b - a > 2 * least and seen.out("launched")[a]]
    yield Finding(
        "unplugged, it reads what no sensor does", "outside the window", f"{len(pulled)} times", bool(pulled)
    )
    told = seen.faults(_DONE | c.FAULT_OUT_OF_SIGHT)
    late = []
    for a, b in pulled:
        first = _first(told[a:b])
        late.append(first if first is not None else b - a)
    most = least + cal.number("sample_ticks")
    yield Finding(
        "that is told within", seen.ms(most), ", ".join(seen.ms(one + 1) for one in late) or "never",
        bool(late) and all(one + 1 <= most for one in late),
    )  # fmt: skip
    yield from _kept(seen, pulled)
    back = seen.n - 1 if pulled else 0
    well = bool(pulled) and not told[back]
    yield Finding("plugged in again, it is healthy again", "by the end", "yes" if well else "no", well)


def _kept(seen: Seen, pulled: list[tuple[int, int]]) -> Iterator[Finding]:
    cal = seen.calibration
    reduction, latched = seen.out("reduction"), seen.out("latched")
    hold = cal.number("fault_hold_ticks")
    taking = [(a, min(b, a + hold)) for a, b in pulled if latched[a] > 0]
    idle = [(a, b) for a, b in pulled if latched[a] == 0]
    back = [a for a, b in taking if reduction[a:b].min() < reduction[a]]
    yield Finding(
        "what is taken stays taken", "every time", f"{len(taking) - len(back)} of {len(taking)} times",
        bool(taking) and not back, back[0] if back else None,
    )  # fmt: skip
    yield from _kept_for(seen, [(a, b) for a, b in pulled if latched[a] > 0])
    yield from _blind(seen, idle)


def _kept_for(seen: Seen, taking: list[tuple[int, int]]) -> Iterator[Finding]:
    """How long, where the sensor was away for longer than the fault's hold."""
    cal = seen.calibration
    hold, told = cal.number("fault_hold_ticks"), seen.faults(_DONE | c.FAULT_OUT_OF_SIGHT)
    latched = seen.out("latched")
    lasted = []
    for a, b in taking:
        begun = _first(told[a:b])
        lower = _first(latched[a + 1 : b] < latched[a : b - 1])
        if begun is not None and lower is not None and b - a > hold:
            lasted.append(lower + 1 - begun)
    if any(b - a > hold + cal.number("confirm_samples") * cal.number("sample_ticks") for a, b in taking):
        yield Finding(
            "the fault's hold", seen.ms(hold), ", ".join(map(seen.ms, lasted)) or "none",
            bool(lasted) and all(abs(one - hold) <= 1 for one in lasted),
        )  # fmt: skip


def _blind(seen: Seen, idle: list[tuple[int, int]]) -> Iterator[Finding]:
    """With nothing taken: what the blind reduction grows to."""
    cal, reduction = seen.calibration, seen.out("reduction")
    blind, growth = cal.number("blind_reduction"), cal.number("blind_growth_q16") / 65536
    if not blind or not idle:
        return
    wrong, found = [], []
    for a, b in idle:
        begun = _first(seen.faults(_DONE)[a:b])
        if begun is None or seen.out("elapsed_ms")[b - 1] > cal.number("blind_until_ms"):
            continue
        wanted = min(blind, (b - a - begun - 1) * growth) if growth else blind
        found.append(int(reduction[a:b].max()))
        wrong += [a] if abs(found[-1] - wanted) > 2 else []
    yield Finding(
        "with nothing taken it takes the blind reduction", f"up to {blind / 10:g} %",
        ", ".join(f"{one / 10:g} %" for one in found) or "nothing", bool(found) and not wrong,
        wrong[0] if wrong else None,
    )  # fmt: skip


def disarm(seen: Seen) -> Iterator[Finding]:
    """Disarmed with torque taken: hold and release run out, and nothing is asked any more."""
    ended = [stop for start, stop in spans(seen.out("launched") != 0) if stop < seen.n]
    taking = [stop for stop in ended if seen.out("latched")[stop - 1] > 0]
    yield Finding(
        "it was disarmed while torque was taken", "once or more", f"{len(taking)} times", bool(taking)
    )
    over = seen.out("launched") == 0
    asked = over & (seen.out("demand") > 0)
    yield Finding("then nothing is asked for", "never", _never(asked), not asked.any(), _first(asked))
    left = int(seen.out("reduction")[-1])
    yield Finding("at the end nothing is taken", "0 %", f"{left / 10:g} %", left == 0)
    held = seen.calibration.number("hold_ticks")
    again = [stop for stop in taking if (np.diff(seen.out("latched")[stop - 1 : stop + held]) > 0).any()]
    yield Finding(
        "nothing more is taken after it", "never", f"{len(again)} times" if again else "never", not again
    )


def events(seen: Seen) -> Iterator[Finding]:
    """Skipped events are spread evenly: while the reduction stays the same, each cylinder's count lies within
    1 of its share over any cycles (rule C2)."""
    cal = seen.calibration
    if seen.events is None:
        yield Finding("cylinder events", "each is told", "a stream tells none: not looked at", True)
        return
    cylinders = cal.number("cylinders")
    due = np.repeat(seen.out("reduction"), seen.inputs["events"])
    skipped = np.array([(byte & (c.FUEL_OFF | c.SPARK_OFF)) != 0 for byte in seen.events], np.int64)
    constant = max(spans(due > 0), key=lambda one: one[1] - one[0], default=(0, 0))
    start, stop = constant[0] + cylinders, constant[1]
    cycles = (stop - start) // cylinders
    same = cycles > 0 and len(np.unique(due[start:stop])) == 1
    yield Finding(
        "events fell due at one reduction", "ten cycles or more", f"{cycles} cycles", same and cycles >= 10
    )
    if not same:
        return
    share = int(due[start]) / 1000
    part = skipped[start : start + cycles * cylinders].reshape(cycles, cylinders)
    per_cylinder = part.sum(axis=0)
    off = float(np.abs(per_cylinder - share * cycles).max())
    counts = ", ".join(map(str, per_cylinder.tolist()))
    yield Finding("skipped on each cylinder", f"{share * cycles:.1f} within 1", counts, off <= 1)
    yield Finding(
        "skipped in all", f"{share * cycles * cylinders:.0f} within 4", f"{part.sum()}",
        abs(int(part.sum()) - share * cycles * cylinders) <= 4,
    )  # fmt: skip
    fired = int(skipped[np.repeat(seen.out("reduction"), seen.inputs["events"]) == 0].sum())
    yield Finding("with nothing taken none is skipped", "0", f"{fired}", fired == 0)


def ticks(seen: Seen) -> Iterator[Finding]:
    """Over all steps: the numbers of the ticks."""
    wrong = seen.faults(c.FAULT_TICK)
    wrong[0] = False  # the first follows on what was before
    yield Finding(
        "each tick follows on the last",
        "always",
        _always(wrong),
        not wrong.any(),
        _first(wrong),
    )
    cut = seen.faults(c.FAULT_INPUT)
    yield Finding("inputs within their range", "always", _always(cut), not cut.any(), _first(cut))


def _always(wrong: Bools) -> str:
    """In words: always, or not in so many ticks."""
    return f"not in {wrong.sum()} ticks" if wrong.any() else "always"


def _never(found: Bools) -> str:
    """In words: never, or in so many ticks."""
    return f"in {found.sum()} ticks" if found.any() else "never"


def _share_of(lost: float) -> str:
    return f"outside for {percent(lost)} of the time" if lost else "always"


def _first(mask: Bools) -> int | None:
    found = np.flatnonzero(mask)
    return int(found[0]) if len(found) else None
