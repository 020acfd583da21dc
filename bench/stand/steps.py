"""The steps of the stand test, in order: what a person does in each, a scripted nose that does it, and what
is looked at."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from bench.stand import judges
from bench.stand.nose import FALL_MM_PER_S, Nose, settle_ms
from bench.stand.seen import Finding, Seen


@dataclass(frozen=True)
class Step:
    """One step. `tells` says what a person does; `script` writes the same into a nose that stands at rest,
    disarmed, and leaves it so; None: it looks at the ticks of all steps before it."""

    name: str
    title: str
    tells: str
    judge: Callable[[Seen], Iterator[Finding]]
    script: Callable[[Nose], None] | None = None


_LONGEST_MS = 5000.0  # for which a lost sensor is waited for

_ON = {"armed": True, "launch": True}
_READY = {"armed": True, "launch": False}


def _sensor(nose: Nose) -> None:
    nose.stay(1500)


def _rest(nose: Nose) -> None:
    nose.stay(1000)


def _arming(nose: Nose) -> None:
    cal = nose.calibration
    off = cal.number("disarm_ticks") * cal.tick_us / 1000
    nose.stay(200, armed=False, launch=True)
    nose.stay(300, **_READY)
    nose.stay(500, **_ON)
    nose.stay(off / 2)  # too short to count
    nose.stay(200, **_ON)
    nose.stay(off + 300)


def _begin(nose: Nose) -> None:
    nose.stay(200, **_READY)
    nose.stay(100, **_ON)


def _end(nose: Nose) -> None:
    nose.go(nose.rest, FALL_MM_PER_S, **_ON)
    nose.stay(settle_ms(nose.calibration) + 500, **_ON)
    nose.stay(settle_ms(nose.calibration))


def _lift(nose: Nose) -> None:
    _begin(nose)
    nose.go(nose.top, 90.0, **_ON)
    nose.stay(300, **_ON)
    _end(nose)


def _hold(nose: Nose) -> None:
    _begin(nose)
    for share in (0.8, 0.5):
        nose.go(nose.height_for(share), **_ON)
        nose.stay(300, **_ON)
        nose.go(nose.rest, FALL_MM_PER_S, **_ON)
        nose.stay(settle_ms(nose.calibration), **_ON)
    _end(nose)


def _release(nose: Nose) -> None:
    _begin(nose)
    nose.go(nose.height_for(0.9), **_ON)
    nose.stay(300, **_ON)
    nose.go(nose.height_for(0.4), FALL_MM_PER_S, **_ON)
    nose.stay(settle_ms(nose.calibration) + 300, **_ON)
    _end(nose)


def _unplugged(nose: Nose) -> None:
    cal = nose.calibration
    sample_ms = cal.number("sample_ticks") * cal.tick_us / 1000
    long = max(4 * cal.number("confirm_samples") * sample_ms, 300.0)
    heal = cal.number("heal_samples") * sample_ms
    back = cal.number("return_samples") * sample_ms
    _begin(nose)
    nose.stay(long, plugged=False, **_ON)
    nose.stay(2 * heal + 1500, **_ON)  # the blind reduction leaves at the fault's rate
    nose.go(nose.height_for(0.8), **_ON)
    nose.stay(200, **_ON)
    kept = cal.number("fault_hold_ticks") * cal.tick_us / 1000
    nose.stay(min(kept, _LONGEST_MS) + long, plugged=False, **_ON)
    # Back at the place where it was, then let down slowly enough to be followed, and at rest for a while.
    nose.go(nose.rest, FALL_MM_PER_S, **_ON)
    nose.stay(4 * back, **_ON)
    _end(nose)


def _disarm(nose: Nose) -> None:
    _begin(nose)
    nose.go(nose.height_for(0.8), **_ON)
    nose.stay(200, **_ON)
    nose.stay(settle_ms(nose.calibration) + 500)
    nose.go(nose.rest, FALL_MM_PER_S, armed=False, launch=False)
    nose.stay(300)


def _events(nose: Nose) -> None:
    nose.stay(300, engine=3000)
    nose.stay(2000, engine=3000, request=350)
    nose.stay(300, engine=3000)


STEPS = (
    Step(
        "sensor", "The sensor is alive",
        "Engine off, car on stands. Leave the nose alone for two seconds, push it down once and let go.",
        judges.sensor, _sensor,
    ),
    Step("rest", "The rest height", "Leave the nose alone for two seconds.", judges.rest, _rest),
    Step(
        "arming", "Arming and disarming",
        "Arm, press the launch switch for a second, and disarm for a second.",
        judges.arming, _arming,
    ),
    Step(
        "lift", "Through the range",
        "Arm and launch. Lift the nose slowly, over four seconds, to the top; let it down; disarm.",
        judges.lift, _lift,
    ),
    Step(
        "hold", "The hold",
        "Arm and launch. Lift the nose until it cuts, let it down quickly, wait a second; once more; disarm.",
        judges.hold, _hold,
    ),
    Step(
        "release", "The release",
        "Arm and launch. Lift the nose well into the cut, let it down by half of that and wait; let it down;"
        " disarm.",
        judges.release, _release,
    ),
    Step(
        "unplugged", "The sensor unplugged",
        "Arm and launch. Unplug the sensor for a second, plug it in. Lift into the cut, unplug it again, let"
        " the nose down, plug it in, wait three seconds; disarm.",
        judges.unplugged, _unplugged,
    ),
    Step(
        "disarm", "Disarmed while it cuts",
        "Arm and launch. Lift the nose into the cut and keep it there; disarm; let it down two"
        " seconds later.",
        judges.disarm, _disarm,
    ),
    Step(
        "events", "Events over the cylinders",
        "Nothing to do: an outside request asks for a constant reduction while events fall due.",
        judges.events, _events,
    ),
    Step("ticks", "The count of ticks", "Nothing to do.", judges.ticks),
)  # fmt: skip
