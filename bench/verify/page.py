"""The page of a verify: equal, or the first difference with the ticks around it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.document.blocks import (
    Block,
    Cell,
    Document,
    Jump,
    Line,
    Panel,
    Place,
    Section,
    Series,
    Strip,
    Table,
    Text,
)
from bench.document.calibration import calibration_section
from bench.document.columns import Column
from bench.document.html import write_page
from bench.document.provenance import provenance
from bench.link.protocol import OUTPUT
from bench.replay import codes
from bench.replay.figure_data import fault_names, state_name

if TYPE_CHECKING:
    from bench.calibration import CalibrationFile
    from bench.verify.compare import Context, Difference
    from bench.verify.report import TraceResult

_ROWS = 8  # ticks in the table before the first difference, and after it

# Outputs whose unit is not 1 -> numbers in a unit, decimals, unit
_UNITS: dict[str, tuple[int, int, str]] = {
    **dict.fromkeys(("height", "rest", "lift", "entry"), (16, 2, "mm")),
    **dict.fromkeys(("demand", "latched", "reduction"), (10, 1, "%")),
    **dict.fromkeys(("retard_demand", "retard_latched", "retard"), (10, 1, "°")),
    **dict.fromkeys(("hold_left", "out_of_sight_ticks"), (1, 0, "ticks")),
    "elapsed_ms": (1, 0, "ms"),
}
_VERDICTS = {"equal": "equal", "different": "different", "link": "the link failed"}
_SIGNED = 2**30


def write(
    path: Path, facts: dict[str, Any], results: list[TraceResult], calibration: CalibrationFile
) -> None:
    """Write the page of a verify; `facts` is what verify.json holds."""
    write_page(path, page(facts, results, calibration))


def page(facts: dict[str, Any], results: list[TraceResult], calibration: CalibrationFile) -> Document:
    """The page of a verify."""
    device, how = facts["device"], facts["how"]
    sections = [Section("Each trace", [_traces(facts)])]
    for number, (result, one) in enumerate(zip(results, facts["traces"], strict=True), 1):
        if result.context is not None and result.tally.difference is not None:
            blocks = list(_difference(number, result, one, result.context, result.tally.difference))
            sections.append(Section(f"The first difference: {Path(one['file']).name}", blocks))
    timed = [one for one in facts["traces"] if one["real_time"]]
    if timed:
        sections.append(Section("In real time", [_times(timed)]))
    sections.append(calibration_section(calibration))
    return Document(
        what="verify",
        title=f"{device['firmware']} against the reference, {calibration.path.name}",
        alarm=[f"The link failed: {one['error']}" for one in facts["traces"] if one["error"]],
        answer=list(_answer(facts, results)),
        key=_key(facts),
        sections=sections,
        cautions=[facts["cautions"]],
        provenance=[
            *provenance(facts),
            (
                "Device",
                f"{device['firmware']}, protocol {device['protocol']}, images of version"
                f" {device['image_version']}, frames up to {device['largest_frame']} bytes",
            ),
            ("Its port", str(how["port"])),
            ("Steps in flight", str(how["window"])),
            ("Paced to the clock", "yes" if how["real_time"] else "no"),
            ("Calibration", how["calibration"]),
            ("Its SHA-256", how["calibration_sha256"]),
            ("Its image", f"CRC-32 {how['image_crc32']}"),
            *(
                pair
                for one in facts["traces"]
                for pair in (("Trace", one["file"]), ("Its SHA-256", one["sha256"]))
            ),
        ],
    )


def _answer(facts: dict[str, Any], results: list[TraceResult]) -> Iterator[str]:
    from bench.verify.report import difference_text

    verdict, device = facts["verdict"], facts["device"]["firmware"]
    ticks = sum(one["ticks_equal"] for one in facts["traces"])
    if verdict == "equal":
        yield f"The device ({device}) equals the reference: {ticks} ticks, every one of them the same."
    elif verdict == "different":
        first = next(result for result in results if result.tally.difference is not None)
        where = f"{Path(first.path).name}, {difference_text(first)}"
        yield f"The device ({device}) differs from the reference: {where}."
    else:
        yield f"The link to the device ({device}) failed; until then {ticks} ticks were equal."
    states = sum(one["digests"] for one in facts["traces"])
    yield (
        f"Compared: every output and every cylinder event{', and the whole state' if states else ''}."
        " A device that is equal on these traces may still differ on others."
    )


def _key(facts: dict[str, Any]) -> list[tuple[str, str]]:
    traces = facts["traces"]
    key = [
        (str(sum(one["ticks_equal"] for one in traces)), "ticks equal"),
        (f"{sum(one['verdict'] == 'equal' for one in traces)} of {len(traces)}", "traces equal"),
    ]
    if facts["status"] and facts["status"].get("worst_tick_ns"):
        key.append((f"{facts['status']['worst_tick_ns'] / 1000:.1f} µs", "its longest tick"))
    return key


def _traces(facts: dict[str, Any]) -> Table:
    rows: list[list[str | Cell]] = []
    for number, one in enumerate(facts["traces"], 1):
        found = one["difference"]
        verdict = _VERDICTS[one["verdict"]]
        jump = None
        if found:
            jump = Jump(f"ticks-{number}", found["tick"] - 20, found["tick"] + 20, found["tick"])
            verdict = f"different at tick {found['tick']}"
        rows.append(
            [
                Path(one["file"]).name,
                Cell(verdict, "good" if one["verdict"] == "equal" else "bad", jump),
                f"{one['ticks_equal']} of {one['ticks']}",
                str(one["frames"]),
                f"{one['ticks_a_second']:.0f}",
                str(one["resent"]),
                str(one["damaged"]),
                str(one["stalls"]),
            ]
        )
    return Table(
        (
            ("trace", False),
            ("verdict", False),
            ("ticks equal", True),
            ("frames", True),
            ("ticks a second", True),
            ("sent again", True),
            ("frames damaged", True),
            ("safe states", True),
        ),
        rows,
        "What came of each trace",
    )


def _times(traces: list[dict[str, Any]]) -> Table:
    keys = (
        ("latency_ms_median", "latency, median, ms"),
        ("latency_ms_99", "99 %, ms"),
        ("latency_ms_worst", "worst, ms"),
        ("late_ticks", "late ticks"),
        ("send_jitter_ms_worst", "sent after its moment, worst, ms"),
    )
    return Table(
        (("trace", False), *((words, True) for _, words in keys)),
        [(Path(one["file"]).name, *(f"{one['real_time'][key]:.4g}" for key, _ in keys)) for one in traces],
        "From sending a step to its answer",
    )


# --- the difference


def _difference(
    number: int, result: TraceResult, facts: dict[str, Any], context: Context, difference: Difference
) -> Iterator[Block]:
    from bench.verify.report import difference_text

    text = [f"Different at {difference_text(result)}."]
    if difference.digest_only:
        text.append(
            "All outputs are right; only the state is not, so the cause lies in what is kept from"
            " tick to tick."
        )
    if result.replay_id:
        text.append(f"To see it again: liftlatch replay {result.replay_id}")
    yield Text(text)
    rows: list[list[str | Cell]] = [
        [
            f.name, _shown(f.name, f.expected), Cell(_shown(f.name, f.got), "bad"), str(f.expected),
            str(f.got),
        ]
        for f in difference.fields
    ]  # fmt: skip
    columns = (
        ("output", False), ("right", True), ("given", True), ("right, as sent", True),
        ("given, as sent", True),
    )  # fmt: skip
    yield Table(columns, rows, f"At tick {difference.tick}")
    yield _strip(number, result, context, difference)
    yield _around(context, difference)


def _wrong(context: Context, difference: Difference) -> list[str]:
    """Outputs that differ anywhere in the context, those of the first difference first."""
    first = [f.name for f in difference.fields if f.name in (OUTPUT.names or ())]
    later = [
        name
        for name in OUTPUT.names or ()
        if name not in first and (context.expected[name] != context.got[name]).any()
    ]
    return first + later


def _strip(number: int, result: TraceResult, context: Context, difference: Difference) -> Strip:
    columns: dict[str, Column] = {}
    panels = []
    drawn = list(dict.fromkeys(["lift", "reduction", *_wrong(context, difference)]))
    for name in drawn:
        per, decimals, unit = _UNITS.get(name, (1, 0, ""))
        for side, values in (("right", context.expected[name]), ("given", context.got[name])):
            whole = np.minimum(values.astype(np.int64), _SIGNED)
            words = {int(v): _shown(name, int(v)) for v in np.unique(whole)} if name in _NAMED else {}
            columns[f"{name}-{side}"] = Column(whole, per, unit, decimals, words)
        panels.append(
            Panel(
                name.replace("_", " ").capitalize(),
                unit,
                [
                    Line("right", f"{name}-right", "pale" if name == "lift" else "main", stepped=True),
                    Line("given", f"{name}-given", "limit-dashed", stepped=True),
                ],
                height=140,
            )
        )
    figure, at = f"ticks-{number}", float(difference.tick)
    first, last = float(context.start), float(context.start + len(context.inputs) - 1)
    return Strip(
        figure,
        "The ticks around the first difference",
        {"run": Series(columns, first=first)},
        panels,
        (max(first, at - 20), min(last, at + 20)),
        axis="tick",
        decimals=0,
        cursor=at,
        places=[
            Place("first difference", f"tick {difference.tick}", Jump(figure, at - 20, at + 20, at), "fault"),
            Place(
                "all that was kept", f"ticks {first:.0f} to {last:.0f}", Jump(figure, first, last, at), "mark"
            ),
        ],
    )


def _around(context: Context, difference: Difference) -> Table:
    """The ticks around the difference: the outputs that differ, right and given."""
    wrong = _wrong(context, difference)[:6] or ["reduction"]
    at = difference.tick - context.start
    rows: list[list[str | Cell]] = []
    chosen = []
    for i in range(max(0, at - _ROWS), min(len(context.inputs), at + _ROWS + 1)):
        row: list[str | Cell] = [str(context.start + i), str(context.inputs["counts"][i])]
        for name in wrong:
            right, given = int(context.expected[name][i]), int(context.got[name][i])
            row += [_shown(name, right), Cell(_shown(name, given), "" if right == given else "bad")]
        if i == at:
            chosen.append(len(rows))
        rows.append(row)
    columns = [("tick", True), ("counts", True)]
    for name in wrong:
        columns += [(f"{name} right", True), ("given", True)]
    return Table(columns, rows, "Tick by tick", chosen=chosen)


_NAMED = ("state", "retard_state", "reason", "faults")


def _shown(name: str, value: int) -> str:
    if name == "digest":
        return f"{value:08x}"
    if name in ("state", "retard_state"):
        return state_name(value) if value in codes.STATES else str(value)
    if name == "reason":
        return codes.reason_name(value)
    if name == "faults":
        return fault_names(value) or "none"
    per, decimals, unit = _UNITS.get(name, (1, 0, ""))
    return f"{value / per:.{decimals}f} {unit}".rstrip()
