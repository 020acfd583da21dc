"""What a verify found, as plain values: what --json prints and verify.json holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.cautions import CAUTIONS
from bench.facts import head
from bench.link.protocol import Feature
from bench.replay import codes
from bench.replay.figure_data import fault_names, state_name
from bench.verify.compare import FIRST_TICK, Context, Tally
from bench.verify.judge import Difference

if TYPE_CHECKING:
    from bench.link.protocol import Greeting, Status
    from bench.verify.timing import Pace

SUMMARY_VERSION = 1

UNITS: dict[str, tuple[int, int, str]] = {
    **dict.fromkeys(("height", "rest", "lift", "entry"), (16, 2, "mm")),
    **dict.fromkeys(("demand", "latched", "reduction"), (10, 1, "%")),
    **dict.fromkeys(("retard_demand", "retard_latched", "retard"), (10, 1, "°")),
    **dict.fromkeys(("hold_left", "out_of_sight_ticks"), (1, 0, "ticks")),
    "elapsed_ms": (1, 0, "ms"),
}
"""Outputs whose unit is not 1: numbers in a unit, decimals, unit."""


@dataclass(frozen=True)
class TraceResult:
    """What came of one trace."""

    name: str
    path: str
    trace_sha256: str
    total: int
    tick_us: int
    start_s: float
    tally: Tally
    context: Context | None
    seconds: float
    resent: int
    damaged: int
    replay_id: str
    pace: Pace | None = None
    compared: str = ""
    lag: int | None = None

    @property
    def verdict(self) -> str:
        """equal, different or link."""
        if self.tally.difference is not None:
            return "different"
        return "link" if self.tally.error is not None else "equal"

    @property
    def rate(self) -> float:
        """Ticks a second."""
        return self.tally.ticks / self.seconds if self.seconds > 0 else 0.0

    def time_s(self, tick: int) -> float:
        """The trace's time at a tick."""
        return self.start_s + tick * self.tick_us / 1e6


def stem(number: int, results: Sequence[TraceResult]) -> str:
    """How the files of one trace (its number from 1) are called."""
    name = results[number - 1].name
    return f"{number}-{name}" if len(results) > 1 else name


def difference_text(result: TraceResult) -> str:
    """One line about the first difference."""
    difference = result.tally.difference
    assert difference is not None
    fields = ", ".join(
        f"{f.name} {value_text(f.name, f.got)} instead of {value_text(f.name, f.expected)}"
        for f in difference.fields
    )
    where = f"tick {difference.tick} ({result.time_s(difference.tick):.6g} s)"
    if difference.twice:
        told = ", ".join(
            f"{f.name} first {value_text(f.name, f.got)}, then {value_text(f.name, f.expected)}"
            for f in difference.fields
        )
        return f"{where}: answered twice differently: {told}"
    if difference.digest_only:
        since = f" or up to {difference.tick - difference.since} ticks before it"
        return f"{where}{since if difference.since < difference.tick else ''}: state only; {fields}"
    return f"{where}: {fields}"


def value_text(name: str, value: int) -> str:
    """A value of an output as a person reads it."""
    if name == "digest":
        return f"{value:08x}"
    if name in ("state", "retard_state"):
        return state_name(value) if value in codes.STATES else str(value)
    if name == "reason":
        return codes.reason_name(value)
    if name == "faults":
        return fault_names(value) or "none"
    per, decimals, unit = UNITS.get(name, (1, 0, ""))
    return f"{value / per:.{decimals}f} {unit}".rstrip()


def make_facts(
    results: list[TraceResult],
    greeting: Greeting,
    status: Status | None,
    how: dict[str, Any],
    made: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """The whole result as plain values for JSON. Keys stay; SUMMARY_VERSION grows when the meaning of one
    changes. `made`: of made-up cases, what they are and what came of them besides."""
    worst = "different" if made and made["wrong_images"] else "equal"
    for result in results:
        if result.verdict == "link" or (result.verdict == "different" and worst == "equal"):
            worst = result.verdict
    return {
        **head(SUMMARY_VERSION),
        "verdict": worst,
        "device": {
            "firmware": greeting.firmware,
            "protocol": greeting.protocol,
            "image_version": greeting.image_version,
            "largest_frame": greeting.largest,
            "window": greeting.window,
            "features": [str(f.name).lower() for f in Feature if f in greeting.features],
        },
        "how": how,
        "made": made,
        "first_tick_number": FIRST_TICK,
        "traces": [_trace_facts(result) for result in results],
        "status": vars(status) if status else None,
        "cautions": CAUTIONS,
    }


def _trace_facts(result: TraceResult) -> dict[str, Any]:
    tally = result.tally
    found: dict[str, Any] = {
        "file": result.path,
        "sha256": result.trace_sha256,
        "verdict": result.verdict,
        "ticks": result.total,
        "tick_us": result.tick_us,
        "ticks_equal": tally.ticks,
        "frames": tally.frames,
        "digests": tally.digests,
        "seconds": round(result.seconds, 6),
        "ticks_a_second": round(result.rate, 1),
        "resent": result.resent,
        "damaged": result.damaged,
        "misread": tally.misread,
        "stalls": tally.stalls,
        "compared": result.compared,
        "lag_ticks": result.lag,
        "error": str(tally.error) if tally.error else None,
        "difference": _difference_facts(result, tally.difference) if tally.difference else None,
        "real_time": result.pace.facts() if result.pace else None,
    }
    return found


def _difference_facts(result: TraceResult, difference: Difference) -> dict[str, Any]:
    return {
        "tick": difference.tick,
        "since": difference.since,
        "answered_twice_differently": difference.twice,
        "time_s": round(result.time_s(difference.tick), 6),
        "fields": [{"name": f.name, "expected": f.expected, "got": f.got} for f in difference.fields],
        "replay_id": result.replay_id,
    }
