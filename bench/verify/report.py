"""What a verify leaves behind: report.html, verify.json, junit.xml, and for a difference its context as CSV
and picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as xml

from bench.cautions import CAUTIONS
from bench.facts import as_json, head
from bench.link.protocol import OUTPUT, Feature
from bench.replay.names import STATES, reason_name
from bench.verify.compare import FIRST_TICK, Context, Tally
from bench.verify.judge import Difference

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.link.protocol import Greeting, Status
    from bench.verify.timing import Pace

SUMMARY_VERSION = 1

_SIXTEENTHS = ("height", "rest", "lift", "entry")


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


def difference_text(result: TraceResult) -> str:
    """One line about the first difference."""
    difference = result.tally.difference
    assert difference is not None
    if difference.twice:
        fields = ", ".join(
            f"{f.name} first {_shown(f.name, f.got)}, then {_shown(f.name, f.expected)}"
            for f in difference.fields
        )
        where = f"tick {difference.tick} ({result.time_s(difference.tick):.6g} s)"
        return f"{where}: answered twice differently: {fields}"
    fields = ", ".join(
        f"{f.name} {_shown(f.name, f.got)} instead of {_shown(f.name, f.expected)}" for f in difference.fields
    )
    where = f"tick {difference.tick} ({result.time_s(difference.tick):.6g} s)"
    if difference.digest_only:
        since = f" or up to {difference.tick - difference.since} ticks before it"
        return f"{where}{since if difference.since < difference.tick else ''}: state only; {fields}"
    return f"{where}: {fields}"


def _shown(name: str, value: int) -> str:
    if name == "digest":
        return f"{value:08x}"
    if name in ("state", "retard_state"):
        return STATES.get(value, str(value))
    return f"{value} ({reason_name(value)})" if name == "reason" else str(value)


def facts(
    results: list[TraceResult], greeting: Greeting, status: Status | None, how: dict[str, Any]
) -> dict[str, Any]:
    """The whole result as plain values for JSON. Keys stay; SUMMARY_VERSION grows when the meaning of one
    changes."""
    worst = "equal"
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


def write_all(
    folder: Path, found: dict[str, Any], results: list[TraceResult], calibration: CalibrationFile
) -> None:
    """All files, into an empty folder."""
    from bench.verify import page

    page.write(folder / "report.html", found, results, calibration)
    (folder / "verify.json").write_text(as_json(found), encoding="utf-8")
    (folder / "junit.xml").write_bytes(junit(results))
    for number, result in enumerate(results, 1):
        stem = f"{number}-{result.name}" if len(results) > 1 else result.name
        if result.context is not None:
            write_context(folder / f"{stem}-difference.csv", result)
            draw_context(folder / f"{stem}-difference.png", result)
        if result.pace is not None and result.pace.latency_s:
            result.pace.draw(folder / f"{stem}-latency.png", result.name)


def junit(results: list[TraceResult]) -> bytes:
    """The results as JUnit XML: one test case for each trace."""
    suite = xml.Element(
        "testsuite",
        name="liftlatch verify",
        tests=str(len(results)),
        failures=str(sum(r.verdict == "different" for r in results)),
        errors=str(sum(r.verdict == "link" for r in results)),
        time=f"{sum(r.seconds for r in results):.3f}",
    )
    for result in results:
        case = xml.SubElement(
            suite, "testcase", classname="liftlatch.verify", name=result.name, time=f"{result.seconds:.3f}"
        )
        if result.verdict == "different":
            text = difference_text(result)
            xml.SubElement(case, "failure", message=text).text = f"{text}\nreplay id: {result.replay_id}"
        elif result.verdict == "link":
            xml.SubElement(case, "error", message=str(result.tally.error))
        xml.SubElement(case, "system-out").text = f"{result.tally.ticks} of {result.total} ticks equal"
    return b'<?xml version="1.0" encoding="utf-8"?>\n' + xml.tostring(suite) + b"\n"


def write_context(path: Path, result: TraceResult) -> None:
    """A row for each tick around the first difference: inputs, then what was right and what was given."""
    context = result.context
    assert context is not None
    names = context.inputs.dtype.names or ()
    outputs = OUTPUT.names or ()
    header = ["tick", "time_s", *names]
    for name in outputs:
        header += [f"{name}_expected", f"{name}_got"]
    lines = [",".join(header)]
    for i in range(len(context.inputs)):
        tick = context.start + i
        row = [str(tick), f"{result.time_s(tick):.6f}", *(str(context.inputs[name][i]) for name in names)]
        for name in outputs:
            row += [str(context.expected[name][i]), str(context.got[name][i])]
        lines.append(",".join(row))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def draw_context(path: Path, result: TraceResult) -> None:
    """A picture of the ticks around the first difference: lift and command above, the first output that
    differs below."""
    import matplotlib as mpl
    import numpy as np

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    context, difference = result.context, result.tally.difference
    assert context is not None
    assert difference is not None
    shown = next((f.name for f in difference.fields if f.name in (OUTPUT.names or ())), "reduction")
    ticks = np.arange(context.start, context.start + len(context.inputs))
    figure, (upper, lower) = plt.subplots(2, 1, figsize=(9, 6), sharex=True, layout="constrained")
    upper.plot(ticks, context.expected["lift"] / 16, color="#707070", label="lift, mm")
    scale = 16 if shown in _SIXTEENTHS else 1
    for axes, name, divisor in ((upper, "reduction", 10), (lower, shown, scale)):
        unit = ", %" if divisor == 10 else ", mm" if divisor == 16 else ""
        right, got = context.expected[name] / divisor, context.got[name] / divisor
        axes.step(ticks, right, where="post", color="#4878a8", label=f"{name} expected{unit}")
        axes.step(ticks, got, where="post", color="#b04030", linestyle="--", label=f"{name} got{unit}")
    lower.set(xlabel="tick of the trace")
    for axes in (upper, lower):
        axes.axvline(difference.tick, color="#303030", linewidth=0.8)
        axes.legend(loc="best")
        axes.grid(alpha=0.3)
    figure.suptitle(f"{result.name}: first difference at tick {difference.tick}")
    figure.savefig(path, dpi=110)
    plt.close(figure)
