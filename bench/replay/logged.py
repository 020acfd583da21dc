"""What the car's own controller did, as its log has it, laid over what a replay commands.

A log holds samples, not ticks: each is compared with the command of the tick that it was taken in, and counts
for the time until the next one. So a slow log of an equal controller agrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bench.document.columns import NONE
from bench.errors import UserError
from bench.replay.torque import spark_efficiency
from bench.trace.model import GAP_STEPS
from bench.trace.roles import LOGGED_ROLES

if TYPE_CHECKING:
    from bench.replay.inputs import Inputs
    from bench.trace.model import Trace

Ints = npt.NDArray[Any]

_COMMANDS = ("reduction", "retard")
_SCALES = {"reduction": 10, "retard": 10, "demand": 10}
_EXACT = ("reduction", "retard", "reason", "faults")


@dataclass(frozen=True)
class Tolerance:
    """How far apart two commands may be and still agree: % and degrees."""

    reduction: float = 2.0
    retard: float = 1.0

    def units(self, name: str) -> int:
        """The same in the controller's units, 0.1 % and 0.1 degree."""
        return round(10 * float(getattr(self, name)))


@dataclass(frozen=True)
class Logged:
    """What a log has of the car's own controller, for a replay of n ticks.

    `ticks` has an int32[n] for each of reduction and demand (0.1 %), retard (0.1 degree), reason, state and
    faults that the log has, held from sample to sample, NONE where it is not known. `samples` has the same at
    the rows of the log, int32[m]; `at` (int64[m]) is the tick that each row was taken in and `lasts`
    (float64[m]) how many ticks it stands for. `titles` are the columns' names.
    """

    ticks: dict[str, Ints]
    samples: dict[str, Ints]
    at: Ints
    lasts: npt.NDArray[np.float64]
    titles: dict[str, str]

    @property
    def own(self) -> bool:
        """Whether it is a recording of a device that runs this controller, which has its faults too."""
        return all(name in self.samples for name in _EXACT)

    def torque_left(self, part: slice) -> npt.NDArray[np.float32]:
        """The estimated share of full torque that the logged command leaves at each tick of a part."""
        share = 1 - known(self.ticks["reduction"][part]) / 1000
        if "retard" in self.ticks:
            share = share * spark_efficiency(known(self.ticks["retard"][part]) / 10)
        return share.astype(np.float32)


def parse_tolerance(text: str) -> Tolerance:
    """The tolerance in "2" (% of reduction), or "reduction=2,retard=1"."""
    given: dict[str, float] = {}
    for part in text.split(","):
        name, equals, number = part.rpartition("=")
        name = name.strip() if equals else "reduction"
        try:
            given[name] = float(number)
        except ValueError:
            given[name] = -1.0
        if name not in _COMMANDS or not 0 <= given[name] <= 100:
            right = "give % of reduction as in 2, or reduction=2,retard=1 (% and degrees)"
            raise UserError(f"{part.strip() or text!r} is no tolerance", "--expect", right)
    return Tolerance(**given)


def from_trace(trace: Trace, inputs: Inputs) -> Logged | None:
    """What a trace has of the car's own controller, on the ticks of its inputs; None where it has neither a
    reduction nor a retard."""
    from bench.trace.grid import pieces
    from bench.trace.packed import Packed, Plain, is_packed

    channels = {
        role.removeprefix("logged_"): trace.channels[role]
        for role in sorted(LOGGED_ROLES)
        if role in trace.channels and trace.channels[role].valid.any()
    }
    first = next((channels[name] for name in _COMMANDS if name in channels), None)
    if first is None:
        return None
    rows = np.flatnonzero(first.valid)
    moments = (trace.time_s[rows] - trace.time_s[0] - first.delay_s) * 1e6 / inputs.tick_us
    usual = float(np.median(np.diff(moments))) if len(rows) > 1 else 1.0
    most = GAP_STEPS * max(usual, 1.0)
    packs = is_packed(inputs.arrays["counts"])
    ticks, samples = {}, {}
    for name, channel in channels.items():
        laid = Packed(np.int32) if packs else Plain(np.int32, inputs.n)
        for start, values, _ in pieces(
            trace, channel.role, inputs.tick_us, max(0.1, most * inputs.tick_us / 1e6)
        ):
            whole = _whole(name, values)
            if start == 0:
                laid.add(np.full(inputs.lead, whole[0]))
            laid.add(whole)
        ticks[name] = laid.made()
        samples[name] = _whole(name, _filled(channel.values)[rows])
    return Logged(
        ticks,
        samples,
        np.floor(moments + 1e-6).astype(np.int64) + inputs.lead,
        np.minimum(np.diff(moments, append=moments[-1] + 1), most),
        {name: channel.name for name, channel in channels.items()},
    )


def no_log(trace: Trace) -> UserError:
    """For a trace whose log is to say the torque, and does not."""
    right = "name its column with --logged-reduction-column, or leave --torque-from out"
    return UserError("has no logged reduction to take the torque from", trace.path, right)


def lay_log(trace: Trace, inputs: Inputs, torque_from: str | None) -> tuple[Logged | None, str]:
    """What a trace has of the car's own controller, and whose command the torque is taken from: the log's
    where it has a reduction, unless something else was asked for. The notes of the inputs say which.

    Raises UserError where the log's is asked for and there is none."""
    logged = from_trace(trace, inputs)
    reduction = None if logged is None else logged.titles.get("reduction")
    if torque_from == "log" and reduction is None:
        raise no_log(trace)
    if reduction is None or torque_from == "replay":
        return logged, "replay"
    inputs.notes.append(f"torque: estimated from the log's command ({reduction}), not from the replay's")
    return logged, "log"


def _whole(name: str, values: npt.NDArray[np.float64]) -> Ints:
    known = np.isfinite(values)
    scaled = np.rint(_SCALES.get(name, 1) * np.where(known, values, 0.0))
    return np.where(known, np.clip(scaled, -65535, 65535), NONE).astype(np.int32)


def _filled(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Each value held until the next one: loggers write some signals only when they change."""
    holder = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), 0))
    return values[holder]


def known(values: Ints) -> Ints:
    """The numbers, 0 where there is none."""
    return np.where(values == NONE, 0, values)


# --- the delay
