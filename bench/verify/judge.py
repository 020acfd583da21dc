"""What counts as equal: every bit; or, for a controller of other make, some outputs within limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bench.calibration.image import read_image
from bench.errors import UserError
from bench.link.protocol import OUTPUT, Records, StepAnswer
from controller.events import Events

EVENTS = "events"
NAMES = (*(OUTPUT.names or ()), EVENTS)
MOST_LAG = 1000

_SKIPS = 3  # the bits of an event that switch something off


@dataclass(frozen=True)
class Step:
    """Some ticks to send, and the right answer."""

    start: int
    inputs: Records
    body: bytes
    expected: bytes


@dataclass(frozen=True)
class Field:
    """One output that differs."""

    name: str
    expected: int
    got: int


@dataclass(frozen=True)
class Difference:
    """The first difference. Where only the state's digest differs it arose in one of the ticks
    `since`..`tick`. `twice`: the device answered the same request twice, differently; a field's `got` is then
    of its first answer and `expected` of its second."""

    tick: int
    since: int
    fields: tuple[Field, ...]
    twice: bool = False

    @property
    def digest_only(self) -> bool:
        """Whether all outputs were right and only the state was not."""
        return [f.name for f in self.fields] == ["digest"]


@dataclass(frozen=True)
class Criterion:
    """What is compared. `outputs`: of NAMES; `digest`: the state's digest too; `tolerance`: by how much an
    output may differ, in its own unit (for `events`: the count of skipped events since the start); `lag`: by
    how many ticks the device may answer later, the same in the whole run."""

    outputs: tuple[str, ...] = NAMES
    digest: bool = True
    tolerance: Mapping[str, int] = field(default_factory=dict)
    lag: range = range(1)

    @property
    def exact(self) -> bool:
        """Whether answers must be the reference's bit by bit."""
        return self.outputs == NAMES and not self.tolerance and self.lag == range(1)

    def compared(self) -> str:
        """What is compared, in words."""
        if self.exact:
            return "every output, event and state" if self.digest else "every output and event"
        named = [
            f"{name} within {self.tolerance[name]}" if self.tolerance.get(name) else name
            for name in self.outputs
        ]
        text = ", ".join(named) if len(named) < len(NAMES) or self.tolerance else "every output and event"
        if self.lag != range(1):
            text += f"; {self.lag.start} to {self.lag.stop - 1} ticks late"
        return text

    def not_compared(self) -> list[str]:
        """What the reference has and is not looked at."""
        left = [name for name in NAMES if name not in self.outputs]
        return left if self.exact and self.digest else [*left, "digest"]


def parse(outputs: str | None, tolerance: str | None, lag: str | None, digest: bool) -> Criterion:
    """The criterion of the options --outputs, --tolerance and --lag. Raises UserError where one is none."""
    names = NAMES
    if outputs is not None:
        names = tuple(dict.fromkeys(name.strip() for name in outputs.split(",")))
        for name in names:
            if name not in NAMES:
                raise UserError(f"no output {name!r}", "--outputs", f"give some of {', '.join(NAMES)}")
    allowed: dict[str, int] = {}
    for part in tolerance.split(",") if tolerance else ():
        name, _, text = part.strip().partition("=")
        if name not in names or not text.isdecimal() or int(text) > 65535:
            right = "give NAME=NUMBER of what is compared, for example reduction=1,retard=2"
            raise UserError(f"no tolerance {part.strip()!r}", "--tolerance", right)
        if int(text):
            allowed[name] = int(text)
    ticks = _lag(lag) if lag is not None else range(1)
    plain = names == NAMES and not allowed and ticks == range(1)
    return Criterion(names, digest and plain, allowed, ticks)


def _lag(text: str) -> range:
    first, _, last = text.partition(":")
    last = last or first
    if not (first.isdecimal() and last.isdecimal() and int(first) <= int(last) <= MOST_LAG):
        right = f"give ticks FROM:TO, 0 to {MOST_LAG}, for example 0:5"
        raise UserError(f"no lag {text!r}", "--lag", right)
    return range(int(first), int(last) + 1)


class Judge:
    """Holds answers against the reference's, in order, and says where they differ first.

    Assumptions: `take` gets each step of a run once, in order. Invariant: `lag` is the smallest one that no
    tick so far speaks against; the first difference is that of the lag that stood longest.

    With a tolerance or a lag of the reduction the right events are those of the reduction that the device
    itself answered (rule C2 holds for any reduction); else those of the reference.
    """

    def __init__(self, criterion: Criterion, image: bytes) -> None:
        self.criterion = criterion
        self._outputs = [name for name in criterion.outputs if name != EVENTS]
        self._standing = list(criterion.lag)
        self._expected: Records = np.zeros(0, OUTPUT)
        self._ticks = 0
        self._own_events = "reduction" in criterion.tolerance or criterion.lag != range(1)
        self._skips_ahead = 0
        calibration = read_image(image)
        self._events = Events()
        self._events.calibrate(calibration)
        self._order = calibration.firing_order[: calibration.cylinders]
        self._place = 0

    @property
    def lag(self) -> int:
        """The lag found so far, in ticks."""
        return self._standing[0]

    def take(self, step: Step, right: StepAnswer, got: StepAnswer) -> Difference | None:
        """The first difference in these ticks, None where there is none."""
        if self.criterion.exact:
            return first_difference(step, right, got)
        if len(got.outputs) != len(right.outputs) or len(got.events) != len(right.events):
            return first_difference(step, right, got)
        found = self._take_outputs(step, right, got)
        event = self._take_events(step, right, got) if EVENTS in self.criterion.outputs else None
        both = [one for one in (found, event) if one is not None]
        return min(both, key=lambda one: one.tick, default=None)

    def _take_outputs(self, step: Step, right: StepAnswer, got: StepAnswer) -> Difference | None:
        keep = self.criterion.lag.stop - 1
        past = len(self._expected)
        expected = np.concatenate((self._expected, right.outputs))
        self._expected = expected[max(0, len(expected) - keep) :] if keep else expected[:0]
        last: Difference | None = None
        for lag in list(self._standing):
            skip = min(len(got.outputs), max(0, lag - past))
            begin = past + skip - lag
            wanted = expected[begin : begin + len(got.outputs) - skip]
            found = self._differs(wanted, got.outputs[skip:], step.start + skip)
            if found is not None:
                self._standing.remove(lag)
                if last is None or found.tick > last.tick:
                    last, best = found, lag
        if self._standing:
            return None
        assert last is not None
        self._standing = [best]
        return last

    def _differs(self, wanted: Records, given: Records, start: int) -> Difference | None:
        wrong = np.zeros(len(wanted), bool)
        for name in self._outputs:
            apart = np.abs(wanted[name].astype(np.int64) - given[name])
            wrong |= apart > self.criterion.tolerance.get(name, 0)
        for i in np.flatnonzero(wrong)[:1].tolist():
            fields = tuple(
                Field(name, int(wanted[name][i]), int(given[name][i]))
                for name in self._outputs
                if abs(int(wanted[name][i]) - int(given[name][i])) > self.criterion.tolerance.get(name, 0)
            )
            return Difference(start + i, start + i, fields)
        return None

    def _take_events(self, step: Step, right: StepAnswer, got: StepAnswer) -> Difference | None:
        wanted = self._events_of(step, got) if self._own_events else right.events
        allowed = self.criterion.tolerance.get(EVENTS, 0)
        tick_of = np.repeat(np.arange(len(step.inputs)), step.inputs["events"])
        for at, (expected, given) in enumerate(zip(wanted, got.events, strict=True)):
            self._skips_ahead += (given & _SKIPS > 0) - (expected & _SKIPS > 0)
            if abs(self._skips_ahead) > allowed or (not allowed and expected != given):
                tick = step.start + int(tick_of[at])
                if allowed:
                    return Difference(tick, tick, (Field("skipped events more", 0, self._skips_ahead),))
                return Difference(tick, tick, (Field("event", expected, given),))
        return None

    def _events_of(self, step: Step, got: StepAnswer) -> bytes:
        """What the rules make of the device's own reduction."""
        from bench.link.protocol import EVENT_SPARK

        made = bytearray()
        for reduction, due in zip(
            got.outputs["reduction"].tolist(), step.inputs["events"].tolist(), strict=True
        ):
            for _ in range(due):
                cylinder = self._order[self._place]
                self._place = (self._place + 1) % len(self._order)
                bits = self._events.event(cylinder, min(reduction, 1000))
                made.append(bits | (EVENT_SPARK if self._events.spark(cylinder) else 0))
        return bytes(made)


def first_difference(step: Step, right: StepAnswer, got: StepAnswer) -> Difference | None:
    """The first difference of two answers to a step, bit by bit."""
    last = step.start + len(step.inputs) - 1
    if len(got.outputs) != len(right.outputs) or len(got.events) != len(right.events):
        counts = (
            Field("ticks", len(right.outputs), len(got.outputs)),
            Field("events", len(right.events), len(got.events)),
        )
        return Difference(step.start, step.start, tuple(f for f in counts if f.expected != f.got))
    due = np.concatenate(([0], np.cumsum(step.inputs["events"], dtype=np.int64)))
    for i in np.flatnonzero(right.outputs != got.outputs)[:1].tolist():
        place = _event_difference(right, got, due, i)
        fields = [
            Field(name, int(right.outputs[name][i]), int(got.outputs[name][i]))
            for name in OUTPUT.names or ()
            if right.outputs[name][i] != got.outputs[name][i]
        ]
        if place is not None and place[0] < i:
            break
        return Difference(step.start + i, step.start + i, tuple(fields + ([place[1]] if place else [])))
    place = _event_difference(right, got, due, len(step.inputs))
    if place is not None:
        return Difference(step.start + place[0], step.start + place[0], (place[1],))
    if right.digest != got.digest:
        return Difference(last, step.start, (Field("digest", right.digest, got.digest),))
    if right.flags != got.flags:
        return Difference(last, step.start, (Field("flags", right.flags, got.flags),))
    return None


def _event_difference(
    right: StepAnswer, got: StepAnswer, due: npt.NDArray[np.int64], until: int
) -> tuple[int, Field] | None:
    """(tick of the frame, what differs) of the first event that differs, up to a tick."""
    for at, (expected, given) in enumerate(zip(right.events, got.events, strict=True)):
        if expected != given:
            tick = int(np.searchsorted(due, at, side="right")) - 1
            return (tick, Field("event", expected, given)) if tick <= until else None
    return None
